//! `lost`: there is no valid measurement. Not knowing is its very condition; it is itself unknown
//! only until the first question has been asked, so that a start of the daemon raises nothing.

use crate::alarm::condition::{Condition, Known, Verdict};
use crate::moment::Moment;
use crate::signal::{Reason, SignalIndex};

/// The sample is no measurement, or its sample line is still being flushed.
#[derive(Debug, Clone)]
pub(super) struct Lost {
    pub(super) signal: SignalIndex,
}

impl Condition for Lost {
    fn verdict(&mut self, known: &dyn Known, _active: bool, _now: Moment) -> Verdict {
        let sample = known.sample(self.signal);
        if sample.reasons().contains(Reason::NotYetRead) {
            return Verdict::Unknown;
        }
        Verdict::from_bool(sample.measured().is_none())
    }
}
