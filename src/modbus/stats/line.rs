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
    noisy: Option<bool>,
}

impl LineStats {
    /// Nothing counted yet at `now`.
    pub fn new(now: Mono) -> Self {
        LineStats {
            busy: Window::new(LOAD_WINDOW, now),
            frames: Window::new(NOISE_WINDOW, now),
            damaged: Window::new(NOISE_WINDOW, now),
            noisy: None,
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

    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest; `None` from the
    /// beginning until enough frames have come, or the window is over: then few frames are quiet ones.
    pub fn noisy(&mut self, now: Mono) -> Option<bool> {
        self.judge(now);
        self.noisy
    }

    fn judge(&mut self, now: Mono) {
        let frames = self.frames.sum(now);
        let share = f64::from(self.damaged.sum(now)) / f64::from(frames.max(1));
        let is_enough = frames >= NOISE_FRAMES_MIN;
        if is_enough && share >= NOISY_FROM {
            self.noisy = Some(true);
        } else if share < QUIET_BELOW && (self.noisy.is_some() || is_enough || self.has_run_a_window(now)) {
            self.noisy = Some(false);
        }
    }

    /// Whether it has been counted for about a window's length; a window spans its whole length only at the
    /// end of a slot.
    fn has_run_a_window(&self, now: Mono) -> bool {
        self.frames.span(now) >= NOISE_WINDOW.mul_f64(0.9)
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
            gateway_exceptions,
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
        sum.gateway_exceptions += gateway_exceptions;
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten frames a second for a while, so many of a hundred damaged.
    fn frames(line: &mut LineStats, now: &mut Mono, seconds: u64, damaged_percent: u64) {
        for frame in 0..seconds * 10 {
            *now = *now + Duration::from_millis(100);
            line.frame(frame * 7 % 100 < damaged_percent, *now);
        }
    }

    #[test]
    fn a_line_is_noisy_from_a_tenth_damaged_on_and_quiet_below_half_of_that() {
        let mut now = Mono::ZERO;
        let mut line = LineStats::new(now);
        for (damaged_percent, noisy) in
            [(0, false), (6, false), (9, false), (11, true), (6, true), (3, false), (9, false), (90, true)]
        {
            frames(&mut line, &mut now, 600, damaged_percent);
            assert_eq!(line.noisy(now), Some(noisy), "at {damaged_percent} %");
        }
        now = now + NOISE_WINDOW * 2;
        assert_eq!(line.noisy(now), Some(false), "no frame, no noise");
    }

    #[test]
    fn a_few_damaged_frames_alone_say_nothing() {
        let mut line = LineStats::new(Mono::ZERO);
        for frame in 1..NOISE_FRAMES_MIN {
            let now = Mono::ZERO + Duration::from_secs(1) * frame;
            line.frame(true, now);
            assert_eq!(line.noisy(now), None);
        }
        let now = Mono::ZERO + Duration::from_secs(1) * NOISE_FRAMES_MIN;
        line.frame(true, now);
        assert_eq!(line.noisy(now), Some(true));
    }

    #[test]
    fn a_line_of_few_frames_is_quiet_once_it_was_watched_for_a_while_and_not_before() {
        let mut line = LineStats::new(Mono::ZERO);
        for minute in 1..5 {
            let now = Mono::ZERO + Duration::from_secs(60) * minute;
            line.frame(false, now);
            assert_eq!(line.noisy(now), None, "after {minute} min");
        }
        assert_eq!(line.noisy(Mono::ZERO + NOISE_WINDOW), Some(false));
    }

    #[test]
    fn load_is_the_share_of_time_in_use_lately() {
        let mut line = LineStats::new(Mono::ZERO);
        assert!(line.load(Mono::ZERO).abs() < 1e-9);
        let mut now = Mono::ZERO;
        for (busy_ms, load) in [(250, 0.25), (900, 0.9), (0, 0.0)] {
            for _ in 0..120 {
                now = now + Duration::from_secs(1);
                line.busy(Duration::from_millis(busy_ms), now);
            }
            let found = line.load(now);
            assert!((found - load).abs() < 0.02, "{found} instead of {load}");
        }
        line.busy(Duration::from_secs(600), now);
        assert!(line.load(now) <= 1.0);
    }

    #[test]
    fn the_line_counts_what_its_devices_count() {
        let mut one = Counters { requests: 3, answers: 1, late_responses: 1, ..Counters::default() };
        one.exceptions_by_code[2] = 2;
        let mut other = Counters { requests: 4, missed_polls: 2, ..Counters::default() };
        other.exceptions_by_code[2] = 1;
        let both = sum([&one, &other]);
        assert_eq!((both.requests, both.answers, both.late_responses, both.missed_polls), (7, 1, 1, 2));
        assert_eq!(both.exceptions_by_code[2], 3);
    }
}
