//! One alarm: what it watches for, and its life cycle after IEC 62682 / ANSI-ISA-18.2.
//!
//! [`AlarmSpec`] is an alarm as the site file describes it. [`condition`] asks of a sample whether
//! the alarm's condition holds: yes, no, or not to be known. [`delay`] makes a condition count only
//! after it has held for its delay. [`lifecycle`] is the table of states and events; [`Standing`] says
//! whether the operator is told; [`performance`] counts how often they were. None of them knows a file, a
//! clock or a runtime; the monitor puts them together.

pub mod condition;
pub mod delay;
pub mod lifecycle;
pub mod performance;
mod spec;
mod standing;

pub use condition::{Condition, Known, RATE_SAMPLES_MAX, RATE_SAMPLES_MIN, Verdict};
pub use delay::Delay;
pub use lifecycle::{Life, LifeEvent};
pub use spec::{AlarmIndex, AlarmSpec, Averaging, Fault, Kind, Limit, Over, Priority, WhenLost};
pub use standing::{Shelf, Standing, Withheld};
