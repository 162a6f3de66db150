//! A value in another unit than the site file's, for whoever asks for it, with all that the way depends on.
//!
//! The site's own unit is what is measured, judged and recorded; nothing here changes that. A way is told
//! with its factor and offset, so that whoever has the converted value can go back.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::monitor::SignalStatus;
use crate::names::nearest;
use crate::units::{self, Circumstances, GasReference, Inconvertible, UNITS, Unit};
use crate::view::{Bucket, History, LastGood, Signal, Value};

/// How values came into the unit that was asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Conversion {
    /// The unit of the site file, in which it is measured.
    pub from: String,
    /// A value is what is measured times this, …
    pub factor: f64,
    /// … plus this.
    pub offset: f64,
    /// At which the site counts volumes of gas; `mg/Nm3`, `NL/min` and `NL/h` have their own.
    pub gas_reference: Reference,
    /// What it is the content of, where the site file says so.
    pub substance: Option<String>,
    /// The usual pressure of the air at the site, where the site file gives it.
    pub ambient_pressure_kpa: Option<f64>,
}

/// The temperature and the absolute pressure at which a volume of gas is counted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reference {
    /// The temperature.
    pub temperature_k: f64,
    /// The same.
    pub temperature_degf: f64,
    /// The absolute pressure.
    pub pressure_kpa: f64,
    /// The same.
    pub pressure_psia: f64,
}

/// Why a value is not told in the unit that was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnitRefused {
    /// In a sentence.
    pub why: String,
    /// The nearest name of a unit in which it can be told.
    pub nearest: Option<String>,
    /// Every unit in which it can be told.
    pub possible: Vec<String>,
}

impl Conversion {
    /// The way from a signal's own unit to that which is asked for, and the name of that unit.
    ///
    /// # Errors
    /// When there is no such unit, or no way to it.
    pub fn of(signal: &SignalStatus, asked: &str) -> Result<(Conversion, String), UnitRefused> {
        let at = signal.circumstances;
        let refused = |why: String, possible: Vec<String>| {
            let nearest = nearest(asked, possible.iter().map(String::as_str)).map(str::to_owned);
            UnitRefused { why, nearest, possible }
        };
        let Some(from) = signal.unit.as_deref() else {
            return Err(refused(
                format!("`{}` has no unit: its values are not converted", signal.id),
                vec![],
            ));
        };
        if asked == from {
            return Ok((Conversion::told(from, &SAME, &at), from.to_owned()));
        }
        let Some(own) = Unit::parse(from) else {
            let why = format!(
                "\"{from}\" of `{}` is a unit of the site file's own: it is told in no other",
                signal.id
            );
            return Err(refused(why, vec![from.to_owned()]));
        };
        let possible = || UNITS.iter().filter(|unit| units::conversion(own, unit, &at).is_ok());
        let possible = || possible().map(|unit| unit.name.to_owned()).collect();
        let Some(wanted) = Unit::parse(asked) else {
            return Err(refused(format!("there is no unit {asked:?}"), possible()));
        };
        let way = units::conversion(own, wanted, &at)
            .map_err(|why| refused(no_way(why, own, wanted, &signal.id), possible()))?;
        Ok((Conversion::told(from, &way, &at), wanted.name.to_owned()))
    }

    fn told(from: &str, way: &units::Conversion, at: &Circumstances) -> Conversion {
        Conversion {
            from: from.to_owned(),
            factor: without_dust(way.factor),
            offset: without_dust(way.offset),
            gas_reference: at.reference.into(),
            substance: at.substance.map(|substance| substance.word().to_owned()),
            ambient_pressure_kpa: at.ambient_pa.map(|pressure| readable(pressure / 1e3)),
        }
    }

    fn number(&self, number: f64) -> f64 {
        self.factor * number + self.offset
    }

    fn value(&self, value: Value) -> Value {
        match value {
            Value::Number(number) => Value::Number(self.number(number)),
            Value::Flag(_) => value,
        }
    }
}

const SAME: units::Conversion = units::Conversion { factor: 1.0, offset: 0.0 };

impl Signal {
    /// The same signal in the unit called `unit`.
    pub fn converted(mut self, conversion: Conversion, unit: String) -> Signal {
        self.value = self.value.map(|value| conversion.value(value));
        self.last_good = self.last_good.map(|past| LastGood { value: conversion.value(past.value), ..past });
        Signal { unit: Some(unit), conversion: Some(conversion), ..self }
    }
}

impl History {
    /// The same history in the unit called `unit`.
    pub fn converted(mut self, conversion: Conversion, unit: String) -> History {
        let number = |known: Option<f64>| known.map(|number| conversion.number(number));
        for bucket in &mut self.buckets {
            let Bucket { min, mean, max, .. } = *bucket;
            (bucket.min, bucket.mean, bucket.max) = (number(min), number(mean), number(max));
        }
        History { unit: Some(unit), conversion: Some(conversion), ..self }
    }
}

fn no_way(why: Inconvertible, own: &Unit, wanted: &Unit, signal: &str) -> String {
    match why {
        Inconvertible::Unlike => format!(
            "`{signal}` is in {} ({}): there is no way from there to {} ({})",
            own.name,
            own.quantity.words(),
            wanted.name,
            wanted.quantity.words()
        ),
        Inconvertible::SubstanceUnknown => format!(
            "from {} to {} it takes the substance, which the site file does not tell at `{signal}`: \
             `substance = \"water\"`, for one",
            own.name, wanted.name
        ),
        Inconvertible::AmbientUnknown => format!(
            "from {} to {} it takes the pressure of the air, which the site file does not tell: \
             `ambient_pressure = \"14.4 psia\"` under [site], for one",
            own.name, wanted.name
        ),
    }
}

impl From<GasReference> for Reference {
    fn from(reference: GasReference) -> Reference {
        let nowhere = Circumstances { reference, substance: None, ambient_pa: None };
        let told = |number: f64, from: &str, to: &str| {
            let units = Unit::parse(from).zip(Unit::parse(to));
            let way = units.and_then(|(from, to)| units::conversion(from, to, &nowhere).ok());
            readable(way.unwrap_or(SAME).apply(number))
        };
        Reference {
            temperature_k: readable(reference.temperature_k),
            temperature_degf: told(reference.temperature_k, "K", "degF"),
            pressure_kpa: readable(reference.pressure_pa / 1e3),
            pressure_psia: told(reference.pressure_pa / 1e3, "kPaa", "psia"),
        }
    }
}

/// To fifteen digits, which a double always holds: a thousand is 1000, and not 999.9999999999999.
fn without_dust(number: f64) -> f64 {
    format!("{number:.14e}").parse().unwrap_or(number)
}

/// To a millionth, as no reference is told more closely; what is left of arithmetic is gone.
fn readable(number: f64) -> f64 {
    (number * 1e6).round() / 1e6
}
