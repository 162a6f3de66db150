//! What an operator may ask of the monitor, and what it answers for each alarm.

use crate::alarm::Life;
use crate::monitor::Who;

/// An operator action.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Action {
    /// What is asked.
    pub kind: ActionKind,
    /// Of which alarms.
    pub targets: Targets,
    /// Who asks.
    pub who: Who,
    /// Why, in their words.
    pub remark: Option<String>,
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ActionKind {
    /// "I know."
    Acknowledge,
    /// Let go of a latched alarm.
    Reset,
}

/// Of which alarms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Targets {
    /// These, by id.
    These(Vec<String>),
    /// Every alarm for which the action means something now.
    All,
}

/// What became of an action for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActionResult {
    /// The alarm's id, as it was asked for.
    pub alarm: String,
    /// Its new state, or why nothing was done.
    pub result: Result<Life, Refusal>,
}

/// Why an action was refused for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// There is no such alarm; perhaps this one was meant.
    UnknownAlarm {
        /// The nearest id.
        nearest: Option<String>,
    },
    /// Nobody waits for an acknowledgement.
    NothingToAcknowledge(Life),
    /// The alarm is not latched.
    NothingToReset(Life),
    /// The condition still holds: a reset would hide it.
    StillActive,
    /// It must be acknowledged first.
    NotAcknowledged,
}
