//! One line of the journal, as readers get it.

use crate::moment::Wall;

/// One recorded event.
#[derive(Debug, Clone, PartialEq)]
pub struct JournalEntry {
    /// Its number: 1, 2, 3, … without a gap.
    pub seq: u64,
    /// When it happened, by the wall clock, to the millisecond.
    pub time: Wall,
    /// When it happened, in milliseconds since the daemon started.
    pub mono_ms: u64,
    /// What happened: [`crate::monitor::EventKind::word`].
    pub kind: String,
    /// What it happened to.
    pub subject: String,
    /// The operating-system user who did it, when a person did.
    pub user: Option<String>,
    /// The name they gave.
    pub name: Option<String>,
    /// Details by name: a JSON object.
    pub detail: serde_json::Map<String, serde_json::Value>,
    /// SHA-256 over the hash before and this entry, in hex.
    pub hash: String,
}
