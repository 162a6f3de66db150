//! Whether an alarm's condition holds: one file for each kind.
//!
//! The answer is a [`Verdict`]. [`Verdict::Unknown`] is an answer of its own: what cannot be
//! evaluated neither raises nor clears.

mod limit;
mod lost;
mod state;

use crate::alarm::{AlarmSpec, Fault, Kind};
use crate::signal::{Sample, SignalIndex};

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

/// What a condition may look at.
pub trait Known {
    /// The present sample of a signal.
    fn sample(&self, signal: SignalIndex) -> &Sample;
    /// Whether something is wrong with siskin itself.
    fn fault(&self, fault: Fault) -> bool;
}

/// Whether the alarm's condition holds. `active` says whether the alarm stands raised: then the
/// value must come back by the deadband before the condition counts as gone.
pub fn evaluate(spec: &AlarmSpec, known: &impl Known, active: bool) -> Verdict {
    let on_sample = |judge: &dyn Fn(&Sample) -> Verdict| {
        spec.signal.map_or(Verdict::Unknown, |signal| judge(known.sample(signal)))
    };
    match &spec.kind {
        Kind::High { setpoint, deadband } => {
            on_sample(&|sample| limit::high(*setpoint, *deadband, sample, active))
        }
        Kind::Low { setpoint, deadband } => {
            on_sample(&|sample| limit::low(*setpoint, *deadband, sample, active))
        }
        Kind::State { codes } => on_sample(&|sample| state::in_codes(codes, sample)),
        Kind::Lost => on_sample(&lost::lost),
        Kind::Fault(fault) => Verdict::from_bool(known.fault(*fault)),
    }
}
