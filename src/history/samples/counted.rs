//! For how long a signal had values of some kind: above a limit, below it, or just one.
//!
//! An hour whose extremes decide it is not looked into. Nor are the samples of a good minute made values of: keys
//! ascend or descend with the values, so one key parts those that count from the others.

use std::time::Duration;

use crate::history::samples::coding::as_number;
use crate::history::samples::held::{Course, Held, Stretch, Totals};
use crate::history::samples::holds::Holds;
use crate::history::samples::row::{Offsets, Point, Row};
use crate::history::samples::walk::Listener;

/// For which values the time is counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Counted {
    /// Strictly greater ones.
    Above(f64),
    /// Strictly less ones.
    Below(f64),
    /// Just this one: a code, or 1 for a state that is true.
    Equal(f64),
}

impl Counted {
    /// Whether a value is counted.
    pub fn is(self, value: f64) -> bool {
        match self {
            Counted::Above(limit) => value > limit,
            Counted::Below(limit) => value < limit,
            Counted::Equal(code) => value == code,
        }
    }

    /// Whether all values from the least to the greatest are counted, or none; `None`: some may be.
    fn decides(self, least: f64, greatest: f64) -> Option<bool> {
        match (self.is(least), self.is(greatest)) {
            (true, true) => Some(true),
            (false, false) if matches!(self, Counted::Equal(code) if least < code && code < greatest) => None,
            (false, false) => Some(false),
            (true, false) | (false, true) => None,
        }
    }
}

/// The course on which only the counted values are measured, and all of them are [`COUNTED`]: for how long is
/// all that is asked.
pub(super) struct Timed {
    counted: Counted,
    holds: Holds,
    course: Course,
}

const COUNTED: f64 = 1.0;

/// The most that keys of a row may differ for the one to be searched for that parts them.
const SEARCHED_MAX: i64 = 1 << 32;

/// From which offset on the values of a row count; or else do not, and those before do.
struct Parting {
    from: i64,
    from_counts: bool,
}

impl Parting {
    fn counts(&self, offset: i64) -> bool {
        (self.from <= offset) == self.from_counts
    }
}

impl Timed {
    /// Between each two of `edges`, which ascend.
    pub(super) fn new(counted: Counted, edges: Vec<i64>, holds: Holds) -> Self {
        Timed { counted, holds: holds.clone(), course: Course::new(edges, holds) }
    }

    /// For how long between each two of them.
    pub(super) fn into_times(self) -> Vec<Duration> {
        self.course.into_buckets().into_iter().map(|bucket| bucket.measured).collect()
    }

    fn counted(&self, value: Option<f64>) -> Option<f64> {
        value.filter(|value| self.counted.is(*value)).map(|_| COUNTED)
    }

    /// What the samples of a row come to, when all of them are good and one key parts those that count.
    fn summed_up(&self, row: &Row<'_>) -> Option<Stretch> {
        if !row.is_good() {
            return None;
        }
        let (times, offsets) = (row.times().ok()?, row.offsets().ok()?);
        let parting = self.parting(row, &offsets)?;
        let last = row.samples.checked_sub(1)?;
        let (first_ms, last_ms) = (times.at_ms(0), times.at_ms(last));
        let hold_ms = self.holds.throughout(first_ms, last_ms)?;
        let (mut at_ms, mut counted_ms) = (first_ms, 0);
        for sample in 0..last {
            let next_ms = times.at_ms(sample + 1);
            let held_ms = (next_ms - at_ms).min(hold_ms).max(0);
            counted_ms += if parting.counts(offsets.above_base(sample)) { held_ms } else { 0 };
            at_ms = next_ms;
        }
        let value = parting.counts(offsets.above_base(last)).then_some(COUNTED);
        let totals = Totals { measured_ms: counted_ms, ..Totals::default() };
        Some(Stretch { first_ms, last: Held { since_ms: last_ms, value }, totals })
    }

    /// Which keys of a row count; `None` where that takes more than one limit, or too long to find.
    fn parting(&self, row: &Row<'_>, offsets: &Offsets<'_>) -> Option<Parting> {
        if matches!(self.counted, Counted::Equal(_)) {
            return None;
        }
        let counts = |above_base: i64| {
            let value = row.coding.value(row.base.checked_add(above_base)?)?;
            Some(self.counted.is(as_number(value)))
        };
        let mut greatest = offsets.greatest().filter(|greatest| *greatest <= SEARCHED_MAX)?;
        let from_counts = counts(greatest)?;
        let mut least = 0;
        if counts(least)? == from_counts {
            return Some(Parting { from: least, from_counts });
        }
        while greatest - least > 1 {
            let middle = least + (greatest - least) / 2;
            *(if counts(middle)? == from_counts { &mut greatest } else { &mut least }) = middle;
        }
        Some(Parting { from: greatest, from_counts })
    }
}

impl Listener for Timed {
    fn hour(&mut self, hour: &Stretch) -> bool {
        let last = Held { value: self.counted(hour.last.value), ..hour.last };
        match hour.totals.extremes.map(|(least, greatest)| self.counted.decides(least, greatest)) {
            Some(Some(true)) => self.course.stretch(&Stretch { last, ..*hour }),
            Some(None) => false,
            Some(Some(false)) | None => {
                self.course.stretch(&Stretch { last, totals: Totals::default(), ..*hour })
            }
        }
    }

    fn minute(&mut self, row: &Row<'_>) -> bool {
        self.summed_up(row).is_some_and(|minute| self.course.stretch(&minute))
    }

    fn sample(&mut self, point: &Point) {
        self.course.sample(point.at_ms, self.counted(point.measured()));
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::history::samples::coding::Coding;
    use crate::history::samples::held::MINUTE_MS;
    use crate::history::samples::row::Packed;
    use crate::signal::{Reason, Reasons, Scale, Value};

    const HOLD_MS: i64 = 3_000;

    fn good(samples: &[(i64, f64)]) -> Vec<Point> {
        let point = |(at_ms, value): &(i64, f64)| Point {
            at_ms: *at_ms,
            value: Some(Value::Number(*value)),
            reasons: Reasons::NONE,
        };
        samples.iter().map(point).collect()
    }

    fn timed(counted: Counted) -> Timed {
        let holds = Holds::always(HOLD_MS);
        Timed::new(counted, vec![0, 2 * MINUTE_MS], holds)
    }

    /// Told as a row, or not taken.
    fn by_the_row(points: &[Point], coding: Coding, counted: Counted) -> Option<Vec<Duration>> {
        let packed = Packed::of(points, coding);
        let row = Row {
            minute: 0,
            samples: points.len(),
            coding: packed.coding,
            base: packed.base,
            times: &packed.times,
            runs: &packed.runs,
            offsets: &packed.offsets,
        };
        let mut timed = timed(counted);
        timed.minute(&row).then(|| timed.into_times())
    }

    fn one_by_one(points: &[Point], counted: Counted) -> Vec<Duration> {
        let mut timed = timed(counted);
        points.iter().for_each(|point| timed.sample(point));
        timed.into_times()
    }

    fn any_coding() -> impl Strategy<Value = Coding> {
        let unscaled = Scale { from: [0.0, 1.0], to: [0.0, 1.0] };
        let falling = Scale { from: [0.0, 10.0], to: [50.0, 49.0] };
        let rising = Scale { from: [0.0, 10.0], to: [0.0, 1.0] };
        prop::sample::select(vec![
            Coding::Counts { current: unscaled, scale: rising },
            Coding::Counts { current: rising, scale: falling },
            Coding::Single,
            Coding::Double,
        ])
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn a_good_row_counts_as_its_samples_do(
            coding in any_coding(),
            keys in prop::collection::vec(-40..40_i64, 1..70),
            gaps_ms in prop::collection::vec(prop::sample::select(vec![0, 1, 799, 1_000, 1_000, 1_001, 2_999, 3_000, 3_001]), 69),
            of_limit in 0..70_usize,
            beside in -0.05..0.05_f64,
            above in any::<bool>(),
        ) {
            let value = |key: i64| match coding {
                Coding::Counts { .. } => coding.value(key).map_or(0.0, as_number),
                Coding::Flag | Coding::Decimal { .. } | Coding::Single | Coding::Double => {
                    f64::from(i32::try_from(key).unwrap()) / 7.0
                }
            };
            let times = gaps_ms.iter().scan(0, |at_ms, gap_ms| { *at_ms += gap_ms; Some(*at_ms) });
            let samples: Vec<(i64, f64)> = [0].into_iter().chain(times).zip(keys.iter().map(|key| value(*key)))
                .take_while(|(at_ms, _)| *at_ms < MINUTE_MS).collect();
            let points = good(&samples);
            for limit in [samples[of_limit % samples.len()].1, samples[of_limit % samples.len()].1 + beside] {
                let counted = if above { Counted::Above(limit) } else { Counted::Below(limit) };
                let by_the_row = by_the_row(&points, coding, counted);
                let is_packed = matches!(Packed::of(&points, coding).coding, Coding::Counts { .. });
                prop_assert!(by_the_row.is_some() || !is_packed, "counts of a good minute are always taken");
                if let Some(by_the_row) = by_the_row {
                    prop_assert_eq!(by_the_row, one_by_one(&points, counted));
                }
            }
        }
    }

    #[test]
    fn what_one_key_does_not_part_is_left_to_the_samples() {
        let rising = Scale { from: [0.0, 10.0], to: [0.0, 1.0] };
        let coding = Coding::Counts { current: Scale { from: [0.0, 1.0], to: [0.0, 1.0] }, scale: rising };
        let mut points = good(&[(0, 1.0), (1_000, 2.0), (2_000, 3.0)]);
        assert!(by_the_row(&points, coding, Counted::Above(2.0)).is_some());
        assert_eq!(by_the_row(&points, coding, Counted::Equal(2.0)), None, "neither less nor more counts");
        points[1].reasons = Reasons::one(Reason::Settling);
        assert_eq!(by_the_row(&points, coding, Counted::Above(2.0)), None, "one is no measurement");
    }
}
