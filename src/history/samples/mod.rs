//! The history file: samples as they were judged, to the last bit, with the reasons why some were not
//! good.
//!
//! `store` is the writing side, [`SampleReader`] the reading one. In reading order: `coding` makes a
//! whole number of a value, `bits` packs such numbers, `row` packs a minute of a signal, `layout` says
//! which tables there are and `views` how plain SQL reads them, `table` puts rows into them, `store`
//! decides when, `hours` sums minutes up, `days` puts hours together, `retention` gives the oldest up; `held` is the arithmetic of
//! averages, `holds` for how long a value counts in it, `walk` goes along one signal for it, `counted` says for how long
//! it was above a limit, `lapses` when it was not measured or uncertain, `doubts` where to look for that, `replay` tells
//! everything again, `copied` helps who copies it elsewhere.
//! `docs/history.md` tells people what lies in the file.

mod bits;
mod coding;
mod copied;
mod counted;
mod days;
mod doubts;
mod held;
mod holds;
mod hours;
mod lapses;
mod layout;
mod old;
mod reader;
mod replay;
mod retention;
mod row;
pub(super) mod salvage;
mod store;
mod table;
mod views;
mod walk;

pub use copied::{LATE_MINUTES_READ_MAX, Reach};
pub use counted::Counted;
pub use doubts::Doubts;
pub use held::Bucket;
pub use holds::Holds;
pub use lapses::Lapse;
pub use reader::{BUCKETS_MAX, KeptSample, SAMPLES_READ_MAX, SampleReader};
pub use replay::Replay;
pub(super) use retention::MadeRoom;
pub(super) use store::{Bounds, Extent, KeptSignal, OpenMinutes, SampleStore};

/// The history's name in the data directory.
pub const HISTORY_FILE: &str = "history.db";
