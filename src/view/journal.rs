//! A page of the journal.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::history::JournalEntry;
use crate::view::Instant;

/// Events by their number, oldest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Journal {
    /// The events.
    pub events: Vec<Entry>,
    /// What to ask for next: the number of the last event here, or the one that was asked for.
    pub next_after: u64,
    /// Whether there may be more: the page is full.
    pub more: bool,
}

/// One event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Entry {
    /// Its number: 1, 2, 3, … without a gap.
    pub seq: u64,
    /// When it happened.
    pub time: Instant,
    /// When it happened, in milliseconds since the daemon started.
    pub mono_ms: u64,
    /// What happened.
    pub kind: String,
    /// What it happened to.
    pub subject: String,
    /// The operating-system user who did it, when a person did.
    pub user: Option<String>,
    /// The name they gave.
    pub name: Option<String>,
    /// Details by name.
    pub detail: serde_json::Map<String, serde_json::Value>,
    /// SHA-256 over the hash before and this event, in hex.
    pub hash: String,
}

impl Journal {
    /// The page that `entries` make, read with this `after` and `limit`.
    pub fn of(entries: Vec<JournalEntry>, after: u64, limit: usize) -> Journal {
        Journal {
            next_after: entries.last().map_or(after, |entry| entry.seq),
            more: entries.len() >= limit,
            events: entries.into_iter().map(Entry::from).collect(),
        }
    }
}

impl From<JournalEntry> for Entry {
    fn from(entry: JournalEntry) -> Self {
        Entry {
            seq: entry.seq,
            time: entry.time.into(),
            mono_ms: entry.mono_ms,
            kind: entry.kind,
            subject: entry.subject,
            user: entry.user,
            name: entry.name,
            detail: entry.detail,
            hash: entry.hash,
        }
    }
}
