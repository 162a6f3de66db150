//! The wiring: lines, monitor and recorder joined, started and stopped.
//!
//! [`start`] opens the record, folds the alarm states back from it, and sets the monitor and the
//! lines to work, each on a thread of its own; [`Running::reload`] puts another site file in force. Faces are not its business: they are built by the
//! commands, on the [`Handle`] that a [`Running`] daemon hands out. Nothing here decides; what
//! decides lives in [`crate::monitor`].

mod clock;
mod exposure;
mod handle;
mod health;
mod journaled;
mod learned;
mod lines;
mod loans;
mod plan;
mod recall;
mod reload;
mod settings;
mod start;
mod unwatched;
mod watch;

pub use clock::system_clock;
pub use handle::{ActError, Answer, Handle, HistorySource, JournalSource, Request};
pub use health::{Health, Progress};
pub use learned::LEARNED_FILE;
pub use loans::LendError;
pub use plan::monitor_plan;
pub use reload::{Refused, Reloaded};
pub use start::{Options, Running, StartError, nothing_known, start};
