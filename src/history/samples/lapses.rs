//! When a signal was not measured, and why: the other half of what [`crate::history::Bucket`] covers. And when
//! it was measured, but by uncertain values.
//!
//! A sample that is no measurement says so until the next sample, or until recording broke off: a
//! daemon that does not run says nothing. What no sample speaks for is a lapse without a reason. The
//! measured time and the unmeasured lapses of a span make up the whole of it, to the millisecond.

use std::ops::Range;

use crate::history::ReadError;
use crate::history::samples::held::{HOUR_MS, Stretch, wall};
use crate::history::samples::holds::Holds;
use crate::history::samples::row::Point;
use crate::history::samples::table::Number;
use crate::history::samples::walk::Listener;
use crate::history::samples::{Doubts, SampleReader};
use crate::moment::Wall;
use crate::signal::{Reason, Reasons};

/// A time in which a signal was not measured, or by uncertain values only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lapse {
    /// Since when.
    pub from: Wall,
    /// Until when.
    pub to: Wall,
    /// Why; `None` when nothing was recorded.
    pub reasons: Option<Reasons>,
    /// Whether there was a measured value nevertheless: an uncertain one.
    pub is_measured: bool,
}

impl SampleReader {
    /// Hands every lapse of the signal `device.signal` between two times to `take`, in order. `breaks`,
    /// in order too, are when recording broke off because the daemon ended. Hours that were measured
    /// through, and hold none of the `doubts` of that time, are not looked into.
    pub fn lapses(
        &self,
        signal: &str,
        span: Range<Wall>,
        breaks: &[Wall],
        doubts: &Doubts,
        take: impl FnMut(Lapse),
    ) -> Result<(), ReadError> {
        let span_ms = span.start.as_millisecond()..span.end.as_millisecond();
        let breaks = breaks.iter().map(|at| at.as_millisecond()).collect();
        let mut lapses = Lapses {
            signal: 0,
            doubts,
            holds: Holds::default(),
            breaks,
            span_ms: span_ms.clone(),
            last: None,
            open: None,
            take,
        };
        self.walk(signal, |walk| {
            (lapses.signal, lapses.holds) = (walk.signal, walk.holds.clone());
            if let Some(point) = walk.last_ever_before(span_ms.start)? {
                lapses.sample(&point);
            }
            walk.tell(span_ms.clone(), &mut lapses)
        })?;
        lapses.finish();
        Ok(())
    }
}

/// The lapses found so far.
struct Lapses<'a, F> {
    signal: Number,
    doubts: &'a Doubts,
    holds: Holds,
    breaks: Vec<i64>,
    span_ms: Range<i64>,
    /// When the last sample was, and what it says.
    last: Option<(i64, Says)>,
    /// The lapse that the next one may go on with.
    open: Option<Open>,
    take: F,
}

/// What a sample says of the time after it.
#[derive(Clone, Copy)]
enum Says {
    /// That its value is good.
    Good,
    /// That its value is uncertain, and why.
    Uncertain(Reasons),
    /// That nothing was measured, and why.
    Nothing(Reasons),
}

/// A lapse that may go on.
struct Open {
    ms: Range<i64>,
    reasons: Option<Reasons>,
    is_measured: bool,
}

impl<F: FnMut(Lapse)> Lapses<'_, F> {
    /// Tells what lies between the last sample and a time.
    fn until(&mut self, at_ms: i64) {
        let unmeasured = |ms, reasons| Open { ms, reasons, is_measured: false };
        let Some((since, says)) = self.last else {
            return self.lapse(unmeasured(self.span_ms.start..at_ms, None));
        };
        let held_until = since.saturating_add(self.holds.at_ms(since)).min(at_ms);
        match says {
            Says::Good => self.lapse(unmeasured(held_until..at_ms, None)),
            Says::Uncertain(reasons) => {
                self.lapse(Open { ms: since..held_until, reasons: Some(reasons), is_measured: true });
                self.lapse(unmeasured(held_until..at_ms, None));
            }
            Says::Nothing(reasons) => {
                let broken_off = self.breaks.iter().find(|at| **at > since).copied().unwrap_or(i64::MAX);
                let said_until = broken_off.min(at_ms);
                self.lapse(unmeasured(since..said_until, Some(reasons)));
                self.lapse(unmeasured(said_until..at_ms, None));
            }
        }
    }

    fn lapse(&mut self, next: Open) {
        let ms = next.ms.start.max(self.span_ms.start)..next.ms.end.min(self.span_ms.end);
        if ms.is_empty() {
            return;
        }
        match &mut self.open {
            Some(open) if open.goes_on_with(&next, ms.start) => open.ms.end = ms.end,
            _ => {
                self.hand_over();
                self.open = Some(Open { ms, ..next });
            }
        }
    }

    fn hand_over(&mut self) {
        if let Some(Open { ms, reasons, is_measured }) = self.open.take() {
            (self.take)(Lapse { from: wall(ms.start), to: wall(ms.end), reasons, is_measured });
        }
    }

    fn finish(&mut self) {
        self.until(self.span_ms.end);
        self.hand_over();
    }
}

impl Open {
    fn goes_on_with(&self, next: &Open, from_ms: i64) -> bool {
        (self.ms.end, self.reasons, self.is_measured) == (from_ms, next.reasons, next.is_measured)
    }
}

impl<F: FnMut(Lapse)> Listener for Lapses<'_, F> {
    fn hour(&mut self, hour: &Stretch) -> bool {
        let measured_through = hour.last.value.is_some()
            && hour.totals.measured_ms == hour.last.since_ms.saturating_sub(hour.first_ms);
        let good_through =
            measured_through && !self.doubts.lie_in(self.signal, hour.first_ms.div_euclid(HOUR_MS));
        if good_through {
            self.until(hour.first_ms);
            self.last = Some((hour.last.since_ms, Says::Good));
        }
        good_through
    }

    fn sample(&mut self, point: &Point) {
        self.until(point.at_ms);
        let says = match (point.measured(), point.uncertain()) {
            (Some(_), Some(reasons)) => Says::Uncertain(reasons),
            (Some(_), None) => Says::Good,
            (None, _) if point.reasons.is_empty() => Says::Nothing(Reasons::one(Reason::NotYetRead)),
            (None, _) => Says::Nothing(point.reasons),
        };
        self.last = Some((point.at_ms, says));
    }
}
