//! What is known of each alarm.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::alarm::{Kind, Life, Priority, Withheld};
use crate::moment::Moment;
use crate::monitor::{self, AlarmStatus, Snapshot};
use crate::view::{Elapsed, Instant, Word, status};

/// What is known of one alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alarm {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The id of the signal it watches; `null` for an alarm on siskin itself.
    pub signal: Option<String>,
    /// The id of the signal that this one should agree with; `null` for other kinds than `deviation`.
    pub compared_with: Option<String>,
    /// What it watches for.
    pub kind: String,
    /// Whether it watches a limit that the gas itself must keep, and not the sample or siskin itself.
    pub gas_limit: bool,
    /// The setpoint, for a kind that has one, in the signal's unit.
    pub setpoint: Option<f64>,
    /// How far the value must come back, for a kind that has a setpoint.
    pub deadband: Option<f64>,
    /// Where it is in its life cycle, or why it is withheld from the operator. `normal` is good news only
    /// while `active` is not `null`.
    pub state: Word<AlarmState>,
    /// Where it is in its life cycle, withheld or not.
    pub life: Word<Life>,
    /// When its shelving ends at the latest, if it is shelved.
    pub shelved_until: Option<Instant>,
    /// Whether its shelving ends when its condition is gone for the first time, too.
    pub shelved_once: bool,
    /// Whose decision it is that it is withheld; `null` when it is told, or when the site's own logic
    /// withholds it.
    pub withheld_by: Option<Decision>,
    /// Alarms with the same group are told apart by which of them came first.
    pub first_out_group: Option<String>,
    /// Whether it was the first of its group to be raised.
    pub first_out: bool,
    /// Whether its condition holds now; `null` when that cannot be known.
    pub active: Option<bool>,
    /// Whether its condition holds although it is not raised, since its on-delay runs.
    pub pending: bool,
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
    /// How long the operator has before the consequence sets in.
    pub time_to_respond_s: Option<Elapsed>,
}

/// Who decided that an alarm be withheld, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Decision {
    /// Their operating-system user.
    pub user: String,
    /// The name they gave.
    pub name: Option<String>,
    /// Why, in their words.
    pub remark: Option<String>,
}

/// Where an alarm is, as an operator is told it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmState {
    /// It is told, and is here in its life cycle.
    Told(Life),
    /// It is withheld.
    Withheld(Withheld),
}

impl AlarmState {
    /// Whether an operator has still to say that they know.
    pub const fn is_unacknowledged(self) -> bool {
        matches!(self, AlarmState::Told(life) if life.is_unacknowledged())
    }
}

impl From<Life> for AlarmState {
    fn from(life: Life) -> Self {
        AlarmState::Told(life)
    }
}

/// Every alarm, with the time at which this was known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alarms {
    /// When this was true.
    pub time: Instant,
    /// Whether that is too long ago to be called the present.
    pub stale: bool,
    /// Every alarm, in site order.
    pub alarms: Vec<Alarm>,
}

fn compared_with(kind: &Kind, snapshot: &Snapshot) -> Option<String> {
    let Kind::Deviation { other, .. } = kind else {
        return None;
    };
    snapshot.signals.get(other.0).map(|signal| signal.id.clone())
}

impl Alarm {
    /// What `snapshot` knows of `alarm`, seen at `now`.
    pub fn of(alarm: &AlarmStatus, snapshot: &Snapshot, now: Moment) -> Alarm {
        let limit = alarm.kind.limit();
        let watched = alarm.signal.and_then(|index| snapshot.signals.get(index.0));
        Alarm {
            id: alarm.id.clone(),
            name: alarm.name.clone(),
            signal: watched.map(|signal| signal.id.clone()),
            compared_with: compared_with(&alarm.kind, snapshot),
            kind: alarm.kind.word().to_owned(),
            gas_limit: alarm.limits_gas,
            setpoint: limit.map(|limit| limit.setpoint),
            deadband: limit.map(|limit| limit.deadband),
            state: Word(alarm.withheld.map_or(AlarmState::Told(alarm.life), AlarmState::Withheld)),
            life: Word(alarm.life),
            shelved_until: alarm.shelved_until.map(Instant::from),
            shelved_once: alarm.shelved_once,
            withheld_by: alarm.withheld_by.clone().map(Decision::from),
            first_out_group: alarm.first_out_group.clone(),
            first_out: alarm.first_out,
            active: alarm.active.filter(|_| !status::is_stale(snapshot, now)),
            pending: alarm.pending && !status::is_stale(snapshot, now),
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
            time_to_respond_s: alarm.time_to_respond.map(Elapsed),
        }
    }

    /// Whether a person has still something to do about it.
    pub fn needs_somebody(&self) -> bool {
        matches!(self.state.0, AlarmState::Told(life) if life != Life::Normal)
    }

    /// Why it is withheld from the operator, if it is.
    pub fn withheld(&self) -> Option<Withheld> {
        match self.state.0 {
            AlarmState::Told(_) => None,
            AlarmState::Withheld(why) => Some(why),
        }
    }
}

impl From<monitor::Decision> for Decision {
    fn from(decision: monitor::Decision) -> Self {
        let monitor::Who { user, name } = decision.who;
        Decision { user, name, remark: decision.remark }
    }
}
