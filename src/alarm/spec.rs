//! An alarm as the site file describes it, checked and ready to use.

use std::time::Duration;

use crate::signal::{LineIndex, SignalIndex};

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
    /// The signal it watches; `None` for an alarm on siskin itself ([`Kind::Fault`]).
    pub signal: Option<SignalIndex>,
    /// What it watches for.
    pub kind: Kind,
    /// How long the condition must hold before the alarm is raised.
    pub on_delay: Duration,
    /// How long the condition must be gone before the alarm is cleared.
    pub off_delay: Duration,
    /// Whether it stays until an operator resets it.
    pub latching: bool,
    /// How urgently an operator must act.
    pub priority: Priority,
    /// What may have brought it about.
    pub cause: Option<String>,
    /// What happens when nobody acts.
    pub consequence: Option<String>,
    /// What to do.
    pub action: Option<String>,
}

/// What an alarm watches for. Each kind has a file of its own under [`crate::alarm::condition`].
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// The value is above a setpoint.
    High {
        /// Raised when the value is above this.
        setpoint: f64,
        /// Cleared when the value has come back by this much.
        deadband: f64,
    },
    /// The value is below a setpoint.
    Low {
        /// Raised when the value is below this.
        setpoint: f64,
        /// Cleared when the value has come back by this much.
        deadband: f64,
    },
    /// A bit, or an integer code, is in one of these states.
    State {
        /// The codes that raise it; a bit has the codes 0 and 1.
        codes: Vec<i64>,
    },
    /// There is no valid measurement.
    Lost,
    /// Something is wrong with siskin itself. Every site has these without asking.
    Fault(Fault),
}

/// What can be wrong with siskin itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// A line passes so many damaged frames that the CRC can no longer vouch for the rest.
    LineNoise(LineIndex),
    /// A damaged database was moved aside and a new one begun.
    RecordReplaced,
    /// The record cannot be written.
    RecordFailing,
}

impl Kind {
    /// The word used in the site file and in JSON.
    pub const fn word(&self) -> &'static str {
        match self {
            Kind::High { .. } => "high",
            Kind::Low { .. } => "low",
            Kind::State { .. } => "state",
            Kind::Lost => "lost",
            Kind::Fault(_) => "fault",
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
