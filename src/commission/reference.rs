//! How far a reading lies from a reference: what the display shows, or what a meter in the loop shows.
//!
//! Errors are told in the unit and in percent of span, as analyzers and loops are specified. Pure.

use crate::signal::{Range, Scale};

/// The ends of an analog loop, in mA (IEC 60381-1).
const LOOP_MA: [f64; 2] = [4.0, 20.0];

/// What a reading is compared with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// A value in the signal's unit.
    Value(f64),
    /// A loop current, in mA.
    Milliamps(f64),
}

/// How a reading compares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// The reference in the signal's unit.
    pub reference: f64,
    /// Reading minus reference.
    pub error: f64,
    /// That in percent of span; `None` without a range.
    pub error_percent_of_span: Option<f64>,
}

impl Reference {
    /// `12.3`, or a current such as `6.57mA`.
    pub fn parse(text: &str) -> Option<Reference> {
        let text = text.trim();
        let number = |text: &str| text.trim().parse().ok().filter(|number: &f64| number.is_finite());
        match text.strip_suffix("mA") {
            Some(current) => number(current).map(Reference::Milliamps),
            None => number(text).map(Reference::Value),
        }
    }

    /// In the unit of a signal whose loop spans `range`; `None` for a current without a range.
    pub fn in_unit(self, range: Option<Range>) -> Option<f64> {
        match self {
            Reference::Value(value) => Some(value),
            Reference::Milliamps(current) => {
                range.map(|range| Scale { from: LOOP_MA, to: [range.low, range.high] }.apply(current))
            }
        }
    }

    /// How `reading`, in the unit of a signal with this range, compares; `None` for a current without a
    /// range.
    pub fn compare(self, reading: f64, range: Option<Range>) -> Option<Comparison> {
        let reference = self.in_unit(range)?;
        let error = reading - reference;
        let error_percent_of_span = range.map(|range| error / (range.high - range.low) * 100.0);
        Some(Comparison { reference, error, error_percent_of_span })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const RANGE: Range = Range { low: 0.0, high: 20.0 };

    #[test]
    fn a_current_is_a_value_of_the_range_its_loop_spans() {
        // The five points of a loop of 4 to 20 mA: 0, 25, 50, 75 and 100 %.
        for (current, value) in [("4mA", 0.0), ("8 mA", 5.0), ("12mA", 10.0), ("16mA", 15.0), ("20mA", 20.0)]
        {
            assert_eq!(Reference::parse(current).unwrap().in_unit(Some(RANGE)), Some(value), "{current}");
        }
        assert_eq!(Reference::Milliamps(12.0).in_unit(None), None);
    }

    #[test]
    fn the_error_is_told_in_the_unit_and_of_span() {
        let comparison = Reference::parse("10").unwrap().compare(10.5, Some(RANGE)).unwrap();
        assert_eq!((comparison.error, comparison.error_percent_of_span), (0.5, Some(2.5)));
        let without = Reference::Value(10.0).compare(9.0, None).unwrap();
        assert_eq!((without.error, without.error_percent_of_span), (-1.0, None));
    }

    #[test]
    fn what_is_no_number_is_no_reference() {
        for nonsense in ["", "mA", "12 ma", "nan", "twelve"] {
            assert_eq!(Reference::parse(nonsense), None, "{nonsense}");
        }
    }
}
