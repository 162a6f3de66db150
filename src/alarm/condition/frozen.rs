//! `frozen`: the value does not move although the device answers.
//!
//! Real gas is never quite still: a reading that is has often lost its sensor. The clock runs from
//! the sample that last differed from its predecessor by more than the resolution; a time without a
//! measurement starts it anew, since nothing was seen to stand still. Until the value has then moved, or
//! has not for a whole window, it is not known whether it moves: a break in the measurement frees nobody
//! who had stopped.

use std::time::Duration;

use crate::alarm::condition::{Condition, Known, Verdict, measured_number};
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{Sample, SignalIndex, Value};

/// The signal has not moved by more than the resolution for the whole window.
#[derive(Debug, Clone)]
pub(super) struct Frozen {
    signal: SignalIndex,
    resolution: f64,
    window: Duration,
    /// The number that has not been left, over breaks in the measurement too.
    at_number: Option<f64>,
    /// Since when it is seen there; `None` while nothing is measured.
    since: Option<Mono>,
    /// Whether it was seen to come there, so that it is known to have moved then.
    moved: bool,
}

impl Frozen {
    pub(super) fn new(signal: SignalIndex, resolution: f64, window: Duration) -> Self {
        Frozen { signal, resolution, window, at_number: None, since: None, moved: false }
    }
}

impl Condition for Frozen {
    fn observe(&mut self, sample: &Sample, now: Moment) {
        let Some(number) = sample.measured().and_then(Value::number) else {
            (self.since, self.moved) = (None, false);
            return;
        };
        let left = self.at_number.is_some_and(|at| (number - at).abs() > self.resolution);
        if left {
            (self.since, self.moved) = (Some(now.mono), true);
        } else {
            self.since = self.since.or(Some(now.mono));
        }
        if left || self.at_number.is_none() {
            self.at_number = Some(number);
        }
    }

    fn remembers_from(&self, now: Moment) -> Option<Wall> {
        Some(now.at(now.mono - self.window).wall)
    }

    fn verdict(&mut self, known: &dyn Known, _active: bool, now: Moment) -> Verdict {
        match self.since.filter(|_| measured_number(known, self.signal).is_some()) {
            Some(since) if now.mono.since(since) >= self.window => Verdict::Holds,
            Some(_) if self.moved => Verdict::Clear,
            Some(_) | None => Verdict::Unknown,
        }
    }

    fn next_look(&self, now: Moment) -> Option<Mono> {
        self.since.map(|since| since + self.window).filter(|due| *due > now.mono)
    }
}
