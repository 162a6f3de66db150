//! The history file: samples as they were judged, one row each, in the order in which they came.
//!
//! [`SampleStore`] is the writing side, [`SampleReader`] the reading one; how samples lie in the file is
//! known here only. Numbers are stored as the 64-bit floats they are, flags as integers, so the type of
//! `value` tells which; a bad sample has no value. What was written together is one `span` of ids and
//! times, by which it is found: an index by signal would touch a page for each signal at each write, and
//! cost seven times as much writing in all. Samples past their age or over the size are given up
//! oldest first, in slices; freed pages are used again, and the file is never rebuilt.

mod held;

pub use held::Bucket;

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::types::{ToSql, ToSqlOutput, ValueRef};
use rusqlite::{Connection, TransactionBehavior};

use crate::history::file::{self, Flaw, Layout, OwnFile, Replaced, refusal};
use crate::history::{OpenError, ReadError};
use crate::moment::Wall;
use crate::signal::{Reason, Reasons, Sample, SignalIndex, Value};

/// The history's name in the data directory.
pub const HISTORY_FILE: &str = "history.db";

/// The most samples that one read returns: more than a day at one a second.
pub const SAMPLES_READ_MAX: usize = 100_000;

/// The most buckets in one answer.
pub const BUCKETS_MAX: usize = 5_000;

/// Share of the size limit, in percent, that is filled before the oldest samples are given up: a
/// completely full file could not even delete.
const FILLED_PERCENT_MAX: i64 = 90;
/// The smallest file that is of any use.
const PAGES_MIN: i64 = 64;

static LAYOUT: Layout = Layout {
    application_id: 0x5373_6b48, // "SskH"
    migrations: &["
        CREATE TABLE signal (
            id   INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE
        ) STRICT;
        CREATE TABLE sample (
            id      INTEGER PRIMARY KEY,
            signal  INTEGER NOT NULL REFERENCES signal (id),
            time_ms INTEGER NOT NULL,
            value   ANY,
            reasons INTEGER NOT NULL
        ) STRICT;
        CREATE TABLE span (
            last_id  INTEGER PRIMARY KEY,
            first_id INTEGER NOT NULL,
            from_ms  INTEGER NOT NULL,
            to_ms    INTEGER NOT NULL
        ) STRICT;
        CREATE INDEX span_by_time ON span (to_ms, from_ms);
        CREATE TABLE reason (
            bit  INTEGER PRIMARY KEY,
            word TEXT NOT NULL
        ) STRICT;
        CREATE VIEW samples AS SELECT
            signal.name AS signal, strftime('%Y-%m-%dT%H:%M:%fZ', time_ms / 1000.0, 'unixepoch') AS time, value,
            (SELECT group_concat(word, ' ') FROM reason WHERE reasons & bit) AS reasons
            FROM sample JOIN signal ON signal.id = sample.signal;
    "],
    check,
};

/// A sample as it is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeptSample {
    /// When the value was read, by the wall clock, to the millisecond.
    pub time: Wall,
    /// The value; `None` when the quality was bad.
    pub value: Option<Value>,
    /// Why the sample was not good.
    pub reasons: Reasons,
}

/// How much the history may hold.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    /// Older samples are given up.
    pub(super) keep: Duration,
    /// The most bytes the file may take.
    pub(super) max_size_bytes: u64,
}

/// The history, open for writing.
pub(super) struct SampleStore {
    file: OwnFile,
    bounds: Bounds,
    /// The ids of the site's signals, in site order.
    signals: Vec<String>,
    /// What the file has to be told and asked once it is open.
    known: Option<Known>,
}

/// What is known of the open file.
struct Known {
    /// The key of each signal, in site order.
    keys: Vec<i64>,
    /// The most pages the file may have.
    pages_max: i64,
}

impl SampleStore {
    /// Opens or begins the history at `path`; a damaged one is moved aside.
    pub(super) fn open(
        path: &Path,
        signals: Vec<String>,
        bounds: Bounds,
        now: Wall,
    ) -> Result<(SampleStore, Option<Replaced>), OpenError> {
        let (file, replaced) = OwnFile::open(path, &LAYOUT, now)?;
        let mut store = SampleStore { file, bounds, signals, known: None };
        store.open_file().map_err(|flaw| refusal(path, flaw))?;
        Ok((store, replaced))
    }

    /// Keeps the samples, in one transaction. When it returns, they are on the disk.
    pub(super) fn keep<'a>(
        &mut self,
        samples: impl Iterator<Item = &'a (SignalIndex, Sample)>,
    ) -> Result<(), Flaw> {
        let (db, known) = self.open_file()?;
        let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut insert = transaction
            .prepare_cached("INSERT INTO sample (signal, time_ms, value, reasons) VALUES (?1, ?2, ?3, ?4)")?;
        for (signal, sample) in samples {
            let Some(key) = known.keys.get(signal.0) else { continue };
            let time_ms = sample.at.wall.as_millisecond();
            insert.execute((key, time_ms, sample.value().map(Stored), sample.reasons().bits()))?;
        }
        drop(insert);
        transaction.execute(
            "INSERT INTO span SELECT max(id), min(id), min(time_ms), max(time_ms) FROM sample
             WHERE id > (SELECT coalesce(max(last_id), 0) FROM span) HAVING count(*) > 0",
            [],
        )?;
        Ok(transaction.commit()?)
    }

    /// Gives up the oldest samples when they are past their age, or the file is nearly as large as it
    /// may be: at most `rows_max` of them. Somewhat more than came in is enough, and keeps a clock that
    /// was set wrong for an hour from emptying the file.
    pub(super) fn trim(&mut self, now: Wall, rows_max: usize) -> Result<(), Flaw> {
        let keep = self.bounds.keep;
        let (db, known) = self.open_file()?;
        let oldest_kept = if is_nearly_full(db, known.pages_max)? {
            i64::MAX
        } else {
            now.checked_sub(keep).unwrap_or(Wall::MIN).as_millisecond()
        };
        db.prepare_cached(
            "DELETE FROM sample WHERE time_ms < ?1 AND id IN (SELECT id FROM sample ORDER BY id LIMIT ?2)",
        )?
        .execute((oldest_kept, i64::try_from(rows_max).unwrap_or(i64::MAX)))?;
        db.prepare_cached("DELETE FROM span WHERE last_id < (SELECT min(id) FROM sample)")?.execute([])?;
        Ok(())
    }

    /// Moves a damaged history aside while the daemon runs; the next sample begins a new one.
    pub(super) fn move_aside(&mut self, cause: String, now: Wall) -> io::Result<Replaced> {
        self.known = None;
        self.file.move_aside(cause, now)
    }

    fn open_file(&mut self) -> Result<(&mut Connection, &Known), Flaw> {
        let db = self.file.db()?;
        let known = match self.known.take() {
            Some(known) => known,
            None => Known {
                pages_max: limit_size(db, self.bounds.max_size_bytes)?,
                keys: learn_names(db, &self.signals)?,
            },
        };
        Ok((db, self.known.insert(known)))
    }
}

/// Reads the history, beside the daemon or without one. Cheap to clone.
#[derive(Debug, Clone)]
pub struct SampleReader {
    path: PathBuf,
}

impl SampleReader {
    /// A reader of the history in the data directory `dir`.
    pub fn new(dir: &Path) -> Self {
        SampleReader { path: dir.join(HISTORY_FILE) }
    }

    /// The samples of the signal `device.signal` with `from <= time < to`, by time; at most
    /// [`SAMPLES_READ_MAX`].
    pub fn samples(&self, signal: &str, from: Wall, to: Wall) -> Result<Vec<KeptSample>, ReadError> {
        self.read(signal, from, to).map_err(|error| ReadError::new(&self.path, error))
    }

    /// What is known of the signal `device.signal` between `from` and `to`, in at most `points` buckets
    /// that follow one another.
    pub fn buckets(
        &self,
        signal: &str,
        from: Wall,
        to: Wall,
        points: usize,
    ) -> Result<Vec<Bucket>, ReadError> {
        let samples = self.samples(signal, from, to)?;
        let edges = held::edges(from.as_millisecond(), to.as_millisecond(), points.min(BUCKETS_MAX));
        let mut course = held::Course::new(edges, 5_000);
        for sample in samples {
            let value = sample.value.map(|value| match value {
                Value::Number(number) => number,
                Value::Flag(flag) => f64::from(u8::from(flag)),
            });
            course.sample(sample.time.as_millisecond(), value);
        }
        Ok(course.into_buckets())
    }

    fn read(&self, signal: &str, from: Wall, to: Wall) -> rusqlite::Result<Vec<KeptSample>> {
        let db = file::open_read_only(&self.path)?;
        // The plus keeps SQLite from building an index by signal over the whole file for one read.
        let mut select = db.prepare(
            "SELECT time_ms, value, reasons FROM span CROSS JOIN sample ON id BETWEEN first_id AND last_id
             WHERE to_ms >= ?2 AND from_ms < ?3
             AND +signal = (SELECT id FROM signal WHERE name = ?1) AND time_ms >= ?2 AND time_ms < ?3
             ORDER BY time_ms, id LIMIT ?4",
        )?;
        let limit = i64::try_from(SAMPLES_READ_MAX).unwrap_or(i64::MAX);
        let rows = select.query_map((signal, from.as_millisecond(), to.as_millisecond(), limit), |row| {
            Ok(KeptSample {
                time: Wall::from_millisecond(row.get(0)?).unwrap_or(Wall::UNIX_EPOCH),
                value: restore(row.get_ref(1)?),
                reasons: Reasons::from_bits(row.get(2)?),
            })
        })?;
        rows.collect()
    }
}

/// A value on its way into the file.
struct Stored(Value);

impl ToSql for Stored {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self.0 {
            Value::Number(number) => number.into(),
            Value::Flag(flag) => i64::from(flag).into(),
        })
    }
}

fn restore(stored: ValueRef<'_>) -> Option<Value> {
    match stored {
        ValueRef::Real(number) => Some(Value::Number(number)),
        ValueRef::Integer(flag) => Some(Value::Flag(flag != 0)),
        ValueRef::Null | ValueRef::Text(_) | ValueRef::Blob(_) => None,
    }
}

/// The key of each signal; new signals are given one.
fn learn_names(db: &mut Connection, signals: &[String]) -> rusqlite::Result<Vec<i64>> {
    let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut keys = Vec::with_capacity(signals.len());
    for name in signals {
        transaction.execute("INSERT OR IGNORE INTO signal (name) VALUES (?1)", [name])?;
        keys.push(transaction.query_row("SELECT id FROM signal WHERE name = ?1", [name], |row| row.get(0))?);
    }
    for reason in Reason::ALL {
        let bit = Reasons::one(reason).bits();
        transaction.execute("INSERT OR IGNORE INTO reason VALUES (?1, ?2)", (bit, reason.word()))?;
    }
    transaction.commit()?;
    Ok(keys)
}

fn is_nearly_full(db: &Connection, pages_max: i64) -> rusqlite::Result<bool> {
    let pages: i64 = db.pragma_query_value(None, "page_count", |row| row.get(0))?;
    let free: i64 = db.pragma_query_value(None, "freelist_count", |row| row.get(0))?;
    Ok(pages - free > pages_max / 100 * FILLED_PERCENT_MAX)
}

/// Sets the hard stop on the file's size, and returns it in pages.
fn limit_size(db: &Connection, max_size_bytes: u64) -> rusqlite::Result<i64> {
    let page_bytes: u32 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    let pages = i64::try_from(max_size_bytes / u64::from(page_bytes.max(1))).unwrap_or(i64::MAX);
    // SQLite numbers pages with 32 bits.
    let pages = pages.clamp(PAGES_MIN, i64::from(u32::MAX) - 1);
    db.pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))?;
    Ok(pages)
}

fn check(db: &Connection) -> Result<(), Flaw> {
    db.query_row("SELECT count(name) FROM signal", [], |_| Ok(()))?;
    let mut ends = db.prepare(
        "SELECT signal, time_ms, value, reasons FROM (SELECT * FROM sample ORDER BY id DESC LIMIT 1000)
         UNION ALL SELECT signal, time_ms, value, reasons FROM (SELECT * FROM sample ORDER BY id LIMIT 1000)",
    )?;
    let mut rows = ends.query([])?;
    while rows.next()?.is_some() {}
    Ok(())
}
