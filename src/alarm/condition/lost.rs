//! `lost`: there is no valid measurement. Not knowing is its very condition; it is itself unknown
//! only until the first question has been asked, so that a start of the daemon raises nothing, and
//! while a person has the device in function check: they know, and the overrun alarm is their guard.

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
        let reasons = sample.reasons();
        if reasons.contains(Reason::NotYetRead) || reasons.contains(Reason::FunctionCheck) {
            return Verdict::Unknown;
        }
        Verdict::from_bool(sample.measured().is_none())
    }
}
