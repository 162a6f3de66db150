//! `frozen`: the value does not move although the device answers.
//!
//! Real gas is never quite still: a reading that is has often lost its sensor. The clock runs from
//! the sample that last differed from its predecessor by more than the resolution; a time without a
//! measurement starts it anew, since nothing was seen to stand still.

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
    still: Option<Still>,
}

/// The value that has not been left, and since when.
#[derive(Debug, Clone, Copy)]
struct Still {
    at_number: f64,
    since: Mono,
}

impl Frozen {
    pub(super) fn new(signal: SignalIndex, resolution: f64, window: Duration) -> Self {
        Frozen { signal, resolution, window, still: None }
    }
}

impl Condition for Frozen {
    fn observe(&mut self, sample: &Sample, now: Moment) {
        let number = sample.measured().and_then(Value::number);
        self.still = match (self.still, number) {
            (_, None) => None,
            (Some(still), Some(number)) if (number - still.at_number).abs() <= self.resolution => Some(still),
            (_, Some(number)) => Some(Still { at_number: number, since: now.mono }),
        };
    }

    fn remembers_from(&self, now: Moment) -> Option<Wall> {
        Some(now.at(now.mono - self.window).wall)
    }

    fn verdict(&mut self, known: &dyn Known, _active: bool, now: Moment) -> Verdict {
        match self.still.filter(|_| measured_number(known, self.signal).is_some()) {
            Some(still) => Verdict::from_bool(now.mono.since(still.since) >= self.window),
            None => Verdict::Unknown,
        }
    }

    fn next_look(&self, now: Moment) -> Option<Mono> {
        self.still.map(|still| still.since + self.window).filter(|due| *due > now.mono)
    }
}
