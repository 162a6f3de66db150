//! The journal file: events in the order in which they were recorded, each chained to the one before.
//!
//! Rows are appended and never touched again. What is stored is the text that was hashed; the other
//! columns are computed from it by SQLite itself, so they cannot say anything else. This is the
//! writer's side; readers come through [`super::JournalReader`].

use std::io;
use std::path::Path;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior};

use crate::history::chain::{Head, entry_text, link, parse_entry};
use crate::history::file::{Flaw, Layout, OwnFile, Replaced};
use crate::history::{OpenError, seq_of_row};
use crate::moment::Wall;
use crate::monitor::Event;

/// The journal's name in the data directory.
pub const JOURNAL_FILE: &str = "journal.db";

/// Entries at the end of the chain that are checked each time the journal is opened.
const CHECKED_AT_OPEN: i64 = 1_000;

pub(super) static LAYOUT: Layout = Layout {
    application_id: 0x5373_6b4a, // "SskJ"
    page_bytes: None,
    migrations: &["
        CREATE TABLE event (
            seq     INTEGER PRIMARY KEY,
            text    TEXT NOT NULL,
            hash    TEXT NOT NULL,
            kind    TEXT GENERATED ALWAYS AS (text ->> '$[3]') VIRTUAL,
            subject TEXT GENERATED ALWAYS AS (text ->> '$[4]') VIRTUAL
        ) STRICT;
        CREATE INDEX event_by_kind ON event (kind, subject);
        CREATE TRIGGER event_never_changed BEFORE UPDATE ON event
            BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
        CREATE TRIGGER event_never_deleted BEFORE DELETE ON event
            BEGIN SELECT raise(ABORT, 'the journal is append-only'); END;
        CREATE VIEW journal AS SELECT
            seq, text ->> '$[1]' AS time, text ->> '$[2]' AS mono_ms, kind, subject,
            text ->> '$[5]' AS user, text ->> '$[6]' AS name, text -> '$[7]' AS detail, hash
            FROM event;
    "],
    check: check_tail,
};

/// The journal, open for appending.
pub(super) struct Journal {
    file: OwnFile,
}

impl Journal {
    /// Opens or begins the journal at `path`; a damaged one is moved aside.
    pub(super) fn open(path: &Path, now: Wall) -> Result<(Journal, Option<Replaced>), OpenError> {
        let (file, replaced) = OwnFile::open(path, &LAYOUT, now)?;
        Ok((Journal { file }, replaced))
    }

    /// The end of the chain.
    pub(super) fn head(&mut self) -> Result<Head, Flaw> {
        Ok(head(self.file.db()?)?)
    }

    /// When its first entry was recorded; `None` when it has none.
    pub(super) fn began(&mut self) -> Result<Option<Wall>, Flaw> {
        let first = "SELECT text ->> '$[1]' FROM event WHERE seq = 1";
        let time: Option<String> = self.file.db()?.query_row(first, [], |row| row.get(0)).optional()?;
        Ok(time.and_then(|time| time.parse().ok()))
    }

    /// Appends the events in one transaction; returns each batch's numbers and the new head. When
    /// it returns, they are on the disk.
    pub(super) fn append(&mut self, batches: &[Arc<[Event]>]) -> Result<(Vec<Vec<u64>>, Head), Flaw> {
        let transaction = self.file.db()?.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Read anew each time: after a failed commit nothing remembered could be wrong.
        let mut end = head(&transaction)?;
        let mut insert =
            transaction.prepare_cached("INSERT INTO event (seq, text, hash) VALUES (?1, ?2, ?3)")?;
        let mut append = |event: &Event| -> rusqlite::Result<u64> {
            let seq = end.seq + 1;
            let text = entry_text(seq, event);
            let hash = link(&end.hash, &text);
            insert.execute((i64::try_from(seq).unwrap_or(i64::MAX), &text, &hash))?;
            end = Head { seq, hash };
            Ok(seq)
        };
        let numbers: rusqlite::Result<Vec<Vec<u64>>> =
            batches.iter().map(|batch| batch.iter().map(&mut append).collect()).collect();
        let numbers = numbers?;
        drop(insert);
        transaction.commit()?;
        Ok((numbers, end))
    }

    /// Moves a damaged journal aside while the daemon runs; the next append begins a new one.
    pub(super) fn move_aside(&mut self, cause: String, now: Wall) -> io::Result<Replaced> {
        self.file.move_aside(cause, now)
    }
}

fn head(db: &Connection) -> rusqlite::Result<Head> {
    let last = db
        .prepare_cached("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1")?
        .query_row([], |row| Ok(Head { seq: seq_of_row(row.get(0)?), hash: row.get(1)? }))
        .optional()?;
    Ok(last.unwrap_or_default())
}

/// Recomputes the end of the chain.
fn check_tail(db: &Connection) -> Result<(), Flaw> {
    let end = head(db)?.seq;
    let first = i64::try_from(end).unwrap_or(i64::MAX).saturating_sub(CHECKED_AT_OPEN).max(0);
    let mut tail = db.prepare("SELECT seq, text, hash FROM event WHERE seq >= ?1 ORDER BY seq")?;
    let mut rows = tail.query([first])?;
    let mut previous = (first == 0).then(Head::default);
    while let Some(row) = rows.next()? {
        let (seq, text, hash): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let seq = seq_of_row(seq);
        if let Some(previous) = previous {
            let sound = seq == previous.seq + 1 && hash == link(&previous.hash, &text);
            if !sound {
                return Err(Flaw::Damaged(format!("the hash chain is broken at entry {seq}")));
            }
        }
        if let Err(what) = parse_entry(&text, String::new()) {
            return Err(Flaw::Damaged(format!("entry {seq}: {what}")));
        }
        previous = Some(Head { seq, hash });
    }
    Ok(())
}
