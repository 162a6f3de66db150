//! Calibrations and sensors: what care an analyzer needs, and the arithmetic of it.
//!
//! Nothing here knows when it is now, who works, or where it is recorded; the monitor does. Nothing here
//! changes a reading either: an analyzer is adjusted at the analyzer, and what was found is recorded.

mod answers;
mod gas;
mod reading;
mod sensor;
mod spec;

pub use answers::{ANSWERS_MAX, ANSWERS_MIN, Answers};
pub use gas::{Doubt, Gas};
pub use reading::{Compared, Point, Response, Stage, drift_pct, is_settled, passes};
pub use sensor::{Exposure, SENSOR_SETTLE_DEFAULT, SensorCare, WARN_LEFT_PCT_DEFAULT, Wear};
pub use spec::{Care, FUNCTION_CHECK_MAX_DEFAULT, TOLERANCE_PCT_DEFAULT};
