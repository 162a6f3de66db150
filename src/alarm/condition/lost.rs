//! `lost`: there is no valid measurement. Not knowing is its very condition; it is itself unknown
//! only until the first question has been asked, so that a start of the daemon raises nothing.

use crate::alarm::Verdict;
use crate::signal::{Reason, Sample};

/// The sample is no measurement, or its sample line is still being flushed.
pub(super) fn lost(sample: &Sample) -> Verdict {
    if sample.reasons().contains(Reason::NotYetRead) {
        return Verdict::Unknown;
    }
    Verdict::from_bool(sample.measured().is_none())
}
