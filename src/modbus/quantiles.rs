//! The quantiles of the last few hundred durations, in bounded memory.

use std::time::Duration;

use crate::monitor::Spread;

/// How many durations are kept.
pub const KEPT_MAX: usize = 256;

/// The last [`KEPT_MAX`] durations, to be asked for their quantiles.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Quantiles {
    /// A ring, full once it has its whole length.
    kept: Vec<Duration>,
    /// Where the next goes.
    next: usize,
}

impl Quantiles {
    /// Takes a duration in; the oldest is forgotten.
    pub fn record(&mut self, duration: Duration) {
        match self.kept.get_mut(self.next) {
            Some(oldest) => *oldest = duration,
            None => self.kept.push(duration),
        }
        self.next = (self.next + 1) % KEPT_MAX;
    }

    /// How the kept durations lie; `None` before the first.
    pub fn spread(&self) -> Option<Spread> {
        let mut sorted = self.kept.clone();
        sorted.sort_unstable();
        let at = |percent| percentile(&sorted, percent);
        Some(Spread { min: *sorted.first()?, p50: at(50)?, p90: at(90)?, p99: at(99)? })
    }
}

/// The least duration that at least `percent` of them do not pass (nearest rank).
fn percentile(sorted: &[Duration], percent: usize) -> Option<Duration> {
    let rank = (sorted.len() * percent).div_ceil(100).max(1);
    sorted.get(rank - 1).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_are_of_the_nearest_rank() {
        let sorted = [15, 20, 35, 40, 50].map(Duration::from_millis);
        for (percent, millis) in [(0, 15), (5, 15), (30, 20), (40, 20), (50, 35), (99, 50), (100, 50)] {
            let found = percentile(&sorted, percent);
            assert_eq!(found, Some(Duration::from_millis(millis)), "{percent} %");
        }
    }

    #[test]
    fn the_spread_is_that_of_what_was_recorded_in_any_order() {
        let mut quantiles = Quantiles::default();
        assert_eq!(quantiles.spread(), None);
        (1..=100).for_each(|each| quantiles.record(Duration::from_millis(each * 37 % 101)));
        let [min, p50, p90, p99] = [1, 50, 90, 99].map(Duration::from_millis);
        assert_eq!(quantiles.spread(), Some(Spread { min, p50, p90, p99 }));
    }

    #[test]
    fn only_the_last_few_hundred_count() {
        let mut quantiles = Quantiles::default();
        for millis in (0..10_000).chain(std::iter::repeat_n(7, KEPT_MAX)) {
            quantiles.record(Duration::from_millis(millis));
        }
        assert!(quantiles.kept.iter().all(|kept| *kept == Duration::from_millis(7)));
        assert_eq!(quantiles.kept.len(), KEPT_MAX);
    }
}
