//! Alarm settings tried on the record before they go live: which alarms would have come, when, and for
//! how long.
//!
//! A [`Trial`] runs the very core that the daemon runs ([`crate::monitor::step`]) over recorded
//! samples, as they were judged then, with whatever settings it is given. With the settings that were
//! in force it gives the alarms that were. A [`Tally`] sums up what an alarm did; [`Sweep`] tries one
//! setting at many values. Nothing here opens a file: samples and journal come from the caller.

mod plot;
mod sweep;
mod tally;
mod trial;

pub use plot::svg;
pub use sweep::{Sweep, SweepError, SweepPoint, Swept};
pub use tally::{CHATTER_PER_MINUTE_MIN, Tally};
pub use trial::{Spell, Trial};
