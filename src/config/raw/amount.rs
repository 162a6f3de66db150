//! Durations and sizes as people write them: `"500ms"`, `"3m"`, `"8GiB"`.

use std::time::Duration;

use schemars::{Schema, json_schema};
use toml::de::DeValue;

use super::{Reader, Shape};
use crate::config::problem::Span;

/// The units of a duration, in milliseconds, greatest first. A year has 365 days here.
const DURATION_UNITS_MS: [(&str, u64); 6] =
    [("y", 365 * 86_400_000), ("d", 86_400_000), ("h", 3_600_000), ("m", 60_000), ("s", 1000), ("ms", 1)];

/// The units of a size, in bytes, greatest first.
const SIZE_UNITS_BYTES: [(&str, u64); 4] =
    [("TiB", 1 << 40), ("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10)];

/// The least that the sample file may be limited to, in bytes: 64 MiB hold a few days of a small site.
const SIZE_BYTES_MIN: u64 = 64 << 20;

/// A duration within limits given in milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) struct Lasting<const MIN_MS: u64, const MAX_MS: u64>(pub Duration);

impl<const MIN_MS: u64, const MAX_MS: u64> Lasting<MIN_MS, MAX_MS> {
    fn parsed(text: Option<&str>) -> Option<Self> {
        let millis = amount(text?, &DURATION_UNITS_MS)?;
        (MIN_MS..=MAX_MS).contains(&millis).then(|| Lasting(Duration::from_millis(millis)))
    }
}

impl<const MIN_MS: u64, const MAX_MS: u64> Shape for Lasting<MIN_MS, MAX_MS> {
    fn expected() -> String {
        let [min, max] = [MIN_MS, MAX_MS].map(|limit| spell_duration(Duration::from_millis(limit)));
        format!("a duration from \"{min}\" to \"{max}\"")
    }

    fn schema() -> Schema {
        let number = if MIN_MS == 0 { "[0-9]+" } else { "0*[1-9][0-9]*" };
        json_schema!({ "type": "string", "pattern": amount_pattern(number, &DURATION_UNITS_MS) })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        Self::parsed(value.as_str()).or_else(|| {
            reader.wrong_with(key, span, &Self::expected(), value, |problem| {
                problem.help("a whole number and one of the units ms, s, m, h, d and y, in quotes")
            })
        })
    }

    fn show(&self) -> String {
        spell_duration(self.0)
    }
}

/// What an average is taken over: `"24h"`, or a word for a time of the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) enum OverWhat {
    /// The time just past.
    Rolling(Rolling),
    /// Each full hour.
    ClockHour,
    /// Each gas day of the site.
    GasDay,
}

/// How long a rolling average may be.
type Rolling = Lasting<{ 60 * 1000 }, { 31 * 86_400_000 }>;

impl Shape for OverWhat {
    fn expected() -> String {
        format!("{}, \"clock_hour\" or \"gas_day\"", Rolling::expected())
    }

    fn schema() -> Schema {
        json_schema!({ "anyOf": [{ "enum": ["clock_hour", "gas_day"] }, Rolling::schema()] })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        match value.as_str() {
            Some("clock_hour") => Some(OverWhat::ClockHour),
            Some("gas_day") => Some(OverWhat::GasDay),
            text => match Rolling::parsed(text) {
                Some(rolling) => Some(OverWhat::Rolling(rolling)),
                None => reader.wrong(key, span, &Self::expected(), value),
            },
        }
    }

    fn show(&self) -> String {
        match self {
            OverWhat::Rolling(rolling) => rolling.show(),
            OverWhat::ClockHour => "clock_hour".to_owned(),
            OverWhat::GasDay => "gas_day".to_owned(),
        }
    }
}

/// A size in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) struct Size(pub u64);

impl Shape for Size {
    fn expected() -> String {
        format!("a size of at least \"{}\"", spell_size(SIZE_BYTES_MIN))
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": amount_pattern("0*[1-9][0-9]*", &SIZE_UNITS_BYTES) })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        match value.as_str().and_then(|text| amount(text, &SIZE_UNITS_BYTES)) {
            Some(bytes) if bytes >= SIZE_BYTES_MIN => Some(Size(bytes)),
            Some(_) | None => reader.wrong_with(key, span, &Self::expected(), value, |problem| {
                problem.help("a whole number and one of the units KiB, MiB, GiB and TiB, in quotes")
            }),
        }
    }

    fn show(&self) -> String {
        spell_size(self.0)
    }
}

/// A whole number and its unit, with nothing else around them than one space between.
fn amount(text: &str, units: &[(&str, u64)]) -> Option<u64> {
    let digits = text.find(|character: char| !character.is_ascii_digit())?;
    let (number, unit) = text.split_at_checked(digits)?;
    let unit = unit.strip_prefix(' ').unwrap_or(unit);
    let (_, size) = units.iter().find(|(name, _)| *name == unit)?;
    number.parse::<u64>().ok()?.checked_mul(*size)
}

/// What [`amount`] takes, as a pattern of ECMA 262, with the pattern of the number.
fn amount_pattern(number: &str, units: &[(&str, u64)]) -> String {
    let names: Vec<&str> = units.iter().map(|(name, _)| *name).collect();
    format!("^{number} ?({})$", names.join("|"))
}

/// The duration that a text such as `"2h"` means.
pub fn duration(text: &str) -> Option<Duration> {
    amount(text, &DURATION_UNITS_MS).map(Duration::from_millis)
}

/// A duration in the greatest unit that holds it whole.
pub(in crate::config) fn spell_duration(duration: Duration) -> String {
    let millis = u64::try_from(duration.as_millis()).unwrap_or(u64::MAX);
    spell(millis, &DURATION_UNITS_MS).unwrap_or_else(|| "0s".to_owned())
}

fn spell_size(bytes: u64) -> String {
    spell(bytes, &SIZE_UNITS_BYTES).unwrap_or_else(|| format!("{bytes} bytes"))
}

fn spell(amount: u64, units: &[(&str, u64)]) -> Option<String> {
    let (unit, size) = units.iter().find(|(_, size)| amount > 0 && amount.is_multiple_of(*size))?;
    Some(format!("{}{unit}", amount / size))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_a_whole_number_and_a_unit() {
        for (text, millis) in
            [("500ms", 500), ("1s", 1000), ("3m", 180_000), ("24h", 86_400_000), ("3y", 94_608_000_000)]
        {
            assert_eq!(amount(text, &DURATION_UNITS_MS), Some(millis), "{text}");
        }
        for text in ["", "5", "s", "1.5s", "-1s", "1 hour", "1S", "99999999999999999999s", "1y1d", "1  s"] {
            assert_eq!(amount(text, &DURATION_UNITS_MS), None, "{text}");
        }
    }

    #[test]
    fn sizes_are_powers_of_two_by_their_name() {
        assert_eq!(amount("8GiB", &SIZE_UNITS_BYTES), Some(8_589_934_592));
        assert_eq!(amount("8GB", &SIZE_UNITS_BYTES), None);
    }

    #[test]
    fn a_duration_is_spelled_in_the_greatest_unit_that_holds_it_whole() {
        for text in ["500ms", "90s", "3m", "1d", "3y", "1001ms"] {
            let millis = amount(text, &DURATION_UNITS_MS).unwrap_or(0);
            assert_eq!(spell_duration(Duration::from_millis(millis)), text);
        }
        assert_eq!(spell_duration(Duration::ZERO), "0s");
    }
}
