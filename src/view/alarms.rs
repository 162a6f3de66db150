//! What is known of each alarm.

use serde::{Deserialize, Serialize};

use crate::alarm::{Kind, Life, Priority};
use crate::moment::Moment;
use crate::monitor::{AlarmStatus, Snapshot};
use crate::view::{Instant, Word, status};

/// What is known of one alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The id of the signal it watches; `null` for an alarm on siskin itself.
    pub signal: Option<String>,
    /// What it watches for.
    pub kind: String,
    /// The setpoint, for a kind that has one, in the signal's unit.
    pub setpoint: Option<f64>,
    /// How far the value must come back, for a kind that has a setpoint.
    pub deadband: Option<f64>,
    /// Where it is in its life cycle.
    pub state: Word<Life>,
    /// Whether its condition holds now; `null` when that cannot be known.
    pub active: Option<bool>,
    /// Whether it has been raised and will not go away without a reset.
    pub latched: bool,
    /// Whether it is of the kind that needs a reset.
    pub latching: bool,
    /// How urgently an operator must act.
    pub priority: Word<Priority>,
    /// Since when it has been in its state; `null` when it never left `normal`.
    pub since: Option<Instant>,
    /// When it was last raised.
    pub raised: Option<Instant>,
    /// When it was last cleared; `null` while it stands raised.
    pub cleared: Option<Instant>,
    /// When it was acknowledged since it was last raised.
    pub acknowledged: Option<Instant>,
    /// What may have brought it about.
    pub cause: Option<String>,
    /// What happens when nobody acts.
    pub consequence: Option<String>,
    /// What to do.
    pub action: Option<String>,
}

/// Every alarm, with the time at which this was known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarms {
    /// When this was true.
    pub time: Instant,
    /// Whether that is too long ago to be called the present.
    pub stale: bool,
    /// Every alarm, in site order.
    pub alarms: Vec<Alarm>,
}

impl Alarm {
    /// What `snapshot` knows of `alarm`, seen at `now`.
    pub fn of(alarm: &AlarmStatus, snapshot: &Snapshot, now: Moment) -> Alarm {
        let limit = limit(&alarm.kind);
        let watched = alarm.signal.and_then(|index| snapshot.signals.get(index.0));
        Alarm {
            id: alarm.id.clone(),
            name: alarm.name.clone(),
            signal: watched.map(|signal| signal.id.clone()),
            kind: alarm.kind.word().to_owned(),
            setpoint: limit.map(|(setpoint, _)| setpoint),
            deadband: limit.map(|(_, deadband)| deadband),
            state: Word(alarm.life),
            active: alarm.active.filter(|_| !status::is_stale(snapshot, now)),
            latched: alarm.latching && alarm.life != Life::Normal,
            latching: alarm.latching,
            priority: Word(alarm.priority),
            since: alarm.since.map(Instant::from),
            raised: alarm.raised.map(Instant::from),
            cleared: alarm.cleared.map(Instant::from),
            acknowledged: alarm.acknowledged.map(Instant::from),
            cause: alarm.cause.clone(),
            consequence: alarm.consequence.clone(),
            action: alarm.action.clone(),
        }
    }

    /// Whether it watches a limit that the gas must keep.
    pub fn is_limit(&self) -> bool {
        self.setpoint.is_some()
    }

    /// Whether a person has still something to do about it.
    pub fn needs_somebody(&self) -> bool {
        self.state.0 != Life::Normal
    }
}

/// Setpoint and deadband of a kind that has them.
fn limit(kind: &Kind) -> Option<(f64, f64)> {
    kind.limit().map(|limit| (limit.setpoint, limit.deadband))
}
