//! The arithmetic of held values: how a row of samples becomes a least, mean and greatest per bucket.
//!
//! A measured value counts from its sample on until the next one, but no longer than the signal's
//! `stale_after`: what is older is no measurement, here as everywhere. A sample that is no measurement
//! (bad, or taken while the sample line was being flushed) ends the one before it and counts for
//! nothing. Mean = sum(C·T) / sum(T) over the measured time: 29 CFR 1910.1000(d)(1). Times are in
//! milliseconds since 1970. Nothing here reads a file.

use std::time::Duration;

use crate::history::samples::holds::Holds;
use crate::moment::Wall;

/// A minute, in which the samples of a signal lie in one row.
pub(super) const MINUTE_MS: i64 = 60_000;
/// An hour, over which they are summed up.
pub(super) const HOUR_MS: i64 = 60 * MINUTE_MS;

/// What is known of a signal over a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bucket {
    /// Its beginning.
    pub from: Wall,
    /// Its end, which belongs to the next.
    pub to: Wall,
    /// The least value that was measured or still held in it; `None` when nothing was.
    pub min: Option<f64>,
    /// The time-weighted mean over the measured time. Of a state: the share of that time it was true.
    pub mean: Option<f64>,
    /// The greatest value that was measured or still held in it.
    pub max: Option<f64>,
    /// The share of the bucket, 0 to 1, for which a measured value was held.
    pub coverage: f64,
    /// For how long that was, to the millisecond.
    pub measured: Duration,
}

/// A value and since when it holds; no value when it is known that nothing was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Held {
    pub(super) since_ms: i64,
    pub(super) value: Option<f64>,
}

/// Extremes, and time-weighted sum, of the values over some time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Totals {
    /// Least and greatest.
    pub(super) extremes: Option<(f64, f64)>,
    /// Each value times the milliseconds for which it was held.
    pub(super) value_ms: f64,
    /// Milliseconds for which a value was held.
    pub(super) measured_ms: i64,
}

impl Totals {
    fn meet(&mut self, least: f64, greatest: f64) {
        let (low, high) = self.extremes.unwrap_or((least, greatest));
        self.extremes = Some((low.min(least), high.max(greatest)));
    }

    fn hold(&mut self, value: f64, for_ms: i64) {
        self.meet(value, value);
        self.sum_up(value * milliseconds(for_ms));
        self.measured_ms += for_ms;
    }

    fn add(&mut self, other: &Totals) {
        if let Some((least, greatest)) = other.extremes {
            self.meet(least, greatest);
        }
        self.sum_up(other.value_ms);
        self.measured_ms += other.measured_ms;
    }

    /// Beyond what a binary64 holds (values of 1e301 and more, as registers in a wrong order give them), the
    /// sum is infinite and stays so: what is no number could not be stored, and would hold up all the rest.
    fn sum_up(&mut self, value_ms: f64) {
        let sum = self.value_ms + value_ms;
        self.value_ms = if sum.is_nan() { f64::INFINITY } else { sum };
    }

    fn mean(&self) -> Option<f64> {
        let mean = Some(self.value_ms / milliseconds(self.measured_ms)).filter(|mean| mean.is_finite())?;
        // Rounding must not carry a mean past the values it is made of.
        self.extremes.map(|(low, high)| mean.max(low).min(high))
    }
}

/// From a signal's first sample in some time to its last one there, summed up: the parts of a
/// [`Course`] can be put together from these as well as from the samples themselves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretch {
    pub(super) first_ms: i64,
    pub(super) last: Held,
    pub(super) totals: Totals,
}

/// A signal's course through buckets that follow one another, told in the order of time.
pub(super) struct Course {
    /// Where the buckets begin, and where the last one ends.
    edges: Vec<i64>,
    totals: Vec<Totals>,
    /// The bucket that is being filled.
    current: usize,
    holds: Holds,
    first_ms: Option<i64>,
    last: Option<Held>,
    /// Up to when the last value has been counted.
    counted_to: i64,
}

impl Course {
    /// Through buckets between each two of `edges`, which ascend.
    pub(super) fn new(edges: Vec<i64>, holds: Holds) -> Self {
        let totals = vec![Totals::default(); edges.len().saturating_sub(1)];
        Course { edges, totals, current: 0, holds, first_ms: None, last: None, counted_to: i64::MIN }
    }

    /// The value at a time, which may be before the first bucket: there it only counts for what is
    /// held of it later.
    pub(super) fn sample(&mut self, at_ms: i64, value: Option<f64>) {
        if self.goes_on(at_ms, value) {
            return;
        }
        self.hold_until(at_ms);
        if let (Some(value), Some(bucket)) = (value, self.bucket_at(at_ms)) {
            self.totals[bucket].meet(value, value);
        }
        self.first_ms.get_or_insert(at_ms);
        (self.last, self.counted_to) = (Some(Held { since_ms: at_ms, value }), at_ms);
    }

    /// Takes the value that was last, read again in time and in the bucket in which it is being counted: it is
    /// held on, and counted once it is over.
    fn goes_on(&mut self, at_ms: i64, value: Option<f64>) -> bool {
        let Some(Held { since_ms, value: Some(last) }) = self.last else { return false };
        let (Some(from), Some(to)) = (self.edges.get(self.current), self.edges.get(self.current + 1)) else {
            return false;
        };
        let goes_on = value == Some(last)
            && *from <= self.counted_to
            && self.counted_to < at_ms
            && at_ms < *to
            && at_ms <= since_ms.saturating_add(self.holds.at_ms(since_ms));
        if goes_on {
            self.last = Some(Held { since_ms: at_ms, value });
        }
        goes_on
    }

    /// Many samples at once; false, and they are not taken in, when they do not lie in one bucket.
    pub(super) fn stretch(&mut self, stretch: &Stretch) -> bool {
        self.hold_until(stretch.first_ms);
        let Some(bucket) = self.bucket_at(stretch.first_ms) else { return false };
        if stretch.last.since_ms >= self.edges[bucket + 1] {
            return false;
        }
        self.totals[bucket].add(&stretch.totals);
        self.first_ms.get_or_insert(stretch.first_ms);
        (self.last, self.counted_to) = (Some(stretch.last), stretch.last.since_ms);
        true
    }

    /// Everything from the first sample to the last one; `None` when there was none.
    pub(super) fn into_stretch(mut self) -> Option<Stretch> {
        self.hold_until(self.last?.since_ms);
        let mut totals = Totals::default();
        self.totals.iter().for_each(|bucket| totals.add(bucket));
        Some(Stretch { first_ms: self.first_ms?, last: self.last?, totals })
    }

    /// The buckets, the last value being held to the end.
    pub(super) fn into_buckets(mut self) -> Vec<Bucket> {
        self.hold_until(self.edges.last().copied().unwrap_or(i64::MIN));
        let walls: Vec<Wall> = self.edges.iter().map(|edge| wall(*edge)).collect();
        let bucket = |((edges, walls), totals): ((&[i64], &[Wall]), &Totals)| Bucket {
            from: walls[0],
            to: walls[1],
            min: totals.extremes.map(|(least, _)| least),
            mean: totals.mean(),
            max: totals.extremes.map(|(_, greatest)| greatest),
            coverage: milliseconds(totals.measured_ms) / milliseconds(edges[1] - edges[0]),
            measured: Duration::from_millis(u64::try_from(totals.measured_ms).unwrap_or(0)),
        };
        self.edges.windows(2).zip(walls.windows(2)).zip(&self.totals).map(bucket).collect()
    }

    /// Counts the last value up to a time, in every bucket it is held through.
    fn hold_until(&mut self, at_ms: i64) {
        let Some(Held { since_ms, value: Some(value) }) = self.last else { return };
        let end = at_ms.min(since_ms.saturating_add(self.holds.at_ms(since_ms)));
        self.counted_to = self.counted_to.max(self.edges.first().copied().unwrap_or(i64::MAX));
        while self.counted_to < end {
            let Some(bucket) = self.bucket_at(self.counted_to) else { return };
            let to = end.min(self.edges[bucket + 1]);
            self.totals[bucket].hold(value, to - self.counted_to);
            self.counted_to = to;
        }
    }

    fn bucket_at(&mut self, at_ms: i64) -> Option<usize> {
        while self.edges.get(self.current + 1).is_some_and(|end| *end <= at_ms) {
            self.current += 1;
        }
        let bucket = self.current;
        (self.edges.len() > bucket + 1 && self.edges[bucket] <= at_ms).then_some(bucket)
    }
}

/// Where `points` buckets between two times begin, and where the last ends. Buckets of an hour or more
/// begin with full hours, and those of a minute or more with full minutes, so that what is summed up by
/// hours and minutes can be used for them; the first and the last bucket take what is left over.
pub(super) fn edges(from_ms: i64, to_ms: i64, points: usize) -> Vec<i64> {
    if to_ms <= from_ms {
        return Vec::new();
    }
    let points = i64::try_from(points).unwrap_or(i64::MAX).clamp(1, (to_ms - from_ms).max(1));
    let width = (to_ms - from_ms) / points;
    let unit = [HOUR_MS, MINUTE_MS].into_iter().find(|unit| *unit <= width).unwrap_or(1);
    let inner = (1..points).map(|point| {
        let edge = i128::from(from_ms) + i128::from(to_ms - from_ms) * i128::from(point) / i128::from(points);
        i64::try_from(edge).unwrap_or(to_ms).div_euclid(unit) * unit
    });
    let mut edges: Vec<i64> = [from_ms].into_iter().chain(inner).chain([to_ms]).collect();
    edges.dedup();
    edges
}

/// A time as it is stored.
pub(super) fn wall(ms: i64) -> Wall {
    Wall::from_millisecond(ms).unwrap_or(if ms < 0 { Wall::MIN } else { Wall::MAX })
}

#[expect(clippy::as_conversions, reason = "i64 to f64 has no lossless form; a millennium of ms is exact")]
fn milliseconds(ms: i64) -> f64 {
    ms as f64
}
