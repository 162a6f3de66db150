//! Reading the journal: pages of it for the faces, and what a start needs to know from it.
//!
//! Each call opens the file anew, read-only, so that a journal moved aside is never read on by
//! mistake, and no reader holds the write-ahead log back for longer than its page.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Params, Row};

use crate::history::chain::parse_entry;
use crate::history::journal::JOURNAL_FILE;
use crate::history::{JournalEntry, ReadError, file};
use crate::monitor::{Detail, EventKind};

/// The most entries that one read returns.
pub const ENTRIES_READ_MAX: usize = 10_000;

/// The detail of [`EventKind::Started`] and [`EventKind::Reloaded`] that holds the settings in force, one `path=value` each.
/// A start whose site file is that of the start before may leave it out.
pub const SETTINGS_DETAIL: &str = "settings";

/// An entry as it lies in the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptEntry {
    /// What it says.
    pub entry: JournalEntry,
    /// The text that was hashed, byte for byte.
    pub text: String,
}

/// Reads the journal, beside the daemon or without one. Cheap to clone.
#[derive(Debug, Clone)]
pub struct JournalReader {
    path: PathBuf,
}

impl JournalReader {
    /// A reader of the journal in the data directory `dir`.
    pub fn new(dir: &Path) -> Self {
        JournalReader { path: dir.join(JOURNAL_FILE) }
    }

    /// A reader of a journal that was moved aside ([`crate::history::Replaced`]). What it says may be
    /// incomplete, and nothing vouches for it.
    pub fn moved_aside(path: &Path) -> Self {
        JournalReader { path: path.to_owned() }
    }

    /// Entries with `seq > after`, at most `limit` and [`ENTRIES_READ_MAX`], in order.
    pub fn read(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, ReadError> {
        let after = i64::try_from(after).unwrap_or(i64::MAX);
        self.select("SELECT text, hash FROM event WHERE seq > ?1 ORDER BY seq LIMIT ?2", (after, rows(limit)))
    }

    /// The same, each with the text that was hashed.
    pub fn read_kept(&self, after: u64, limit: usize) -> Result<Vec<KeptEntry>, ReadError> {
        let after = i64::try_from(after).unwrap_or(i64::MAX);
        let read = || -> rusqlite::Result<Vec<KeptEntry>> {
            let db: Connection = file::open_read_only(&self.path)?;
            let mut select =
                db.prepare("SELECT text, hash FROM event WHERE seq > ?1 ORDER BY seq LIMIT ?2")?;
            let kept = |row: &Row<'_>| Ok(KeptEntry { entry: entry(row)?, text: row.get(0)? });
            select.query_map((after, rows(limit)), kept)?.collect()
        };
        read().map_err(|error| ReadError::new(&self.path, error))
    }

    /// The last `limit` entries, at most [`ENTRIES_READ_MAX`], in order.
    pub fn read_last(&self, limit: usize) -> Result<Vec<JournalEntry>, ReadError> {
        let mut entries =
            self.select("SELECT text, hash FROM event ORDER BY seq DESC LIMIT ?1", [rows(limit)])?;
        entries.reverse();
        Ok(entries)
    }

    /// What the state of every alarm is folded from at start: for each alarm the last event of each
    /// kind, in order. Older ones cannot matter: a raise makes everything before it void, and between
    /// two raises each kind of event means something once.
    pub fn recorded_alarm_events(&self) -> Result<Vec<JournalEntry>, ReadError> {
        let kinds = EventKind::ALL.iter().filter(|kind| kind.is_about_alarm());
        let kinds: Vec<String> = kinds.map(|kind| format!("'{}'", kind.word())).collect();
        let kinds = kinds.join(", ");
        self.select(
            &format!(
                "SELECT text, hash FROM event WHERE seq IN
                    (SELECT max(seq) FROM event WHERE kind IN ({kinds}) GROUP BY kind, subject)
                 ORDER BY seq"
            ),
            [],
        )
    }

    /// Hands each entry of these kinds to `take`, in order, one at a time.
    pub fn each(&self, kinds: &[EventKind], mut take: impl FnMut(&JournalEntry)) -> Result<(), ReadError> {
        let kinds: Vec<String> = kinds.iter().map(|kind| format!("'{}'", kind.word())).collect();
        let sql = format!("SELECT text, hash FROM event WHERE kind IN ({}) ORDER BY seq", kinds.join(", "));
        let mut read = || -> rusqlite::Result<()> {
            let db: Connection = file::open_read_only(&self.path)?;
            let mut select = db.prepare(&sql)?;
            select.query_map([], entry)?.try_for_each(|entry| entry.map(|entry| take(&entry)))
        };
        read().map_err(|error| ReadError::new(&self.path, error))
    }

    /// The last start; `None` when the journal knows of none.
    pub fn last_start(&self) -> Result<Option<JournalEntry>, ReadError> {
        let started = EventKind::Started.word();
        let last = "SELECT text, hash FROM event WHERE kind = ?1 ORDER BY seq DESC LIMIT 1";
        Ok(self.select(last, [started])?.pop())
    }

    /// The settings that the last start or reload recorded, by path; `None` when none recorded any.
    pub fn last_settings(&self) -> Result<Option<BTreeMap<String, String>>, ReadError> {
        let last = "SELECT text, hash FROM event
                    WHERE kind IN (?1, ?2) AND json_type(text, '$[7].' || ?3) = 'array'
                    ORDER BY seq DESC LIMIT 1";
        let kinds = [EventKind::Started.word(), EventKind::Reloaded.word()];
        let last = self.select(last, [kinds[0], kinds[1], SETTINGS_DETAIL])?.pop();
        Ok(last.and_then(|start| start.detail.get(SETTINGS_DETAIL).and_then(settings_from_detail)))
    }

    fn select(&self, sql: &str, params: impl Params) -> Result<Vec<JournalEntry>, ReadError> {
        let read = || -> rusqlite::Result<Vec<JournalEntry>> {
            let db: Connection = file::open_read_only(&self.path)?;
            let mut select = db.prepare(sql)?;
            select.query_map(params, entry)?.collect()
        };
        read().map_err(|error| ReadError::new(&self.path, error))
    }
}

/// Settings as the detail [`SETTINGS_DETAIL`] of a start.
pub fn settings_as_detail(settings: &[(String, String)]) -> Detail {
    Detail::List(settings.iter().map(|(path, value)| format!("{path}={value}")).collect())
}

/// The settings by path that [`settings_as_detail`] made a detail of; `None` where it is no list.
pub fn settings_from_detail(detail: &serde_json::Value) -> Option<BTreeMap<String, String>> {
    let settings = detail.as_array()?.iter().filter_map(|setting| setting.as_str()?.split_once('='));
    Some(settings.map(|(path, value)| (path.to_owned(), value.to_owned())).collect())
}

fn entry(row: &Row<'_>) -> rusqlite::Result<JournalEntry> {
    let text: String = row.get(0)?;
    parse_entry(&text, row.get(1)?).map_err(|what| {
        rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Text, what.into())
    })
}

fn rows(limit: usize) -> i64 {
    i64::try_from(limit.min(ENTRIES_READ_MAX)).unwrap_or(i64::MAX)
}
