//! Whether an alarm's condition holds: one file for each kind.
//!
//! A [`Condition`] takes in samples and, asked at any time, gives its [`Verdict`].
//! [`Verdict::Unknown`] is an answer of its own: what cannot be evaluated neither raises nor clears.
//! To add a kind: a variant of [`Kind`], a file here, a line in [`of`].

mod average;
mod deviation;
mod fault;
mod frozen;
mod limit;
mod lost;
mod rate;
mod state;
mod vote;

use std::fmt::Debug;

pub use rate::{SAMPLES_MAX as RATE_SAMPLES_MAX, SAMPLES_MIN as RATE_SAMPLES_MIN};

use crate::alarm::{AlarmIndex, AlarmSpec, Fault, Kind, Limit};
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{Sample, SignalIndex, Value};

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

/// What a condition may look at beside its own memory.
pub trait Known {
    /// The present sample of a signal.
    fn sample(&self, signal: SignalIndex) -> &Sample;
    /// Whether an alarm is active; `None` when that cannot be known.
    fn active(&self, alarm: AlarmIndex) -> Option<bool>;
    /// Whether something is wrong with siskin itself, or with the care of a device; `None` until that is
    /// known.
    fn fault(&self, fault: Fault) -> Option<bool>;
}

/// The condition of one alarm, with what it remembers.
pub trait Condition: Debug + Send + Twin {
    /// Takes in the present sample of the alarm's signal. Called for each answer of the device and
    /// for each change of quality, in order of time. Most kinds remember nothing.
    fn observe(&mut self, _sample: &Sample, _now: Moment) {}

    /// Whether the condition holds at `now`. `active` says whether the alarm stands raised: then the
    /// value must come back by the deadband before the condition counts as gone.
    fn verdict(&mut self, known: &dyn Known, active: bool, now: Moment) -> Verdict;

    /// From now on compares with another setpoint and deadband, with what it remembers. Kinds that
    /// remember nothing are made anew instead.
    fn set_limit(&mut self, _limit: Limit) {}

    /// From when on samples would be remembered that had been taken in all along; `None` for kinds that
    /// remember nothing.
    fn remembers_from(&self, _now: Moment) -> Option<Wall> {
        None
    }

    /// When the verdict may change although nothing comes in.
    fn next_look(&self, _now: Moment) -> Option<Mono> {
        None
    }
}

/// Makes a second one that remembers the same.
pub trait Twin {
    /// The second one.
    fn twin(&self) -> Box<dyn Condition>;
}

impl<C: Condition + Clone + 'static> Twin for C {
    fn twin(&self) -> Box<dyn Condition> {
        Box::new(self.clone())
    }
}

impl Clone for Box<dyn Condition> {
    fn clone(&self) -> Self {
        (**self).twin()
    }
}

/// The condition of an alarm, remembering nothing yet.
pub fn of(spec: &AlarmSpec) -> Box<dyn Condition> {
    let Some(signal) = spec.signal else { return of_no_signal(&spec.kind) };
    match spec.kind.clone() {
        Kind::High(limit) => Box::new(limit::High { signal, limit }),
        Kind::Low(limit) => Box::new(limit::Low { signal, limit }),
        Kind::Rise(limit, window) => Box::new(rate::Rate::rising(signal, limit, window)),
        Kind::Fall(limit, window) => Box::new(rate::Rate::falling(signal, limit, window)),
        Kind::AverageHigh(limit, averaging) => Box::new(average::Average::above(limit, averaging)),
        Kind::AverageLow(limit, averaging) => Box::new(average::Average::below(limit, averaging)),
        Kind::State { codes } => Box::new(state::State { signal, codes }),
        Kind::Deviation { limit, other, conversion } => {
            Box::new(deviation::Deviation { signal, other, conversion, limit })
        }
        Kind::Frozen { resolution, window } => Box::new(frozen::Frozen::new(signal, resolution, window)),
        Kind::Lost => Box::new(lost::Lost { signal }),
        Kind::Vote { .. } | Kind::Fault(_) => of_no_signal(&spec.kind),
    }
}

fn of_no_signal(kind: &Kind) -> Box<dyn Condition> {
    match kind {
        Kind::Vote { at_least, of } => Box::new(vote::Vote { at_least: *at_least, of: of.clone() }),
        Kind::Fault(fault) => Box::new(fault::Broken { fault: *fault }),
        Kind::High(_)
        | Kind::Low(_)
        | Kind::Rise(..)
        | Kind::Fall(..)
        | Kind::AverageHigh(..)
        | Kind::AverageLow(..)
        | Kind::State { .. }
        | Kind::Deviation { .. }
        | Kind::Frozen { .. }
        | Kind::Lost => Box::new(Unknowable),
    }
}

/// A condition on a signal that is not there. The site file's check lets none through.
#[derive(Debug, Clone)]
struct Unknowable;

impl Condition for Unknowable {
    fn verdict(&mut self, _known: &dyn Known, _active: bool, _now: Moment) -> Verdict {
        Verdict::Unknown
    }
}

/// The number that a signal measures now.
fn measured_number(known: &dyn Known, signal: SignalIndex) -> Option<f64> {
    known.sample(signal).measured().and_then(Value::number)
}
