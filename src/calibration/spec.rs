//! The care that a device needs, as the site file has it.

use std::time::Duration;

use crate::calibration::SensorCare;

/// The longest function check where the site file does not say. Common practice, no source: nobody works
/// on one analyzer for longer without a break, and what was forgotten is found within the shift.
pub const FUNCTION_CHECK_MAX_DEFAULT: Duration = Duration::from_secs(4 * 3600);
/// How far a reading may be from the gas where the site file does not say, in % of the span. Common
/// practice, no source for analyzers: gas tariffs correct earlier records of meters beyond 2 %.
pub const TOLERANCE_PCT_DEFAULT: f64 = 2.0;

/// What care a device needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Care {
    /// The longest time that it may be in function check.
    pub function_check_max: Duration,
    /// How far a reading may be from the calibration gas, in % of the span.
    pub tolerance_pct: f64,
    /// How long after it was last left alone it has to be calibrated again; `None`: nobody is reminded.
    pub every: Option<Duration>,
    /// What its sensor can bear; `None`: the site file says nothing of a sensor.
    pub sensor: Option<SensorCare>,
}

impl Default for Care {
    fn default() -> Self {
        Care {
            function_check_max: FUNCTION_CHECK_MAX_DEFAULT,
            tolerance_pct: TOLERANCE_PCT_DEFAULT,
            every: None,
            sensor: None,
        }
    }
}
