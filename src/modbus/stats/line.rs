//! What is counted of a line as a whole: how busy it is, and whether it is noisy.
//!
//! **When a line is noisy.** A CRC of 16 bits lets a damaged frame through now and then: measured on
//! 30 million damaged answers of common length, 1 of 5.4 million at a bit error rate of 1e-3, where
//! about a fifth of the answers is damaged, and 1 of 75,000 at 1e-2, where nearly all are. A busy
//! line of 24 reads a second then passes a false value about every twelve days, or every hour. Short
//! of that it falls steeply, with the fourth power of the bit error rate (this CRC finds every error
//! of up to three bits in frames of this size): at a tenth damaged it is less than one false value in
//! a year. So a line is called noisy from a tenth on, and quiet again below half of that.

use std::time::Duration;

use crate::moment::Mono;
use crate::monitor::Counters;

use super::window::Window;

/// A line is noisy from this share of damaged frames on.
pub const NOISY_FROM: f64 = 0.10;

/// A noisy line is quiet again below this share.
pub const QUIET_BELOW: f64 = 0.05;

/// Over fewer frames than this nothing is said.
pub const NOISE_FRAMES_MIN: u32 = 40;

/// How far back noise is looked at.
pub const NOISE_WINDOW: Duration = Duration::from_secs(300);

/// How far back load is looked at.
const LOAD_WINDOW: Duration = Duration::from_secs(60);

/// What is counted of a line as a whole.
#[derive(Debug, Clone)]
pub struct LineStats {
    busy: Window<Duration>,
    frames: Window<u32>,
    damaged: Window<u32>,
    noisy: bool,
}

impl LineStats {
    /// Nothing counted yet at `now`.
    pub fn new(now: Mono) -> Self {
        LineStats {
            busy: Window::new(LOAD_WINDOW, now),
            frames: Window::new(NOISE_WINDOW, now),
            damaged: Window::new(NOISE_WINDOW, now),
            noisy: false,
        }
    }

    /// A question kept the line for `time`, until `now`: the silence before it, its answer or the
    /// waiting in vain, and the silence after a fault included.
    pub fn busy(&mut self, time: Duration, now: Mono) {
        self.busy.add(time, now);
    }

    /// A frame came, damaged or whole, be it no answer of ours.
    pub fn frame(&mut self, damaged: bool, now: Mono) {
        self.frames.add(1, now);
        self.damaged.add(u32::from(damaged), now);
        self.judge(now);
    }

    /// Share of the time that the line was in use lately, 0 to 1.
    pub fn load(&mut self, now: Mono) -> f64 {
        let span = self.busy.span(now);
        if span.is_zero() { 0.0 } else { self.busy.sum(now).div_duration_f64(span).min(1.0) }
    }

    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest.
    pub fn noisy(&mut self, now: Mono) -> bool {
        self.judge(now);
        self.noisy
    }

    fn judge(&mut self, now: Mono) {
        let frames = self.frames.sum(now);
        let share = f64::from(self.damaged.sum(now)) / f64::from(frames.max(1));
        if frames >= NOISE_FRAMES_MIN && share >= NOISY_FROM {
            self.noisy = true;
        } else if share < QUIET_BELOW {
            self.noisy = false;
        }
    }
}

/// The counters of several devices together.
pub fn sum<'a>(counters: impl IntoIterator<Item = &'a Counters>) -> Counters {
    let mut sum = Counters::default();
    for each in counters {
        // Taken apart, so that a counter added later cannot be forgotten here.
        let Counters {
            requests,
            answers,
            timeouts,
            crc_errors,
            foreign_frames,
            exceptions,
            exceptions_by_code,
            late_responses,
            resynchronisations,
            retries,
            missed_polls,
        } = each;
        sum.requests += requests;
        sum.answers += answers;
        sum.timeouts += timeouts;
        sum.crc_errors += crc_errors;
        sum.foreign_frames += foreign_frames;
        sum.exceptions += exceptions;
        sum.late_responses += late_responses;
        sum.resynchronisations += resynchronisations;
        sum.retries += retries;
        sum.missed_polls += missed_polls;
        for (total, count) in sum.exceptions_by_code.iter_mut().zip(exceptions_by_code) {
            *total += count;
        }
    }
    sum
}
