//! The quantiles of the last few hundred durations, in bounded memory.

use std::time::Duration;

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

    /// The least kept duration that at least `percent` of them do not pass (nearest rank); `None`
    /// before the first. 50 = median, 100 = greatest.
    pub fn percentile(&self, percent: u8) -> Option<Duration> {
        let mut sorted = self.kept.clone();
        let rank = (sorted.len() * usize::from(percent.min(100))).div_ceil(100).max(1);
        (rank <= sorted.len()).then(|| *sorted.select_nth_unstable(rank - 1).1)
    }

    /// The median.
    pub fn median(&self) -> Option<Duration> {
        self.percentile(50)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(millis: impl IntoIterator<Item = u64>) -> Quantiles {
        let mut quantiles = Quantiles::default();
        millis.into_iter().for_each(|each| quantiles.record(Duration::from_millis(each)));
        quantiles
    }

    #[test]
    fn percentiles_are_of_the_nearest_rank() {
        let quantiles = of([35, 20, 15, 50, 40]);
        for (percent, millis) in [(0, 15), (5, 15), (30, 20), (40, 20), (50, 35), (99, 50), (100, 50)] {
            let found = quantiles.percentile(percent);
            assert_eq!(found, Some(Duration::from_millis(millis)), "{percent} %");
        }
        assert_eq!(of([]).median(), None);
    }

    #[test]
    fn only_the_last_few_hundred_count() {
        let quantiles = of((0..10_000).chain(std::iter::repeat_n(7, KEPT_MAX)));
        assert_eq!(quantiles.percentile(100), Some(Duration::from_millis(7)));
        assert_eq!(quantiles.kept.len(), KEPT_MAX);
    }
}
