//! Whether an alarm is told to the operator, or withheld: shelved, suppressed by design, or out of
//! service.
//!
//! A withheld alarm goes on watching its condition, and the journal goes on hearing of it; only
//! nobody is called. When it is told again, it stands where its condition stands ([`Life::told_again`]).
//! Source: OPC UA Part 9 v1.05, sections 4.8 and 5.8.10 (one-shot shelving ends when the condition
//! goes inactive).

use crate::alarm::Life;
use crate::moment::Moment;

/// Why an alarm is withheld, if it is. Several reasons may hold at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Standing {
    /// Taken out of service for maintenance, until it is put back.
    pub out_of_service: bool,
    /// Set aside by an operator for a time.
    pub shelf: Option<Shelf>,
    /// Suppressed by the site's own logic.
    pub suppressed: bool,
}

/// How long an alarm stays shelved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shelf {
    /// Until then.
    Until(Moment),
    /// Until its condition is gone for the first time, and until then at the latest: an alarm that is
    /// not active may never be gone, and nothing is shelved without an end.
    OneShot(Moment),
}

impl Shelf {
    /// When it ends at the latest.
    pub const fn until(&self) -> Moment {
        match self {
            Shelf::Until(until) | Shelf::OneShot(until) => *until,
        }
    }
}

/// The weightiest reason why an alarm is withheld.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Withheld {
    /// Out of service.
    OutOfService,
    /// Shelved.
    Shelved,
    /// Suppressed by design.
    Suppressed,
}

impl Standing {
    /// Why the alarm is withheld; `None` when it is told.
    pub const fn withheld(&self) -> Option<Withheld> {
        if self.out_of_service {
            Some(Withheld::OutOfService)
        } else if self.shelf.is_some() {
            Some(Withheld::Shelved)
        } else if self.suppressed {
            Some(Withheld::Suppressed)
        } else {
            None
        }
    }
}

impl Withheld {
    /// The word used in JSON and in the record.
    pub const fn word(self) -> &'static str {
        match self {
            Withheld::OutOfService => "out_of_service",
            Withheld::Shelved => "shelved",
            Withheld::Suppressed => "suppressed",
        }
    }
}

impl Life {
    /// The state in which an alarm that was withheld is told again: what is active asks for attention
    /// whoever knew of it before, what is latched still waits for its reset, all else is normal. But where
    /// it had called before and no person has set it aside (`call_waits`), it goes on waiting to be acknowledged.
    pub const fn told_again(self, call_waits: bool) -> Life {
        match self {
            Life::Unacknowledged | Life::Acknowledged => Life::Unacknowledged,
            Life::ReturnedUnacknowledged if call_waits => Life::ReturnedUnacknowledged,
            Life::Normal | Life::ReturnedUnacknowledged => Life::Normal,
            Life::LatchedUnacknowledged => Life::LatchedUnacknowledged,
            Life::LatchedAcknowledged => Life::LatchedAcknowledged,
        }
    }
}
