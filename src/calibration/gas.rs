//! Calibration gas: what its certificate says, and what makes one doubt that it is the right cylinder, or that
//! it has filled the cell.
//!
//! A doubt forbids nothing: the person at the cylinder may know better. It is asked about, and recorded.

use jiff::civil::Date;

use crate::calibration::Point;
use crate::signal::Range;

/// Gas lower in the range than this share tells little of its upper end. Common practice, no source.
const SPAN_GAS_SHARE_MIN: f64 = 0.5;
/// Zero gas with more than this share of the range is hardly zero gas. Common practice, no source.
const ZERO_GAS_SHARE_MAX: f64 = 0.02;

/// A gas for one point of an analyzer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gas {
    /// The point it is meant for.
    pub point: Point,
    /// What the certificate says, in the analyzer's unit.
    pub concentration: f64,
    /// The last day on which the certificate is good; `None`: not known.
    pub expires: Option<Date>,
}

/// What makes a gas doubtful.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Doubt {
    /// The certificate is no longer good.
    Expired,
    /// Nobody said how long the certificate is good.
    ExpiryUnknown,
    /// There is less in it than nothing, or it is no number: no gas has that.
    Impossible,
    /// The analyzer cannot show so much.
    AboveRange,
    /// Span gas that lies low in the range.
    LowForSpan,
    /// Zero gas that is far from zero.
    HighForZero,
    /// The readings move by more than the tolerance: their mean belongs to no gas.
    Unsettled,
}

impl Doubt {
    /// Every doubt, in the order they are told.
    pub const ALL: [Doubt; 7] = [
        Doubt::Impossible,
        Doubt::Expired,
        Doubt::ExpiryUnknown,
        Doubt::AboveRange,
        Doubt::LowForSpan,
        Doubt::HighForZero,
        Doubt::Unsettled,
    ];

    /// The word in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Doubt::Expired => "expired",
            Doubt::ExpiryUnknown => "expiry_unknown",
            Doubt::Impossible => "impossible",
            Doubt::AboveRange => "above_range",
            Doubt::LowForSpan => "low_for_span",
            Doubt::HighForZero => "high_for_zero",
            Doubt::Unsettled => "unsettled",
        }
    }

    /// In words for the person at the cylinder.
    pub const fn sentence(self) -> &'static str {
        match self {
            Doubt::Expired => "the certificate of the gas has expired",
            Doubt::ExpiryUnknown => "nobody said until when the certificate of the gas is good",
            Doubt::Impossible => "no gas can have this concentration",
            Doubt::AboveRange => "the gas is beyond the analyzer's range",
            Doubt::LowForSpan => "the gas lies in the lower half of the range: it tells little of the upper",
            Doubt::HighForZero => "this is much for a zero gas",
            Doubt::Unsettled => {
                "the readings still move by more than the tolerance: the gas has not filled the cell, or they tremble"
            }
        }
    }

    /// The doubt with this word.
    pub fn from_word(word: &str) -> Option<Doubt> {
        Doubt::ALL.into_iter().find(|doubt| doubt.word() == word)
    }
}

impl Gas {
    /// What makes it doubtful on the day `today` for an analyzer with this range, in the order of
    /// [`Doubt::ALL`].
    pub fn doubts(self, range: Range, today: Date) -> Vec<Doubt> {
        Doubt::ALL.into_iter().filter(|doubt| self.is_open_to(*doubt, range, today)).collect()
    }

    fn is_open_to(self, doubt: Doubt, range: Range, today: Date) -> bool {
        let share = (self.concentration - range.low) / (range.high - range.low);
        match doubt {
            // Written so that what is no number is doubted too. A dew point lies below nought.
            Doubt::Impossible => {
                !(self.concentration >= range.low.min(0.0) && self.concentration.is_finite())
            }
            Doubt::Expired => self.expires.is_some_and(|last_day| today > last_day),
            Doubt::ExpiryUnknown => self.expires.is_none(),
            Doubt::AboveRange => self.concentration > range.high,
            Doubt::LowForSpan => self.point == Point::Span && share < SPAN_GAS_SHARE_MIN,
            Doubt::HighForZero => self.point == Point::Zero && share > ZERO_GAS_SHARE_MAX,
            // Told by the readings, and not by the gas.
            Doubt::Unsettled => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    const RANGE: Range = Range { low: 0.0, high: 20.0 };

    fn doubts(point: Point, concentration: f64) -> Vec<Doubt> {
        let expires = Some(date(2026, 3, 2));
        Gas { point, concentration, expires }.doubts(RANGE, date(2026, 3, 2))
    }

    #[test]
    fn a_certificate_is_good_on_its_last_day_and_not_on_the_next() {
        let gas = |expires| Gas { point: Point::Span, concentration: 16.0, expires };
        let today = date(2026, 3, 2);
        assert_eq!(gas(Some(today)).doubts(RANGE, today), []);
        assert_eq!(gas(Some(date(2026, 3, 1))).doubts(RANGE, today), [Doubt::Expired]);
        assert_eq!(gas(None).doubts(RANGE, today), [Doubt::ExpiryUnknown]);
    }

    #[test]
    fn a_gas_that_does_not_fit_its_point_is_doubted() {
        assert_eq!(doubts(Point::Zero, 0.0), []);
        assert_eq!(doubts(Point::Zero, 0.4), []);
        assert_eq!(doubts(Point::Zero, 0.41), [Doubt::HighForZero]);
        assert_eq!(doubts(Point::Span, 10.0), []);
        assert_eq!(doubts(Point::Span, 9.9), [Doubt::LowForSpan]);
        assert_eq!(doubts(Point::Span, 20.0), []);
        assert_eq!(doubts(Point::Span, 20.1), [Doubt::AboveRange]);
        assert_eq!(doubts(Point::Zero, -0.1), [Doubt::Impossible]);
        assert_eq!(doubts(Point::Zero, f64::NAN), [Doubt::Impossible]);
        assert_eq!(doubts(Point::Span, f64::INFINITY), [Doubt::Impossible, Doubt::AboveRange]);
    }

    /// A dew point of -60 degrees is a dry gas, and no mistake.
    #[test]
    fn where_the_range_goes_below_nought_so_may_the_standard() {
        let range = Range { low: -80.0, high: 20.0 };
        let today = date(2026, 3, 2);
        let doubts =
            |point, concentration| Gas { point, concentration, expires: Some(today) }.doubts(range, today);
        assert_eq!(doubts(Point::Zero, -78.5), []);
        assert_eq!(doubts(Point::Span, -20.0), []);
        assert_eq!(doubts(Point::Zero, -80.1), [Doubt::Impossible]);
    }

    #[test]
    fn every_doubt_has_a_word_and_a_sentence_of_its_own() {
        for (place, doubt) in Doubt::ALL.iter().enumerate() {
            assert_eq!(Doubt::from_word(doubt.word()), Some(*doubt));
            for other in &Doubt::ALL[place + 1..] {
                assert_ne!(doubt.word(), other.word());
                assert_ne!(doubt.sentence(), other.sentence());
            }
        }
    }
}
