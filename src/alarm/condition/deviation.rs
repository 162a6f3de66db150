//! `deviation`: two signals that should agree do not.

use crate::alarm::condition::{Condition, Known, Verdict, measured_number};
use crate::alarm::spec::Limit;
use crate::moment::Moment;
use crate::signal::{Scale, SignalIndex};

/// The two signals, in the first one's unit, are further apart than the setpoint.
#[derive(Debug, Clone)]
pub(super) struct Deviation {
    pub(super) signal: SignalIndex,
    pub(super) other: SignalIndex,
    /// From the other signal's unit to the first one's.
    pub(super) conversion: Scale,
    pub(super) limit: Limit,
}

impl Condition for Deviation {
    fn verdict(&mut self, known: &dyn Known, active: bool, _now: Moment) -> Verdict {
        let other = measured_number(known, self.other).map(|number| self.conversion.apply(number));
        let apart = measured_number(known, self.signal).zip(other).map(|(one, other)| (one - other).abs());
        self.limit.passed_upwards(apart, active)
    }
}
