//! What is known, in words for a person: the same on the page and in the commands.
//!
//! Pure functions from a view to a text. Times are told in the site's zone, with the zone's name.

mod alarm;
mod calibration;
mod device;
mod event;
mod machine;
mod number;
mod performance;
mod sensor;
mod signal;
mod time;

pub use alarm::{
    alarm_state, condition_of, life_not_judged, limit_text, shelved_text, standing, verdict_text,
    withheld_text,
};
pub use calibration::{circumstances_text, due_text, last_calibration_text, recorded_text, stage_text};
pub use device::function_check_text;
pub use event::{event_detail_text, event_kind_text, event_text, event_who_text};
pub use machine::{clock_text, storage_text};
pub use number::number;
pub use performance::{Figure, figures, percent};
pub use sensor::{sensor_facts, sensor_text};
pub use signal::{
    condition_text, label, last_good_text, quality_text, reasons_text, value_text, value_with_quality_text,
};
pub use time::{clock_time, date_and_time, duration, for_how_long};
