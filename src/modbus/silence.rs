//! How long to leave a device alone that does not answer.
//!
//! Each unanswered question keeps the line for the whole response time-out, time that the other
//! devices need. A device may waste one part in [`WASTE_PART`] of the line's time: its waste is noted
//! as a debt, which time pays off at that rate. A small debt is overlooked, so that a lost answer or
//! two do not make a gap in the record; above it the device is left alone for a pause that pays for
//! the question at least, and doubles with each further one up to the line's `silence_max`. The first
//! answer brings the device back at once. Time comes in by the arguments.

use std::time::Duration;

use crate::moment::Mono;

/// A device that does not answer may take one part in so many of the line's time: 5 %.
pub const WASTE_PART: u32 = 20;

/// How many unanswered questions are overlooked, after a time without any.
pub const OVERLOOKED_MAX: u32 = 2;

/// What is known of one device's silence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Silence {
    pause_max: Duration,
    /// Line time wasted and not paid off yet, as it stood at `noted`.
    debt: Duration,
    noted: Mono,
    /// The pause after the last unanswered question; zero when none was called for.
    pause: Duration,
}

impl Silence {
    /// A device of which nothing bad is known; `pause_max` is the longest pause it is given. Where
    /// that is short of twenty times what a question costs, it is kept, and the device wastes more.
    pub fn new(pause_max: Duration) -> Self {
        Silence { pause_max, debt: Duration::ZERO, noted: Mono::ZERO, pause: Duration::ZERO }
    }

    /// The device did not answer a question, retries included, that kept the line for `cost` until
    /// `now`. Returns how long to leave it alone; zero = ask at the usual time.
    pub fn unanswered(&mut self, cost: Duration, now: Mono) -> Duration {
        self.debt = self.debt.saturating_sub(now.since(self.noted) / WASTE_PART) + cost;
        self.noted = now;
        if self.debt > cost * OVERLOOKED_MAX || self.is_silent() {
            self.pause = (self.pause * 2).max(cost * WASTE_PART).min(self.pause_max);
        }
        self.pause
    }

    /// The device answered: it is asked at its usual times again.
    pub fn answered(&mut self) {
        self.pause = Duration::ZERO;
    }

    /// Whether the device is being left alone. One question without retries is enough to find out
    /// whether it is back.
    pub fn is_silent(&self) -> bool {
        self.pause > Duration::ZERO
    }
}
