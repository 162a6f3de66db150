//! `lost`: there is no valid measurement. The one kind that is never unknown: not knowing is its
//! very condition.

use crate::alarm::Verdict;
use crate::signal::Sample;

/// The sample is no measurement, or its sample line is still being flushed.
pub(super) fn lost(sample: &Sample) -> Verdict {
    Verdict::from_bool(sample.measured().is_none())
}
