//! A sum over the last while, in a few slots.

use std::time::Duration;

use crate::moment::Mono;

/// How many slots a window has; it forgets one at a time.
const SLOTS: usize = 12;

/// The sum of what was added within the last `SLOTS` slots of time.
#[derive(Debug, Clone)]
pub(super) struct Window<T> {
    slot: Duration,
    sums: [T; SLOTS],
    /// The slot of time that was last touched, counted from the clock's beginning.
    latest: u64,
    begun: Mono,
}

impl<T: Copy + Default + std::ops::AddAssign> Window<T> {
    /// An empty window of about `length`, open from `begun` on.
    pub(super) fn new(length: Duration, begun: Mono) -> Self {
        let slots = u32::try_from(SLOTS).unwrap_or(u32::MAX);
        let slot = (length / slots).max(Duration::from_nanos(1));
        let mut window = Window { slot, sums: [T::default(); SLOTS], latest: 0, begun };
        window.latest = window.number(begun);
        window
    }

    /// Adds `amount` at `now`.
    pub(super) fn add(&mut self, amount: T, now: Mono) {
        self.forget(now);
        self.sums[index(self.latest)] += amount;
    }

    /// The sum at `now`.
    pub(super) fn sum(&mut self, now: Mono) -> T {
        self.forget(now);
        let mut sum = T::default();
        self.sums.iter().for_each(|each| sum += *each);
        sum
    }

    /// How much time the sum at `now` is over.
    pub(super) fn span(&self, now: Mono) -> Duration {
        let older = u32::try_from(SLOTS - 1).unwrap_or(u32::MAX);
        let into_slot = now.since_start().as_nanos() % self.slot.as_nanos();
        let full = self.slot * older + Duration::from_nanos(u64::try_from(into_slot).unwrap_or(0));
        full.min(now.since(self.begun))
    }

    /// Empties the slots that time has passed by.
    fn forget(&mut self, now: Mono) {
        let number = self.number(now);
        let passed = number.saturating_sub(self.latest).min(u64::try_from(SLOTS).unwrap_or(u64::MAX));
        for step in 1..=passed {
            self.sums[index(number - passed + step)] = T::default();
        }
        self.latest = self.latest.max(number);
    }

    fn number(&self, now: Mono) -> u64 {
        u64::try_from(now.since_start().as_nanos() / self.slot.as_nanos()).unwrap_or(u64::MAX)
    }
}

/// Where a slot of time lies in the ring.
fn index(number: u64) -> usize {
    usize::try_from(number % u64::try_from(SLOTS).unwrap_or(1)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Mono {
        Mono::from_millis(seconds * 1_000)
    }

    #[test]
    fn what_is_older_than_the_window_is_forgotten() {
        let mut window = Window::<u32>::new(Duration::from_secs(60), at(0));
        for second in 0..600 {
            window.add(1, at(second));
            let sum = window.sum(at(second));
            let expected = u32::try_from(second + 1).unwrap_or(u32::MAX);
            assert!(sum <= 60 && sum >= expected.min(56), "{sum} after {second} s");
        }
        assert!(window.sum(at(630)) < 31);
        assert_eq!(window.sum(at(660)), 0);
        assert_eq!(window.sum(at(1_000_000)), 0);
    }

    #[test]
    fn the_span_grows_from_the_beginning_up_to_the_window() {
        let window = Window::<u32>::new(Duration::from_secs(60), at(1_000));
        for (now, span) in [(1_000, 0), (1_007, 7), (1_050, 50), (1_059, 59), (1_062, 57), (9_000, 55)] {
            assert_eq!(window.span(at(now)), Duration::from_secs(span), "at {now}");
        }
    }

    #[test]
    fn a_time_before_the_latest_changes_nothing_that_is_kept() {
        let mut window = Window::<u32>::new(Duration::from_secs(60), at(0));
        window.add(1, at(30));
        window.add(1, at(3));
        assert_eq!(window.sum(at(30)), 2);
    }
}
