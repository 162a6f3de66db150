//! The wiring: lines, monitor and recorder joined, started and stopped.
//!
//! [`Handle`] is what the faces hold: the snapshot as it is replaced, the way in for operator
//! actions, the journal's reader, and whether the daemon keeps its promises.

mod handle;

pub use handle::{ActError, Handle, Health, JournalSource, Request};
