//! When a signal was not measured, and why: the other half of what [`crate::history::Bucket`] covers.
//!
//! A sample that is no measurement says so until the next sample, or until recording broke off: a
//! daemon that does not run says nothing. What no sample speaks for is a lapse without a reason. The
//! measured time and the lapses of a span make up the whole of it, to the millisecond.

use std::ops::Range;

use crate::history::ReadError;
use crate::history::samples::SampleReader;
use crate::history::samples::held::{Stretch, wall};
use crate::history::samples::holds::Holds;
use crate::history::samples::row::Point;
use crate::history::samples::walk::Listener;
use crate::moment::Wall;
use crate::signal::{Reason, Reasons};

/// A time in which a signal was not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lapse {
    /// Since when.
    pub from: Wall,
    /// Until when.
    pub to: Wall,
    /// Why; `None` when nothing was recorded.
    pub reasons: Option<Reasons>,
}

impl SampleReader {
    /// Hands every lapse of the signal `device.signal` between two times to `take`, in order. `breaks`,
    /// in order too, are when recording broke off because the daemon ended. Hours that were measured
    /// through are not looked into.
    pub fn lapses(
        &self,
        signal: &str,
        span: Range<Wall>,
        breaks: &[Wall],
        take: impl FnMut(Lapse),
    ) -> Result<(), ReadError> {
        let span_ms = span.start.as_millisecond()..span.end.as_millisecond();
        let breaks = breaks.iter().map(|at| at.as_millisecond()).collect();
        let mut lapses = Lapses {
            holds: Holds::default(),
            breaks,
            span_ms: span_ms.clone(),
            last: None,
            open: None,
            take,
        };
        self.walk(signal, |walk| {
            lapses.holds = walk.holds.clone();
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
struct Lapses<F> {
    holds: Holds,
    breaks: Vec<i64>,
    span_ms: Range<i64>,
    /// When the last sample was, and why it is no measurement; `Ok` when it is one.
    last: Option<(i64, Result<(), Reasons>)>,
    /// The lapse that the next one may go on with.
    open: Option<(Range<i64>, Option<Reasons>)>,
    take: F,
}

impl<F: FnMut(Lapse)> Lapses<F> {
    /// Tells what lies between the last sample and a time.
    fn until(&mut self, at_ms: i64) {
        match self.last {
            None => self.lapse(self.span_ms.start..at_ms, None),
            Some((since, Ok(()))) => self.lapse(since.saturating_add(self.holds.at_ms(since))..at_ms, None),
            Some((since, Err(reasons))) => {
                let broken_off = self.breaks.iter().find(|at| **at > since).copied().unwrap_or(i64::MAX);
                let said_until = broken_off.min(at_ms);
                self.lapse(since..said_until, Some(reasons));
                self.lapse(said_until..at_ms, None);
            }
        }
    }

    fn lapse(&mut self, ms: Range<i64>, reasons: Option<Reasons>) {
        let ms = ms.start.max(self.span_ms.start)..ms.end.min(self.span_ms.end);
        if ms.is_empty() {
            return;
        }
        match &mut self.open {
            Some((open, because)) if open.end == ms.start && *because == reasons => open.end = ms.end,
            _ => {
                self.hand_over();
                self.open = Some((ms, reasons));
            }
        }
    }

    fn hand_over(&mut self) {
        if let Some((ms, reasons)) = self.open.take() {
            (self.take)(Lapse { from: wall(ms.start), to: wall(ms.end), reasons });
        }
    }

    fn finish(&mut self) {
        self.until(self.span_ms.end);
        self.hand_over();
    }
}

impl<F: FnMut(Lapse)> Listener for Lapses<F> {
    fn hour(&mut self, hour: &Stretch) -> bool {
        let measured_through = hour.last.value.is_some()
            && hour.totals.measured_ms == hour.last.since_ms.saturating_sub(hour.first_ms);
        if measured_through {
            self.until(hour.first_ms);
            self.last = Some((hour.last.since_ms, Ok(())));
        }
        measured_through
    }

    fn sample(&mut self, point: &Point) {
        self.until(point.at_ms);
        let unmeasured =
            if point.reasons.is_empty() { Reasons::one(Reason::NotYetRead) } else { point.reasons };
        self.last = Some((point.at_ms, point.measured().map(|_| ()).ok_or(unmeasured)));
    }
}
