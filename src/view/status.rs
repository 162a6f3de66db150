//! The snapshot as a whole.
//!
//! A snapshot that has not been replaced for [`STALE_AFTER_S_MAX`] is no longer the present: it is
//! told as `stale`, and with it every signal as `bad`, every alarm's condition as not known and
//! every device's state as unknown. So nobody who reads only a value can take it for a measurement.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::monitor::Snapshot;
use crate::signal::Quality;
use crate::view::{Alarm, Alarms, Clock, Device, Elapsed, Gas, Instant, Line, Signal, Signals, Storage};

/// A snapshot older than this, on the monotonic clock, is not the present any more.
pub const STALE_AFTER_S_MAX: Duration = Duration::from_secs(5);

/// Everything known at one time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Status {
    /// Which site.
    pub site: Site,
    /// Grows with every event; an operator action says with it what its caller had seen.
    pub seq: u64,
    /// When all this was true.
    pub time: Instant,
    /// How long ago that was.
    pub age_s: Elapsed,
    /// Whether that is too long ago to be called the present.
    pub stale: bool,
    /// Whether the gas is within its limits, as far as that is known.
    pub gas: Gas,
    /// Counts.
    pub summary: Summary,
    /// Whether the times told here can be believed.
    pub clock: Clock,
    /// What the record takes on the disk; `null` before it was measured.
    pub storage: Option<Storage>,
    /// Every line, in site order.
    pub lines: Vec<Line>,
    /// Every device, in site order.
    pub devices: Vec<Device>,
    /// Every signal, in site order.
    pub signals: Vec<Signal>,
    /// Every alarm, in site order.
    pub alarms: Vec<Alarm>,
}

/// A site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Site {
    /// Short and stable, for machines.
    pub id: String,
    /// For people.
    pub name: String,
    /// The IANA name of the zone in which people there live.
    pub time_zone: String,
}

/// Counts over a status.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// Alarms whose condition holds now.
    pub alarms_active: usize,
    /// Alarms that are told and that nobody has acknowledged.
    pub alarms_unacknowledged: usize,
    /// Alarms whose condition cannot be known now.
    pub alarms_indeterminate: usize,
    /// Alarms that are withheld from the operator.
    pub alarms_withheld: usize,
    /// Signals of good quality.
    pub signals_good: usize,
    /// Signals of uncertain quality.
    pub signals_uncertain: usize,
    /// Signals of bad quality: not measured.
    pub signals_bad: usize,
}

impl Status {
    /// What `snapshot` tells at `now`.
    pub fn of(snapshot: &Snapshot, now: Moment) -> Status {
        let signals = Signals::of(snapshot, now).signals;
        let alarms = Alarms::of(snapshot, now).alarms;
        Status {
            site: Site {
                id: snapshot.site_id.clone(),
                name: snapshot.site_name.clone(),
                time_zone: snapshot.time_zone.clone(),
            },
            seq: snapshot.seq,
            time: snapshot.at.into(),
            age_s: Elapsed::between(snapshot.at, now),
            stale: is_stale(snapshot, now),
            gas: Gas::of(&signals, &alarms),
            summary: Summary::of(&signals, &alarms),
            clock: Clock::of(snapshot.clock, now),
            storage: snapshot.disk.as_ref().map(Storage::from),
            lines: snapshot.lines.iter().map(Line::of).collect(),
            devices: snapshot.devices.iter().map(|device| Device::of(device, snapshot, now)).collect(),
            signals,
            alarms,
        }
    }
}

impl Signals {
    /// The signals of `snapshot` at `now`.
    pub fn of(snapshot: &Snapshot, now: Moment) -> Signals {
        Signals {
            time: snapshot.at.into(),
            stale: is_stale(snapshot, now),
            signals: snapshot.signals.iter().map(|signal| Signal::of(signal, snapshot, now)).collect(),
        }
    }
}

impl Alarms {
    /// The alarms of `snapshot` at `now`.
    pub fn of(snapshot: &Snapshot, now: Moment) -> Alarms {
        Alarms {
            time: snapshot.at.into(),
            stale: is_stale(snapshot, now),
            alarms: snapshot.alarms.iter().map(|alarm| Alarm::of(alarm, snapshot, now)).collect(),
        }
    }
}

impl Summary {
    fn of(signals: &[Signal], alarms: &[Alarm]) -> Summary {
        let alarms = |wanted: fn(&Alarm) -> bool| alarms.iter().filter(|alarm| wanted(alarm)).count();
        let signals = |quality| signals.iter().filter(|signal| signal.quality.0 == quality).count();
        Summary {
            alarms_active: alarms(|alarm| alarm.active == Some(true)),
            alarms_unacknowledged: alarms(|alarm| alarm.state.is_unacknowledged()),
            alarms_indeterminate: alarms(|alarm| alarm.active.is_none()),
            alarms_withheld: alarms(|alarm| alarm.withheld().is_some()),
            signals_good: signals(Quality::Good),
            signals_uncertain: signals(Quality::Uncertain),
            signals_bad: signals(Quality::Bad),
        }
    }
}

/// Whether `snapshot` is too old at `now` to be called the present.
pub(super) fn is_stale(snapshot: &Snapshot, now: Moment) -> bool {
    now.mono.since(snapshot.at.mono) > STALE_AFTER_S_MAX
}
