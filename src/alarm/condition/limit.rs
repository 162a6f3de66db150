//! `high` and `low`: the value has passed a setpoint.
//!
//! A value *at* the setpoint does not raise: a contract says "not more than". An active alarm goes
//! on until the value has come back to the setpoint less (for `low`: plus) the deadband, that value
//! included. Source for the deadband: OPC UA Part 9, section B.1.5; which side the equality falls
//! on is not fixed there and is siskin's own choice.

use crate::alarm::Verdict;
use crate::signal::{Sample, Value};

/// Above `setpoint`; while `active`, above `setpoint - deadband`.
pub(super) fn high(setpoint: f64, deadband: f64, sample: &Sample, active: bool) -> Verdict {
    let limit = if active { setpoint - deadband } else { setpoint };
    compare(sample, |number| number > limit)
}

/// Below `setpoint`; while `active`, below `setpoint + deadband`.
pub(super) fn low(setpoint: f64, deadband: f64, sample: &Sample, active: bool) -> Verdict {
    let limit = if active { setpoint + deadband } else { setpoint };
    compare(sample, |number| number < limit)
}

fn compare(sample: &Sample, beyond: impl Fn(f64) -> bool) -> Verdict {
    sample
        .measured()
        .and_then(Value::number)
        .map_or(Verdict::Unknown, |number| Verdict::from_bool(beyond(number)))
}
