//! `rise` and `fall`: the value changes faster than a setpoint, in units per minute.
//!
//! The rate is the slope of a least-squares line through all samples of the window, not the
//! difference of two of them: one noisy reading does not make a trend. It is unknown until the
//! samples span at least half the window, and anew after any time without a measurement.

use std::collections::VecDeque;
use std::time::Duration;

use crate::alarm::condition::{Condition, Known, Verdict, measured_number};
use crate::alarm::spec::Limit;
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{Sample, SignalIndex, Value};

/// Samples a window remembers at most; the oldest are given up first, and the window becomes shorter.
pub const SAMPLES_MAX: usize = 4096;
/// Fewer samples than this make no slope.
pub const SAMPLES_MIN: usize = 3;

/// The value changes faster than the setpoint, upwards or downwards.
#[derive(Debug, Clone)]
pub(super) struct Rate {
    signal: SignalIndex,
    limit: Limit,
    window: Duration,
    direction: f64,
    samples: VecDeque<Point>,
    /// From here on the minutes of the points count.
    origin: Mono,
}

/// A sample on the line.
#[derive(Debug, Clone, Copy)]
struct Point {
    at: Mono,
    minutes: f64,
    number: f64,
}

impl Rate {
    pub(super) fn rising(signal: SignalIndex, limit: Limit, window: Duration) -> Self {
        Rate { signal, limit, window, direction: 1.0, samples: VecDeque::new(), origin: Mono::ZERO }
    }

    pub(super) fn falling(signal: SignalIndex, limit: Limit, window: Duration) -> Self {
        Rate { direction: -1.0, ..Rate::rising(signal, limit, window) }
    }

    /// The slope in units per minute.
    fn per_minute(&self) -> Option<f64> {
        let (first, last) = (self.samples.front()?.at, self.samples.back()?.at);
        if self.samples.len() < SAMPLES_MIN || last.since(first) * 2 < self.window {
            return None;
        }
        slope(self.samples.iter().map(|point| (point.minutes, point.number)))
    }
}

/// The slope of the least-squares line through the points (x, y); `None` when all x are the same.
fn slope(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<f64> {
    let (mut n, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for (x, y) in points.clone() {
        (n, sum_x, sum_y) = (n + 1.0, sum_x + x, sum_y + y);
    }
    let (mean_x, mean_y) = (sum_x / n, sum_y / n);
    let (mut sum_xy, mut sum_xx) = (0.0, 0.0);
    for (x, y) in points {
        sum_xy += (x - mean_x) * (y - mean_y);
        sum_xx += (x - mean_x) * (x - mean_x);
    }
    (sum_xx > 0.0).then(|| sum_xy / sum_xx)
}

impl Condition for Rate {
    fn set_limit(&mut self, limit: Limit) {
        self.limit = limit;
    }

    fn observe(&mut self, sample: &Sample, now: Moment) {
        let Some(number) = sample.measured().and_then(Value::number) else {
            self.samples.clear();
            return;
        };
        let at = sample.at.mono;
        if self.samples.is_empty() {
            self.origin = at;
        }
        if self.samples.back().is_none_or(|last| last.at < at) {
            let minutes = at.since(self.origin).as_secs_f64() / 60.0;
            self.samples.push_back(Point { at, minutes, number });
        }
        let past = |point: &Point| now.mono.since(point.at) > self.window;
        while self.samples.front().is_some_and(past) || self.samples.len() > SAMPLES_MAX {
            self.samples.pop_front();
        }
    }

    fn remembers_from(&self, now: Moment) -> Option<Wall> {
        Some(now.at(now.mono - self.window).wall)
    }

    fn verdict(&mut self, known: &dyn Known, active: bool, _now: Moment) -> Verdict {
        let measured = measured_number(known, self.signal).is_some();
        let rate = if measured { self.per_minute().map(|rate| rate * self.direction) } else { None };
        self.limit.passed_upwards(rate, active)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slope_of_a_line_is_found_and_one_outlier_hardly_moves_it() {
        let line =
            (0..=60_u32).map(|second| (f64::from(second) / 60.0, 2.0 + 3.0 * f64::from(second) / 60.0));
        assert!((slope(line.clone()).unwrap_or(f64::NAN) - 3.0).abs() < 1e-12);
        let spiked = line.map(|(x, y)| (x, if (x - 0.5).abs() < 1e-9 { y + 10.0 } else { y }));
        assert!((slope(spiked).unwrap_or(f64::NAN) - 3.0).abs() < 1e-9);
    }

    #[test]
    fn the_slope_agrees_with_a_worked_least_squares_example() {
        // Anscombe's first data set (1973, The American Statistician 27:17): slope 0.500.
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let found = slope(x.into_iter().zip(y)).unwrap_or(f64::NAN);
        assert!((found - 0.500_09).abs() < 1e-5, "{found}");
    }

    #[test]
    fn points_at_one_time_have_no_slope() {
        assert_eq!(slope([(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)].into_iter()), None);
    }
}
