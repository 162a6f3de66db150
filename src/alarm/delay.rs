//! On- and off-delay: a change counts only after it has lasted.
//!
//! A delay runs from the sample that first showed the change, on the monotonic clock, and acts at
//! its deadline to the nanosecond, however late the tick that notices. A verdict of *unknown* stops
//! it: the time in which nothing was known does not count. Source: OPC UA Part 9, section B.1.5.

use std::time::Duration;

use crate::alarm::Verdict;
use crate::moment::Mono;

/// The delay of one alarm, running or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Delay {
    deadline: Option<Mono>,
}

impl Delay {
    /// A delay that is not running.
    pub const STOPPED: Delay = Delay { deadline: None };

    /// Takes note of a verdict at `now`, while the alarm stands raised (`active`) or does not.
    ///
    /// A verdict that differs from `active` starts the delay, or lets it go on; one that agrees, or
    /// knows nothing, stops it.
    pub fn note(
        &mut self,
        verdict: Verdict,
        active: bool,
        now: Mono,
        on_delay: Duration,
        off_delay: Duration,
    ) {
        let wait = match (verdict, active) {
            (Verdict::Holds, false) => on_delay,
            (Verdict::Clear, true) => off_delay,
            (Verdict::Holds, true) | (Verdict::Clear, false) | (Verdict::Unknown, _) => {
                self.deadline = None;
                return;
            }
        };
        self.deadline.get_or_insert(now + wait);
    }

    /// When the change is to count, if a delay is running.
    pub const fn deadline(&self) -> Option<Mono> {
        self.deadline
    }

    /// Stops the delay.
    pub fn stop(&mut self) {
        self.deadline = None;
    }
}
