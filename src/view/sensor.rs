//! A device's sensor: which it is, how long it has been there, how much gas it has seen, how far it is worn.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::calibration::{self, Wear};
use crate::moment::Moment;
use crate::monitor::{Fitted, SensorStatus};
use crate::view::{Calibration, Elapsed, Instant, Word};

/// What is known of a device's sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sensor {
    /// The signal that it measures, as `device.signal`.
    pub signal: String,
    /// How far it is worn: `near` its end maintenance is required, and `spent` its signal is uncertain.
    pub wear: Word<Wear>,
    /// The sensor that is in place; `null` when none is on record.
    pub fitted: Option<FittedSensor>,
    /// How long it lasts; `null` where the site file does not say.
    pub life_s: Option<Elapsed>,
    /// When its life is over.
    pub life_ends: Option<Instant>,
    /// How much of its life is left.
    pub life_left_s: Option<Elapsed>,
    /// How much gas it can bear, in the unit of its exposure; `null` where the site file does not say.
    pub exposure_max: Option<f64>,
    /// How much gas it has seen; `null` until that was worked out from the record.
    pub exposure: Option<Exposure>,
    /// How much of its life or of its exposure is left when maintenance is required.
    pub warn_left_pct: f64,
    /// What it was found at by each calibration since it was put in, oldest first: its drift.
    pub found: Vec<Calibration>,
}

/// The sensor in a device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FittedSensor {
    /// What stands on it.
    pub serial: String,
    /// Since when it has been in place.
    pub since: Instant,
    /// How long that is, by the wall clock.
    pub age_s: Elapsed,
    /// When it was recorded.
    pub time: Instant,
    /// The operating-system user who recorded it.
    pub user: String,
    /// The name that they gave.
    pub name: Option<String>,
    /// How long it lay open to air until it was in place.
    pub open_to_air_s: Option<Elapsed>,
    /// When it has settled, while it still settles.
    pub settles_until: Option<Instant>,
}

/// How much gas a sensor has seen, by the record. What was not measured is not in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Exposure {
    /// The time-weighted sum of what was measured.
    pub amount: f64,
    /// Its unit: that of the signal times hours.
    pub unit: String,
    /// For how long it was measured.
    pub measured_s: Elapsed,
    /// For how long it was not: what the sensor saw then is not known.
    pub not_measured_s: Elapsed,
    /// The share of the time for which it was measured, 0 to 1.
    pub coverage: f64,
}

impl Sensor {
    /// What is known of it, seen at `now`.
    pub fn of(sensor: &SensorStatus, now: Moment) -> Sensor {
        let age = |fitted: &Fitted| age(fitted, now);
        let left = |fitted: &Fitted| Some(Elapsed(sensor.care.life?.saturating_sub(age(fitted))));
        let fitted = sensor.fitted.as_ref();
        let ends = |fitted: &Fitted| fitted.since.checked_add(sensor.care.life?).ok();
        Sensor {
            signal: sensor.signal.clone(),
            wear: Word(sensor.wear),
            fitted: fitted.map(|fitted| FittedSensor {
                serial: fitted.serial.clone(),
                since: Instant(fitted.since),
                age_s: Elapsed(age(fitted)),
                time: Instant(fitted.at),
                user: fitted.by.user.clone(),
                name: fitted.by.name.clone(),
                open_to_air_s: fitted.open_to_air.map(Elapsed),
                settles_until: fitted.settles_until.filter(|_| sensor.settling).map(Instant),
            }),
            life_s: sensor.care.life.map(Elapsed),
            life_ends: fitted.and_then(ends).map(Instant),
            life_left_s: fitted.and_then(left),
            exposure_max: sensor.care.exposure_max,
            exposure: sensor.exposure.map(|seen| Exposure::of(seen, sensor.unit.as_deref())),
            warn_left_pct: sensor.care.warn_left_pct,
            found: sensor.found.iter().map(Calibration::from).collect(),
        }
    }
}

/// A sensor outlives the daemon: only the wall clock knows its age.
fn age(fitted: &Fitted, now: Moment) -> Duration {
    now.wall.duration_since(fitted.since).try_into().unwrap_or_default()
}

impl Exposure {
    fn of(seen: calibration::Exposure, unit: Option<&str>) -> Exposure {
        Exposure {
            amount: seen.amount,
            unit: unit.map_or_else(|| "h".to_owned(), |unit| format!("{unit}·h")),
            measured_s: Elapsed(seen.measured),
            not_measured_s: Elapsed(seen.lapsed.saturating_sub(seen.measured)),
            coverage: seen.coverage(),
        }
    }
}
