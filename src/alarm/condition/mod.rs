//! Whether an alarm's condition holds: one file for each kind.
//!
//! The answer is a [`Verdict`]. [`Verdict::Unknown`] is an answer of its own: what cannot be
//! evaluated neither raises nor clears.

mod limit;
mod lost;
mod state;

use crate::alarm::{AlarmSpec, Kind};
use crate::signal::Sample;

/// Whether a condition holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// It holds.
    Holds,
    /// It does not hold.
    Clear,
    /// It cannot be known from what is measured.
    Unknown,
}

impl Verdict {
    fn from_bool(holds: bool) -> Verdict {
        if holds { Verdict::Holds } else { Verdict::Clear }
    }
}

/// The verdict on `sample`. `active` says whether the alarm stands raised: then the value must come
/// back by the deadband before the condition counts as gone.
pub fn evaluate(spec: &AlarmSpec, sample: &Sample, active: bool) -> Verdict {
    match &spec.kind {
        Kind::High { setpoint, deadband } => limit::high(*setpoint, *deadband, sample, active),
        Kind::Low { setpoint, deadband } => limit::low(*setpoint, *deadband, sample, active),
        Kind::State { codes } => state::in_codes(codes, sample),
        Kind::Lost => lost::lost(sample),
    }
}
