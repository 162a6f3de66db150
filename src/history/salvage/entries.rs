//! The journal's part of a salvage: entries that were found become a journal of their own.
//!
//! An entry goes in as it was recorded, with its number, its text and its hash. Where the one before it
//! is there, the chain proves it, and one that does not fit is left out. The first after a gap is proven by
//! none, but the next one proves its hash. `siskin verify` names the first gap of the new file, as it must.

use std::path::Path;

use rusqlite::Connection;

use crate::history::chain::{Head, link, parse_entry};
use crate::history::file::{Flaw, OwnFile, refusal};
use crate::history::journal::LAYOUT;
use crate::history::salvage::pages::{FoundRow, Pages, Stored};
use crate::history::salvage::{EntryGap, Failed, SalvageError, SalvagedJournal};
use crate::history::seq_of_row;
use crate::moment::Wall;

/// Whether a row is an entry of the journal.
pub(super) fn is_entry(row: &FoundRow) -> bool {
    entry(row).is_some()
}

/// Number, text and hash.
fn entry(row: &FoundRow) -> Option<(i64, &str, &str)> {
    match (row.number, row.columns.as_slice()) {
        (Some(seq @ 1..), [Stored::Null, Stored::Text(text), Stored::Text(hash)])
            if text.starts_with('[') && hash.len() == Head::default().hash.len() =>
        {
            Some((seq, text, hash))
        }
        _ => None,
    }
}

/// Puts the entries that can be read from the pages into a new journal at `to`.
pub(super) fn salvage(
    pages: &Pages,
    from: &Path,
    to: &Path,
    now: Wall,
) -> Result<SalvagedJournal, SalvageError> {
    let (mut file, _) = OwnFile::open(to, &LAYOUT, now)?;
    let written = |flaw: Flaw| SalvageError::Target(refusal(to, flaw));
    let db = file.db().map_err(written)?;
    // In order they are only once all were found.
    let found = "CREATE TEMP TABLE found (seq INTEGER PRIMARY KEY, text TEXT NOT NULL, hash TEXT NOT NULL)";
    db.execute_batch(found).map_err(|error| written(error.into()))?;
    let count = pages.rows(|row| -> Result<(), Failed> {
        if let Some(entry) = entry(&row) {
            db.prepare_cached("INSERT OR IGNORE INTO found VALUES (?1, ?2, ?3)")?.execute(entry)?;
        }
        Ok(())
    });
    let count = count.map_err(|failed| failed.told(from, to))?;
    let salvaged = chain_up(db).map_err(|error| written(error.into()))?;
    Ok(SalvagedJournal { pages: count.pages, pages_unreadable: count.unreadable, ..salvaged })
}

/// Appends what was found, in order, as far as the chain does not speak against it.
fn chain_up(db: &mut Connection) -> rusqlite::Result<SalvagedJournal> {
    let transaction = db.transaction()?;
    let mut salvaged = SalvagedJournal::default();
    {
        let mut insert = transaction.prepare("INSERT INTO event (seq, text, hash) VALUES (?1, ?2, ?3)")?;
        let mut select = transaction.prepare("SELECT seq, text, hash FROM found ORDER BY seq")?;
        let mut rows = select.query([])?;
        let (mut head, mut time) = (Head::default(), None);
        while let Some(row) = rows.next()? {
            let (row_number, text, hash): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let seq = seq_of_row(row_number);
            let follows = seq == head.seq + 1;
            let parsed = parse_entry(&text, hash.clone()).ok().filter(|entry| entry.seq == seq);
            let sound = parsed.filter(|_| !follows || link(&head.hash, &text) == hash);
            let Some(entry) = sound else {
                salvaged.left_out += 1;
                continue;
            };
            if !follows {
                let (first_seq, last_seq) = (head.seq + 1, seq - 1);
                salvaged.gaps.push(EntryGap { first_seq, last_seq, from: time, to: entry.time });
            }
            insert.execute((row_number, &text, &hash))?;
            salvaged.entries += 1;
            salvaged.proven += u64::from(follows);
            (head, time) = (Head { seq, hash }, Some(entry.time));
        }
    }
    transaction.commit()?;
    Ok(salvaged)
}
