//! How a value becomes a whole number, its key, and comes back from it to the last bit.
//!
//! A register holds a whole number, and a scaled value is that number on a straight line: keeping the
//! number keeps the value exactly, in as few bytes as the numbers of a minute differ by. What is not
//! of that kind is kept as its IEEE 754 pattern, in an order in which greater values have greater keys,
//! so that neighbouring values are neighbouring keys there too.

use crate::signal::{CurrentLoop, Scale, SignalSpec, Value, ValueType};

/// How the values of one row are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Coding {
    /// A state: 0 or 1.
    Flag,
    /// The number that the registers held, before it became milliamps and then the unit.
    Counts { current: Scale, scale: Scale },
    /// A decimal fraction that became a binary32, as devices send that count in tenths or thousandths
    /// themselves: so many times this power of ten.
    Decimal { per_one: f64 },
    /// An IEEE 754 binary32.
    Single,
    /// An IEEE 754 binary64.
    Double,
}

/// A scale that changes nothing, not even a bit.
const UNSCALED: Scale = Scale { from: [0.0, 1.0], to: [0.0, 1.0] };

/// The decimals that are tried, the coarsest first: whole numbers to millionths.
const PER_ONE: [f64; 7] = [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6];
/// Beyond this many steps any binary32 is a decimal (it has 24 bits), and nothing is won.
const STEPS_MAX: i64 = 1 << 24;

/// 2^29 + 1: of the 53 bits of a binary64 it leaves the 24 of a binary32.
const SPLITTER: f64 = 536_870_913.0;

/// Whole numbers are exact as binary64 up to here.
const WHOLE_MAX: f64 = 9_007_199_254_740_992.0;

impl Coding {
    /// The coding in which a signal's values have the smallest keys.
    pub(super) fn of(spec: &SignalSpec) -> Self {
        let milliamps = |current: &CurrentLoop| current.milliamps;
        let current = spec.current.as_ref().map_or(UNSCALED, milliamps);
        let scale = spec.scale.unwrap_or(UNSCALED);
        match spec.place.value_type {
            ValueType::Bool => Coding::Flag,
            ValueType::F32 if (current, scale) == (UNSCALED, UNSCALED) => Coding::Single,
            ValueType::F32 | ValueType::F64 => Coding::Double,
            ValueType::U16
            | ValueType::I16
            | ValueType::U32
            | ValueType::I32
            | ValueType::U64
            | ValueType::I64 => Coding::Counts { current, scale },
        }
    }

    /// The first of these codings, or else of those that hold any number, in which all values come
    /// back as they are; for a binary32 the coarsest decimals that do. (A state among numbers, of a
    /// signal whose type was changed within a minute, comes back as 0 or 1.)
    pub(super) fn exact_for(self, values: impl Iterator<Item = Value> + Clone) -> Self {
        let exact = |coding: &Coding| values.clone().all(|value| coding.key(value).is_some());
        let decimals = PER_ONE.map(|per_one| Coding::Decimal { per_one });
        let decimals = decimals.into_iter().filter(|_| self == Coding::Single);
        decimals.chain([self, Coding::Single]).find(exact).unwrap_or(Coding::Double)
    }

    /// The key of a value; `None` when it would not come back from it.
    pub(super) fn key(self, value: Value) -> Option<i64> {
        match (self, value) {
            (Coding::Flag, Value::Flag(flag)) => Some(i64::from(flag)),
            (Coding::Flag, Value::Number(_)) | (Coding::Counts { .. }, Value::Flag(_)) => None,
            (Coding::Counts { current, scale }, Value::Number(number)) => {
                let about = rounded(undone(current, undone(scale, number)))?;
                let exact = |key: &i64| counted(*key, current, scale).to_bits() == number.to_bits();
                [about, about - 1, about + 1].into_iter().find(exact)
            }
            (Coding::Decimal { .. }, Value::Flag(_)) => None,
            (Coding::Decimal { per_one }, Value::Number(number)) => {
                let key = rounded(number * per_one).filter(|steps| steps.abs() < STEPS_MAX)?;
                (decimal(key, per_one).to_bits() == number.to_bits()).then_some(key)
            }
            (Coding::Single, value) => {
                let (number, single) = (as_number(value), nearest_single(as_number(value)));
                (f64::from(single).to_bits() == number.to_bits()).then(|| i64::from(ordered_single(single)))
            }
            (Coding::Double, value) => Some(ordered_double(as_number(value))),
        }
    }

    /// The value of a key; `None` for a key that no value has.
    pub(super) fn value(self, key: i64) -> Option<Value> {
        let number = match self {
            Coding::Flag => return Some(Value::Flag(key != 0)),
            Coding::Counts { current, scale } => counted(key, current, scale),
            Coding::Decimal { per_one } => decimal(key, per_one),
            Coding::Single => f64::from(single_of(i32::try_from(key).ok()?)),
            Coding::Double => double_of(key),
        };
        number.is_finite().then_some(Value::Number(number))
    }

    /// The word for it in the file.
    pub(super) fn word(self) -> &'static str {
        match self {
            Coding::Flag => "flag",
            Coding::Counts { .. } => "counts",
            Coding::Decimal { .. } => "decimal",
            Coding::Single => "single",
            Coding::Double => "double",
        }
    }

    /// The two straight lines from a count to the unit, as they lie in the file: for each, two inputs
    /// and their outputs. Only counts have them; decimals have their power of ten in the place of the
    /// input that makes one.
    pub(super) fn lines(self) -> [Option<f64>; 8] {
        let (current, scale) = match self {
            Coding::Counts { current, scale } => (current, scale),
            Coding::Decimal { per_one } => {
                return [None, None, None, None, None, Some(per_one), None, None];
            }
            Coding::Flag | Coding::Single | Coding::Double => return [None; 8],
        };
        let ([a, b], [c, d], [e, f], [g, h]) = (current.from, current.to, scale.from, scale.to);
        [a, b, c, d, e, f, g, h].map(Some)
    }

    /// The coding that lies in the file under this word and with these lines.
    pub(super) fn from_file(word: &str, lines: [Option<f64>; 8]) -> Option<Self> {
        match (word, lines) {
            ("flag", _) => Some(Coding::Flag),
            ("decimal", [.., Some(per_one), _, _]) if PER_ONE.contains(&per_one) => {
                Some(Coding::Decimal { per_one })
            }
            ("single", _) => Some(Coding::Single),
            ("double", _) => Some(Coding::Double),
            ("counts", [a, b, c, d, e, f, g, h]) => Some(Coding::Counts {
                current: Scale { from: [a?, b?], to: [c?, d?] },
                scale: Scale { from: [e?, f?], to: [g?, h?] },
            }),
            _ => None,
        }
    }
}

/// The value as a number: a state is 0 or 1, so that its mean is the share of time it was true.
pub(super) fn as_number(value: Value) -> f64 {
    match value {
        Value::Number(number) => number,
        Value::Flag(flag) => f64::from(u8::from(flag)),
    }
}

#[expect(clippy::as_conversions, reason = "i64 to f64 has no lossless form; registers are rounded alike")]
fn counted(key: i64, current: Scale, scale: Scale) -> f64 {
    // Most signals are no current, and a division is what takes longest here.
    let read = if current == UNSCALED { key as f64 } else { current.apply(key as f64) };
    scale.apply(read)
}

/// The binary32 nearest to a decimal, as a device makes it that counts in decimals. Rounded to 24 bits
/// with nothing but arithmetic (Veltkamp's splitting), because SQLite has to do the same in its view.
#[expect(clippy::as_conversions, reason = "i64 to f64 has no lossless form; every number is compared after")]
fn decimal(key: i64, per_one: f64) -> f64 {
    let fraction = key as f64 / per_one;
    let shifted = fraction * SPLITTER;
    shifted - (shifted - fraction)
}

/// About the input for which the scale gives `output`.
fn undone(scale: Scale, output: f64) -> f64 {
    Scale { from: scale.to, to: scale.from }.apply(output)
}

#[expect(clippy::as_conversions, reason = "f64 to i64 has no lossless form; the range was looked at")]
fn rounded(number: f64) -> Option<i64> {
    let whole = number.round();
    (whole.abs() <= WHOLE_MAX).then_some(whole as i64)
}

#[expect(clippy::as_conversions, reason = "the nearest binary32 is what is wanted; it is compared after")]
fn nearest_single(number: f64) -> f32 {
    number as f32
}

fn ordered_single(single: f32) -> i32 {
    let pattern = single.to_bits().cast_signed();
    pattern ^ ((pattern >> 31) & i32::MAX)
}

fn single_of(ordered: i32) -> f32 {
    f32::from_bits((ordered ^ ((ordered >> 31) & i32::MAX)).cast_unsigned())
}

fn ordered_double(double: f64) -> i64 {
    let pattern = double.to_bits().cast_signed();
    pattern ^ ((pattern >> 63) & i64::MAX)
}

fn double_of(ordered: i64) -> f64 {
    f64::from_bits((ordered ^ ((ordered >> 63) & i64::MAX)).cast_unsigned())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn counts(current: Option<Scale>, scale: Option<Scale>) -> Coding {
        Coding::Counts { current: current.unwrap_or(UNSCALED), scale: scale.unwrap_or(UNSCALED) }
    }

    fn comes_back(coding: Coding, number: f64) -> bool {
        let key = coding.key(Value::Number(number));
        key.and_then(|key| coding.value(key)?.number()).map(f64::to_bits) == Some(number.to_bits())
    }

    /// A 4–20 mA loop on a 16-bit module, scaled to a unit: two straight lines one after the other.
    #[test]
    fn every_count_of_a_loop_comes_back_to_the_last_bit() {
        let current = Scale { from: [0.0, 65_535.0], to: [0.0, 20.0] };
        let scale = Scale { from: [4.0, 20.0], to: [0.0, 0.7] };
        let coding = counts(Some(current), Some(scale));
        for count in 0..=65_535_u16 {
            let value = scale.apply(current.apply(f64::from(count)));
            assert_eq!(coding.key(Value::Number(value)), Some(i64::from(count)));
            assert!(comes_back(coding, value), "{count}");
        }
    }

    #[test]
    fn what_is_not_on_the_line_has_no_key() {
        let tenths = counts(None, Some(Scale { from: [0.0, 10.0], to: [0.0, 1.0] }));
        assert_eq!(tenths.key(Value::Number(3.2)), Some(32));
        assert_eq!(tenths.key(Value::Number(3.25)), None);
        assert_eq!(tenths.key(Value::Number(-0.0)), None);
        assert_eq!(tenths.key(Value::Number(f64::MAX)), None);
        assert_eq!(tenths.key(Value::Flag(true)), None);
        assert_eq!(Coding::Single.key(Value::Number(0.1)), None);
    }

    #[test]
    fn a_coding_is_chosen_in_which_all_values_come_back() {
        let chosen = |numbers: &[f64]| {
            let values: Vec<Value> = numbers.iter().copied().map(Value::Number).collect();
            counts(None, None).exact_for(values.into_iter())
        };
        assert_eq!(chosen(&[1.0, 2.0]), counts(None, None));
        assert_eq!(chosen(&[1.0, 2.5]), Coding::Single);
        assert_eq!(chosen(&[1.0, 2.5, 0.1]), Coding::Double);
    }

    fn single_chosen(singles: &[f32]) -> Coding {
        Coding::Single.exact_for(singles.iter().map(|single| Value::Number(f64::from(*single))))
    }

    #[test]
    fn binary32_that_count_in_decimals_are_kept_as_decimals() {
        let tenths: Vec<f32> = (0..200_u8).map(|tenths| f32::from(tenths) / 10.0).collect();
        assert_eq!(single_chosen(&tenths), Coding::Decimal { per_one: 10.0 });
        assert_eq!(single_chosen(&[3.21, -0.05, 4.0]), Coding::Decimal { per_one: 100.0 });
        assert_eq!(single_chosen(&[3.0, 4.0]), Coding::Decimal { per_one: 1.0 });
        for not_decimal in [std::f32::consts::PI, -0.0, f32::MIN_POSITIVE, f32::MAX] {
            assert_eq!(single_chosen(&[3.21, not_decimal]), Coding::Single, "{not_decimal}");
        }
        // A binary64 of the same digits is another number.
        assert_eq!(Coding::Single.exact_for([Value::Number(3.21)].into_iter()), Coding::Double);
        let decimal = Coding::Decimal { per_one: 100.0 };
        assert_eq!(Coding::from_file(decimal.word(), decimal.lines()), Some(decimal));
        assert_eq!(Coding::from_file("decimal", Coding::Decimal { per_one: 7.0 }.lines()), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_number_comes_back_from_its_pattern(bits: u64, single_bits: u32) {
            let (double, single) = (f64::from_bits(bits), f64::from(f32::from_bits(single_bits)));
            prop_assert!(!double.is_finite() || comes_back(Coding::Double, double));
            prop_assert!(!single.is_finite() || comes_back(Coding::Single, single));
        }

        #[test]
        fn any_decimal_comes_back_in_as_few_steps_as_it_has(steps in -16_000_000_i32..16_000_000, place in 0..7_usize) {
            let single = nearest_single(f64::from(steps) / PER_ONE[place]);
            let chosen = single_chosen(&[single]);
            let coarse_enough = |per_one: f64| per_one <= PER_ONE[place];
            prop_assert!(matches!(chosen, Coding::Decimal { per_one } if coarse_enough(per_one)), "{chosen:?}");
            prop_assert!(comes_back(chosen, f64::from(single)));
        }

        #[test]
        fn greater_numbers_have_greater_keys(one: f64, other: f64) {
            let key = |number| Coding::Double.key(Value::Number(number)).unwrap();
            prop_assert_eq!(one.total_cmp(&other), key(one).cmp(&key(other)));
        }

        #[test]
        fn any_scaled_integer_comes_back(raw: i32, low in -1e6_f64..1e6, span in 0.001_f64..1e6) {
            let scale = Scale { from: [0.0, 65_535.0], to: [low, low + span] };
            let value = scale.apply(f64::from(raw));
            let coding = counts(None, Some(scale)).exact_for([Value::Number(value)].into_iter());
            prop_assert!(comes_back(coding, value));
        }
    }
}
