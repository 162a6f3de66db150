//! One reading against a calibration gas, and what two of them say of an analyzer: error, gain, drift.
//!
//! All errors are in % of the span, so that zero and span errors can be compared. Nothing here averages
//! readings or waits for them to settle; that is done before.

use crate::signal::Range;

/// Which end of the range the gas belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Point {
    /// Gas without what is measured.
    Zero,
    /// Gas with a known part of it, high in the range.
    Span,
}

/// Before or after the analyzer was adjusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Stage {
    /// Before any adjustment: what it says of the past.
    AsFound,
    /// After it, or after the decision not to adjust: what it says of what comes.
    AsLeft,
}

impl Point {
    /// Every point.
    pub const ALL: [Point; 2] = [Point::Zero, Point::Span];

    /// The word in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Point::Zero => "zero",
            Point::Span => "span",
        }
    }
}

impl Stage {
    /// Both stages.
    pub const ALL: [Stage; 2] = [Stage::AsFound, Stage::AsLeft];

    /// The word in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Stage::AsFound => "as_found",
            Stage::AsLeft => "as_left",
        }
    }
}

/// What an analyzer said of a gas, both in the analyzer's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// What the certificate says.
    pub standard: f64,
    /// What the analyzer says.
    pub reading: f64,
}

impl Compared {
    /// How far the reading lies from the standard, in % of the span; above zero: it reads high. `None`
    /// without a span, or where a number is none.
    pub fn error_pct(self, range: Range) -> Option<f64> {
        let span = range.high - range.low;
        let error = (self.reading - self.standard) / span * 100.0;
        (span > 0.0 && error.is_finite()).then_some(error)
    }
}

/// Whether an error keeps to a tolerance, both in % of the span. An error as great as the tolerance keeps
/// to it: what is allowed is allowed. One that is no number does not.
pub fn passes(error_pct: f64, tolerance_pct: f64) -> bool {
    error_pct.abs() <= tolerance_pct
}

/// Whether readings that lie so far apart, from the smallest to the greatest, are those of one gas: no
/// farther than the tolerance, in % of the span. A cell that still fills, or that holds the gas before, gives
/// a mean that belongs to neither. Common practice, no source.
pub fn is_settled(scatter: f64, range: Range, tolerance_pct: f64) -> bool {
    passes(scatter / (range.high - range.low) * 100.0, tolerance_pct)
}

/// How far an analyzer has moved since it was last left alone, in % of the span: what it was found at less
/// what it was left at, at the same point.
pub fn drift_pct(as_found_error_pct: f64, last_as_left_error_pct: f64) -> f64 {
    as_found_error_pct - last_as_left_error_pct
}

/// The straight line that a zero and a span reading lie on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    zero: Compared,
    gain: f64,
}

impl Response {
    /// Through two readings. `None` where the standards are the same, or the reading does not rise with
    /// the gas: then no line tells anything of the gas.
    pub fn through(zero: Compared, span: Compared) -> Option<Response> {
        let gain = (span.reading - zero.reading) / (span.standard - zero.standard);
        (gain.is_finite() && gain > 0.0).then_some(Response { zero, gain })
    }

    /// How much the reading rises for each unit of gas: 1 when all is well.
    pub fn gain(self) -> f64 {
        self.gain
    }

    /// What the gas was when the analyzer said `reading`: for the person who judges what was recorded
    /// before a calibration. siskin never corrects a record.
    pub fn gas_at(self, reading: f64) -> f64 {
        self.zero.standard + (reading - self.zero.reading) / self.gain
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn compared(standard: f64, reading: f64) -> Compared {
        Compared { standard, reading }
    }

    #[test]
    fn a_range_without_a_span_gives_no_error() {
        let range = |low, high| Range { low, high };
        assert_eq!(compared(1.0, 2.0).error_pct(range(0.0, 0.0)), None);
        assert_eq!(compared(1.0, 2.0).error_pct(range(5.0, 0.0)), None);
        assert_eq!(compared(1.0, f64::NAN).error_pct(range(0.0, 20.0)), None);
        assert_eq!(compared(1.0, 2.0).error_pct(range(0.0, 20.0)), Some(5.0));
        assert_eq!(
            compared(1.0, 2.0).error_pct(range(-20.0, 20.0)),
            Some(2.5),
            "a span is not its upper end"
        );
    }

    #[test]
    fn an_error_as_great_as_the_tolerance_passes_and_one_that_is_no_number_does_not() {
        assert!(passes(2.0, 2.0));
        assert!(passes(-2.0, 2.0));
        assert!(!passes(2.000_001, 2.0));
        assert!(!passes(-2.000_001, 2.0));
        assert!(!passes(f64::NAN, 2.0));
    }

    #[test]
    fn a_dead_analyzer_has_no_response() {
        assert_eq!(Response::through(compared(0.0, 0.3), compared(20.0, 0.3)), None, "it does not move");
        assert_eq!(Response::through(compared(0.0, 5.0), compared(20.0, 1.0)), None, "it falls");
        assert_eq!(Response::through(compared(5.0, 5.0), compared(5.0, 6.0)), None, "one gas is no line");
        assert_eq!(Response::through(compared(0.0, 0.0), compared(20.0, f64::NAN)), None);
    }

    #[test]
    fn a_zero_gas_that_is_not_quite_zero_is_reckoned_with() {
        let response = Response::through(compared(1.0, 2.0), compared(11.0, 22.0)).unwrap();
        assert!((response.gain() - 2.0).abs() < 1e-12);
        assert!((response.gas_at(12.0) - 6.0).abs() < 1e-12);
    }

    #[test]
    fn drift_is_counted_from_where_the_analyzer_was_left() {
        assert!((drift_pct(-1.5, 0.5) + 2.0).abs() < 1e-12);
    }
}
