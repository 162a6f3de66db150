//! `high` and `low`: the value has passed a setpoint.
//!
//! A value *at* the setpoint does not raise: a contract says "not more than". An active alarm goes
//! on until the value has come back to the setpoint less (for `low`: plus) the deadband, that value
//! included. Source for the deadband: OPC UA Part 9, section B.1.5; which side the equality falls
//! on is not fixed there and is siskin's own choice.

use crate::alarm::condition::{Condition, Known, Verdict, measured_number};
use crate::alarm::spec::Limit;
use crate::moment::Moment;
use crate::signal::SignalIndex;

/// The value is above the setpoint.
#[derive(Debug, Clone)]
pub(super) struct High {
    pub(super) signal: SignalIndex,
    pub(super) limit: Limit,
}

/// The value is below the setpoint.
#[derive(Debug, Clone)]
pub(super) struct Low {
    pub(super) signal: SignalIndex,
    pub(super) limit: Limit,
}

impl Condition for High {
    fn verdict(&mut self, known: &dyn Known, active: bool, _now: Moment) -> Verdict {
        self.limit.passed_upwards(measured_number(known, self.signal), active)
    }
}

impl Condition for Low {
    fn verdict(&mut self, known: &dyn Known, active: bool, _now: Moment) -> Verdict {
        self.limit.passed_downwards(measured_number(known, self.signal), active)
    }
}

impl Limit {
    /// Whether `number` is above the setpoint; while `active`, above the setpoint less the deadband.
    pub(super) fn passed_upwards(self, number: Option<f64>, active: bool) -> Verdict {
        let limit = if active { self.setpoint - self.deadband } else { self.setpoint };
        number.map_or(Verdict::Unknown, |number| Verdict::from_bool(number > limit))
    }

    /// Whether `number` is below the setpoint; while `active`, below the setpoint plus the deadband.
    pub(super) fn passed_downwards(self, number: Option<f64>, active: bool) -> Verdict {
        let limit = if active { self.setpoint + self.deadband } else { self.setpoint };
        number.map_or(Verdict::Unknown, |number| Verdict::from_bool(number < limit))
    }
}
