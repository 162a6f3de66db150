//! `fault`: something siskin itself looks after needs a person: a line, the record, a calibration, a sensor.

use crate::alarm::Fault;
use crate::alarm::condition::{Condition, Known, Verdict};
use crate::moment::Moment;

/// The fault is there.
#[derive(Debug, Clone)]
pub(super) struct Broken {
    pub(super) fault: Fault,
}

impl Condition for Broken {
    fn verdict(&mut self, known: &dyn Known, _active: bool, _now: Moment) -> Verdict {
        known.fault(self.fault).map_or(Verdict::Unknown, Verdict::from_bool)
    }
}
