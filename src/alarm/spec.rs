//! An alarm as the site file describes it, checked and ready to use.

use std::time::Duration;

use crate::period::Period;
use crate::signal::{DeviceIndex, Guard, LineIndex, Scale, SignalIndex};

/// An alarm's place in the site's list of alarms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AlarmIndex(pub usize);

/// One alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmSpec {
    /// Unique in the site.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The signal it watches; `None` for a vote, and for an alarm on siskin itself ([`Kind::Fault`]).
    pub signal: Option<SignalIndex>,
    /// What it watches for.
    pub kind: Kind,
    /// How long the condition must hold before the alarm is raised.
    pub on_delay: Duration,
    /// How long the condition must be gone before the alarm is cleared.
    pub off_delay: Duration,
    /// Whether it stays until an operator resets it.
    pub latching: bool,
    /// What becomes of it when its signal is not measured.
    pub when_lost: WhenLost,
    /// Whether it watches a limit that the gas itself must keep; `None` where the site file does not say.
    pub gas_limit: Option<bool>,
    /// While all of these hold it is suppressed by design; never when there are none.
    pub suppress_when: Vec<Guard>,
    /// An acknowledged alarm that is still active after this time asks for attention again.
    pub realarm_after: Option<Duration>,
    /// Alarms with the same group are told apart by which of them came first.
    pub first_out_group: Option<String>,
    /// How urgently an operator must act.
    pub priority: Priority,
    /// What may have brought it about.
    pub cause: Option<String>,
    /// What happens when nobody acts.
    pub consequence: Option<String>,
    /// What to do.
    pub action: Option<String>,
    /// How long the operator has before the consequence sets in.
    pub time_to_respond: Option<Duration>,
}

impl AlarmSpec {
    /// An alarm with nothing but what every alarm has; the rest as when the site file is silent.
    pub fn new(
        id: impl Into<String>,
        name: impl Into<String>,
        signal: Option<SignalIndex>,
        kind: Kind,
    ) -> Self {
        AlarmSpec {
            id: id.into(),
            name: name.into(),
            signal,
            kind,
            on_delay: Duration::ZERO,
            off_delay: Duration::ZERO,
            latching: false,
            when_lost: WhenLost::Hold,
            gas_limit: None,
            suppress_when: Vec::new(),
            realarm_after: None,
            first_out_group: None,
            priority: Priority::Medium,
            cause: None,
            consequence: None,
            action: None,
            time_to_respond: None,
        }
    }
}

/// What becomes of an alarm when its signal is not measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum WhenLost {
    /// It keeps what it knew: it neither rises nor clears.
    #[default]
    Hold,
    /// Loss of the measurement counts as the condition.
    Alarm,
}

/// What an alarm watches for. Each kind has a file of its own under [`crate::alarm::condition`].
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// The value is above a setpoint.
    High(Limit),
    /// The value is below a setpoint.
    Low(Limit),
    /// The value rises faster than a setpoint, in units per minute.
    Rise(Limit, Duration),
    /// The value falls faster than a setpoint, in units per minute.
    Fall(Limit, Duration),
    /// The time-weighted average is above a setpoint.
    AverageHigh(Limit, Averaging),
    /// The time-weighted average is below a setpoint.
    AverageLow(Limit, Averaging),
    /// A bit, or an integer code, is in one of these states.
    State {
        /// The codes that raise it; a bit has the codes 0 and 1.
        codes: Vec<i64>,
    },
    /// Two signals that should agree are further apart than a setpoint.
    Deviation {
        /// Greatest difference that still counts as agreement, in the alarm's signal's unit.
        limit: Limit,
        /// The signal it is compared with.
        other: SignalIndex,
        /// From the other signal's unit to the alarm's signal's unit.
        conversion: Scale,
    },
    /// The value does not move although the device answers.
    Frozen {
        /// A change of this much, in the signal's unit, or less is none.
        resolution: f64,
        /// For how long it must not have moved.
        window: Duration,
    },
    /// There is no valid measurement.
    Lost,
    /// At least so many of these alarms are active.
    Vote {
        /// How many.
        at_least: usize,
        /// Of these.
        of: Vec<AlarmIndex>,
    },
    /// Something is wrong with siskin itself. Every site has these without asking.
    Fault(Fault),
}

/// A setpoint and the way back from it, in the unit of what is compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Raised when the value has passed this.
    pub setpoint: f64,
    /// Cleared when the value has come back by this much.
    pub deadband: f64,
}

/// What an average is taken over, and how much of it must have been measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Averaging {
    /// The time it is taken over.
    pub over: Over,
    /// Least share of that time, 0 to 1, with a valid measurement; below it the average is not known.
    pub coverage_min: f64,
}

/// The time an average is taken over.
#[derive(Debug, Clone, PartialEq)]
pub enum Over {
    /// The time just past, always this long.
    Rolling(Duration),
    /// Each clock hour or gas day, judged when it is over.
    Calendar(Period),
}

/// What can be wrong with siskin itself, and with the care that people take of its devices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// A line passes so many damaged frames that the CRC can no longer vouch for the rest.
    LineNoise(LineIndex),
    /// More is asked of a line than it can carry, so that all of it is read less often.
    LineOverload(LineIndex),
    /// A damaged database was moved aside and a new one begun.
    RecordReplaced,
    /// The record cannot be written.
    RecordFailing,
    /// A function check ran out, and nobody has ended it.
    FunctionCheckOverrun(DeviceIndex),
    /// A device has not been calibrated for longer than the site allows.
    CalibrationDue(DeviceIndex),
    /// A sensor is past what it can bear, or nothing is on record of it.
    SensorDue(DeviceIndex),
}

impl Kind {
    /// The word used in the site file and in JSON.
    pub const fn word(&self) -> &'static str {
        match self {
            Kind::High(_) => "high",
            Kind::Low(_) => "low",
            Kind::Rise(..) => "rise",
            Kind::Fall(..) => "fall",
            Kind::AverageHigh(..) => "average_high",
            Kind::AverageLow(..) => "average_low",
            Kind::State { .. } => "state",
            Kind::Deviation { .. } => "deviation",
            Kind::Frozen { .. } => "frozen",
            Kind::Lost => "lost",
            Kind::Vote { .. } => "vote",
            Kind::Fault(_) => "fault",
        }
    }

    /// The setpoint and deadband, for the kinds that compare the value itself with them.
    pub const fn value_limit(&self) -> Option<Limit> {
        match self {
            Kind::High(limit) | Kind::Low(limit) => Some(*limit),
            Kind::Rise(..)
            | Kind::Fall(..)
            | Kind::AverageHigh(..)
            | Kind::AverageLow(..)
            | Kind::State { .. }
            | Kind::Deviation { .. }
            | Kind::Frozen { .. }
            | Kind::Lost
            | Kind::Vote { .. }
            | Kind::Fault(_) => None,
        }
    }

    /// Whether the other watches for the same thing, whatever its setpoint and deadband.
    pub fn is_but_for_the_limit(&self, other: &Kind) -> bool {
        match (self, other) {
            (Kind::High(_), Kind::High(_)) | (Kind::Low(_), Kind::Low(_)) => true,
            (Kind::Rise(_, window), Kind::Rise(_, other)) | (Kind::Fall(_, window), Kind::Fall(_, other)) => {
                window == other
            }
            (Kind::AverageHigh(_, over), Kind::AverageHigh(_, other))
            | (Kind::AverageLow(_, over), Kind::AverageLow(_, other)) => over == other,
            (same, other) => same == other,
        }
    }

    /// The setpoint and deadband, for the kinds that have them.
    pub const fn limit(&self) -> Option<Limit> {
        match self {
            Kind::High(limit)
            | Kind::Low(limit)
            | Kind::Rise(limit, _)
            | Kind::Fall(limit, _)
            | Kind::AverageHigh(limit, _)
            | Kind::AverageLow(limit, _)
            | Kind::Deviation { limit, .. } => Some(*limit),
            Kind::State { .. } | Kind::Frozen { .. } | Kind::Lost | Kind::Vote { .. } | Kind::Fault(_) => {
                None
            }
        }
    }

    /// The same, to be tried with other values.
    pub const fn limit_mut(&mut self) -> Option<&mut Limit> {
        match self {
            Kind::High(limit)
            | Kind::Low(limit)
            | Kind::Rise(limit, _)
            | Kind::Fall(limit, _)
            | Kind::AverageHigh(limit, _)
            | Kind::AverageLow(limit, _)
            | Kind::Deviation { limit, .. } => Some(limit),
            Kind::State { .. } | Kind::Frozen { .. } | Kind::Lost | Kind::Vote { .. } | Kind::Fault(_) => {
                None
            }
        }
    }
}

/// How urgently an operator must act (IEC 62682). The order is from most to least urgent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Priority {
    /// At once.
    Critical,
    /// Promptly.
    High,
    /// Soon.
    Medium,
    /// When there is time.
    Low,
}

impl Priority {
    /// Every priority, from most to least urgent.
    pub const ALL: [Priority; 4] = [Priority::Critical, Priority::High, Priority::Medium, Priority::Low];

    /// The word used in the site file and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Priority::Critical => "critical",
            Priority::High => "high",
            Priority::Medium => "medium",
            Priority::Low => "low",
        }
    }
}
