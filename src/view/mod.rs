//! What is known, in the shape that leaves the house: JSON for HTTP and the control socket, and
//! the words in which every face tells it to a person.
//!
//! These types are a contract: keys are added to, never renamed; knowledge that is not there is
//! `null`, never 0 and never the last value. The core types carry no serde, so each type here is
//! made from one of them, at a given moment. Every duration comes from the monotonic clock.
//!
//! [`Status`] is the place to begin; [`words`] turns its parts into sentences. Nothing here knows
//! a socket, a page or a clock.

mod alarms;
mod axis;
mod calibrations;
mod conversion;
mod gas;
mod health;
mod history;
mod instant;
mod journal;
mod links;
mod machine;
mod performance;
mod sensor;
mod signals;
mod status;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
pub mod story;
mod value;
mod word;
pub mod words;

pub use alarms::{Alarm, AlarmState, Alarms, Decision};
pub use axis::round_values;
pub use calibrations::Calibration;
pub use conversion::{Conversion, UnitRefused};
pub use gas::{Gas, Verdict};
pub use health::Health;
pub use history::{Bucket, History};
pub use instant::{Day, Elapsed, Instant};
pub use journal::{Entry, Journal};
pub use links::{Block, Counters, Device, FunctionCheck, Line, LineState, Spread};
pub use machine::{Clock, Storage};
pub use performance::{Performance, Stale};
pub use sensor::{Exposure, FittedSensor, Sensor};
pub use signals::{LastGood, Signal, Signals};
pub use status::{STALE_AFTER_S_MAX, Site, Status, Summary};
pub use value::Value;
pub use word::{Vocabulary, Word};
