//! What becomes of a sensor: how long it has been in the analyzer, how much gas it has seen, and whether
//! that is more than it can bear.
//!
//! Both only ever grow until the sensor is changed. Nothing here reads a record: how much gas a sensor has
//! seen is worked out by whoever has the record, and handed in.

use std::time::Duration;

use crate::signal::SignalIndex;

/// How much of its life, or of its exposure, is left when maintenance is called for, where the site file
/// does not say; in %. Common practice, no source: time enough to order a sensor.
pub const WARN_LEFT_PCT_DEFAULT: f64 = 10.0;
/// How long a new sensor settles where nobody says. Common practice, no source: the maker's manual knows.
pub const SENSOR_SETTLE_DEFAULT: Duration = Duration::from_secs(2 * 3600);

/// Over a longer time than this, an exposure of which less than [`COVERAGE_MIN`] was measured says nothing
/// reassuring: a history begun anew has seen nothing of what the sensor has. Common practice, no source.
const UNSEEN_MAX: Duration = Duration::from_secs(24 * 3600);
/// The least share of the time that must have been measured. Common practice, no source.
const COVERAGE_MIN: f64 = 0.5;

/// What the site file says of a device's sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorCare {
    /// What it measures.
    pub signal: SignalIndex,
    /// How long it lasts in the analyzer.
    pub life: Option<Duration>,
    /// How much gas it can bear, in the signal's unit times hours.
    pub exposure_max: Option<f64>,
    /// Maintenance is called for when so much of either is left, in %.
    pub warn_left_pct: f64,
    /// How long a new one settles.
    pub settle: Duration,
    /// Whether an alarm is raised once it is past either, or nothing is on record of it.
    pub due_alarm: bool,
}

/// How much gas a sensor has seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exposure {
    /// The time-weighted sum of what was measured, in the signal's unit times hours; never below zero.
    pub amount: f64,
    /// For how long it was measured. What the sensor saw in the rest of the time is not known.
    pub measured: Duration,
    /// For how long it has been in the analyzer.
    pub lapsed: Duration,
}

/// How far a sensor is worn. The order is from new to spent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Wear {
    /// Nothing is on record of it, or the site file says nothing of what it can bear, or it is not known
    /// how much gas it has seen.
    Unknown,
    /// It is well within what it can bear.
    Fresh,
    /// Little is left (NE 107: maintenance required).
    Near,
    /// It is past what it can bear (NE 107: out of specification).
    Spent,
}

impl Wear {
    /// Every one of them.
    pub const ALL: [Wear; 4] = [Wear::Unknown, Wear::Fresh, Wear::Near, Wear::Spent];

    /// The word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Wear::Unknown => "unknown",
            Wear::Fresh => "fresh",
            Wear::Near => "near",
            Wear::Spent => "spent",
        }
    }
}

impl Exposure {
    /// What a sensor has seen that has just been put in.
    pub const NONE: Exposure = Exposure { amount: 0.0, measured: Duration::ZERO, lapsed: Duration::ZERO };

    /// From a time-weighted mean over the time that was measured. A mean below zero, as around a zero that
    /// has drifted, is no exposure.
    pub fn of(mean: Option<f64>, measured: Duration, lapsed: Duration) -> Exposure {
        let amount = mean.filter(|mean| mean.is_finite()).unwrap_or(0.0) * measured.as_secs_f64() / 3600.0;
        Exposure { amount: amount.max(0.0), measured, lapsed }
    }

    /// The share of the time for which it was measured, 0 to 1.
    pub fn coverage(self) -> f64 {
        if self.lapsed.is_zero() { 0.0 } else { self.measured.div_duration_f64(self.lapsed).min(1.0) }
    }
}

impl Exposure {
    /// Whether little of it means that the sensor has seen little.
    fn is_telling(self) -> bool {
        self.lapsed <= UNSEEN_MAX || self.coverage() >= COVERAGE_MIN
    }
}

impl SensorCare {
    /// Whether anything is known of what the sensor can bear.
    pub fn has_limit(&self) -> bool {
        self.life.is_some() || self.exposure_max.is_some()
    }

    /// After which time in the analyzer maintenance is called for, and after which the sensor is spent.
    pub fn ages(&self) -> Option<(Duration, Duration)> {
        let life = self.life?;
        Some((life.mul_f64(1.0 - self.warn_left_pct / 100.0), life))
    }

    /// How far its exposure alone has worn it: not at all where the site file knows of no limit, and
    /// unknown where the exposure is, or where most of it was not seen.
    pub fn worn_by(&self, exposure: Option<Exposure>) -> Wear {
        let Some(max) = self.exposure_max else { return Wear::Fresh };
        match exposure {
            Some(seen) if seen.amount >= max => Wear::Spent,
            Some(seen) if seen.amount >= max * (1.0 - self.warn_left_pct / 100.0) => Wear::Near,
            Some(seen) if seen.is_telling() => Wear::Fresh,
            Some(_) | None => Wear::Unknown,
        }
    }

    /// How far age and exposure have worn it together. What was spent is not fit again because the record
    /// can no longer be asked.
    pub fn worn(&self, aged: Wear, exposure: Option<Exposure>, was_spent: bool) -> Wear {
        match self.worn_by(exposure) {
            Wear::Unknown if was_spent => Wear::Spent,
            Wear::Unknown if aged < Wear::Near => Wear::Unknown,
            exposed @ (Wear::Unknown | Wear::Fresh | Wear::Near | Wear::Spent) => aged.max(exposed),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: Duration = Duration::from_secs(3600);

    fn care() -> SensorCare {
        SensorCare {
            signal: SignalIndex(0),
            life: Some(1000 * HOUR),
            exposure_max: Some(200.0),
            warn_left_pct: 10.0,
            settle: HOUR,
            due_alarm: true,
        }
    }

    fn exposure(amount: f64) -> Option<Exposure> {
        Some(Exposure::of(Some(amount), HOUR, 2 * HOUR))
    }

    /// 2.5 ppmv for 36 h are 90 ppm-hours; a quarter of the 48 h was not measured.
    #[test]
    fn exposure_is_the_mean_over_the_time_that_was_measured_and_the_rest_is_told() {
        let seen = Exposure::of(Some(2.5), 36 * HOUR, 48 * HOUR);
        assert!((seen.amount - 90.0).abs() < 1e-12);
        assert!((seen.coverage() - 0.75).abs() < 1e-12);
    }

    #[test]
    fn what_was_not_measured_and_what_reads_below_zero_exposes_nothing() {
        assert!(Exposure::of(None, Duration::ZERO, HOUR).amount == 0.0);
        assert!(Exposure::of(Some(-0.1), HOUR, HOUR).amount == 0.0);
        assert!(Exposure::of(None, Duration::ZERO, Duration::ZERO).coverage() == 0.0);
    }

    #[test]
    fn maintenance_is_called_for_before_the_end_and_the_end_belongs_to_the_spent() {
        assert_eq!(care().ages(), Some((900 * HOUR, 1000 * HOUR)));
        for (amount, wear) in [
            (0.0, Wear::Fresh),
            (179.9, Wear::Fresh),
            (180.0, Wear::Near),
            (199.9, Wear::Near),
            (200.0, Wear::Spent),
        ] {
            assert_eq!(care().worn_by(exposure(amount)), wear, "{amount}");
        }
        assert_eq!(care().worn_by(None), Wear::Unknown);
        let unlimited = SensorCare { exposure_max: None, ..care() };
        assert_eq!(unlimited.worn_by(exposure(1e9)), Wear::Fresh);
        assert_eq!(unlimited.worn_by(None), Wear::Fresh);
    }

    #[test]
    fn a_sensor_is_not_fresh_because_nobody_saw_what_it_has_seen() {
        let mostly_unseen = |amount| Some(Exposure { amount, measured: HOUR, lapsed: 500 * HOUR });
        assert_eq!(care().worn(Wear::Fresh, mostly_unseen(1.0), false), Wear::Unknown);
        assert_eq!(care().worn(Wear::Fresh, mostly_unseen(1.0), true), Wear::Spent);
        assert_eq!(care().worn(Wear::Near, mostly_unseen(1.0), false), Wear::Near);
        assert_eq!(care().worn(Wear::Fresh, mostly_unseen(200.0), false), Wear::Spent);
        let just_fitted = Some(Exposure { amount: 0.0, measured: Duration::ZERO, lapsed: HOUR });
        assert_eq!(care().worn(Wear::Fresh, just_fitted, true), Wear::Fresh);
    }
}
