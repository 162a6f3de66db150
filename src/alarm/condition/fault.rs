//! `fault`: something is wrong with siskin itself.

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
