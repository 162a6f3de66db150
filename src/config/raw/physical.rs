//! Temperatures and pressures as people write them, `"60 degF"`; and substances by their names.

use schemars::{Schema, json_schema};
use toml::de::DeValue;

use super::words::Word;
use super::{Reader, Shape};
use crate::config::problem::Span;
use crate::units::{Circumstances, GasReference, Substance, Unit, conversion};

/// A temperature at which gas is counted, in kelvin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct Temperature(pub f64);

/// A pressure near that of the air, absolute, in pascal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::config) struct AirPressure(pub f64);

/// References lie between 0 and 25 °C; a degree of another scale does not pass for one.
const TEMPERATURE_K: std::ops::RangeInclusive<f64> = 250.0..=310.0;
/// From mountain air to somewhat above what any contract counts at.
const AIR_PRESSURE_PA: std::ops::RangeInclusive<f64> = 50_000.0..=120_000.0;

/// A number, a blank and a unit, as a pattern of ECMA 262.
const MEASURED_PATTERN: &str = r"^\s*[^\s]*[0-9][^\s]* \s*[^\s]";

impl Shape for Temperature {
    fn expected() -> String {
        "a temperature from 250 K to 310 K, such as \"60 degF\" or \"15 degC\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": MEASURED_PATTERN })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        measured(value.as_str(), "K")
            .filter(|kelvin| TEMPERATURE_K.contains(kelvin))
            .map(Temperature)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        format!("{:?} K", self.0)
    }
}

impl Shape for AirPressure {
    fn expected() -> String {
        "an absolute pressure from 50 kPaa to 120 kPaa, such as \"14.73 psia\"".to_owned()
    }

    fn schema() -> Schema {
        json_schema!({ "type": "string", "pattern": MEASURED_PATTERN })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        measured(value.as_str(), "kPaa")
            .map(|kilopascal| kilopascal * 1000.0)
            .filter(|pascal| AIR_PRESSURE_PA.contains(pascal))
            .map(AirPressure)
            .or_else(|| reader.wrong(key, span, &Self::expected(), value))
    }

    fn show(&self) -> String {
        format!("{:?} kPaa", self.0 / 1000.0)
    }
}

/// A number and its unit, in the unit `wanted`.
fn measured(text: Option<&str>, wanted: &str) -> Option<f64> {
    let (number, unit) = text?.trim().split_once(' ')?;
    let number: f64 = number.parse().ok()?;
    // Nothing that this depends on is told here.
    let nowhere = Circumstances { reference: GasReference::NORMAL, substance: None, ambient_pa: None };
    let way = conversion(Unit::parse(unit)?, Unit::parse(wanted)?, &nowhere).ok()?;
    Some(way.apply(number))
}

impl Word for Substance {
    const WORDS: &'static [(&'static str, Substance)] = &[
        (Substance::HydrogenSulfide.word(), Substance::HydrogenSulfide),
        (Substance::Water.word(), Substance::Water),
        (Substance::CarbonDioxide.word(), Substance::CarbonDioxide),
        (Substance::Oxygen.word(), Substance::Oxygen),
    ];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reference_is_a_number_and_a_unit() {
        let kelvin = measured(Some("60 degF"), "K").unwrap_or(f64::NAN);
        assert!((kelvin - 288.705_555_555_6).abs() < 1e-9, "{kelvin}");
        let kilopascal = measured(Some("14.73 psia"), "kPaa").unwrap_or(f64::NAN);
        assert!((kilopascal - 101.559_77).abs() < 1e-5, "{kilopascal}");
        for text in ["60", "degF", "60degF", "60 psig", "60 degF or so", ""] {
            assert_eq!(measured(Some(text), "K"), None, "{text}");
        }
        // Gauge and unsaid are not absolute.
        assert_eq!(measured(Some("14.73 psig"), "kPaa"), None);
        assert_eq!(measured(Some("14.73 psi"), "kPaa"), None);
    }
}
