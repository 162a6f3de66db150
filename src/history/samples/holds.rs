//! For how long a value of a signal counts when none follows it, and since when.
//!
//! The site file's `stale_after` may be changed. A value goes on counting by what was in force when it was read,
//! so that the figures of a time that is over stay what they were, and hours that were summed up then agree with
//! samples that are looked at now. What was in force before lies in the file; nothing here knows the site file.

use std::time::Duration;

use rusqlite::{Connection, Transaction};

use crate::history::samples::held::wall;
use crate::history::samples::table::{Number, has_table};
use crate::moment::Wall;

/// The fourth layout: what was in force until when, where it was changed.
pub(super) const WHAT_HELD_BEFORE: &str = "
    CREATE TABLE held_before (
        id       INTEGER PRIMARY KEY,
        signal   INTEGER NOT NULL REFERENCES signal (id),
        until_ms INTEGER NOT NULL,
        hold_ms  INTEGER NOT NULL
    ) STRICT;
";

/// What was, and is, in force for one signal.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Holds {
    /// Until when, in the order of time, and for how long a value counted until then.
    before_ms: Vec<(i64, i64)>,
    now_ms: i64,
}

impl Holds {
    /// For how long a value that was read at this time counts.
    pub fn at(&self, read: Wall) -> Duration {
        duration(self.at_ms(read.as_millisecond()))
    }

    /// For how long a value counts that is read now.
    pub fn now(&self) -> Duration {
        duration(self.now_ms)
    }

    /// Until when, in the order of time, another time was in force, and which.
    pub fn before(&self) -> impl Iterator<Item = (Wall, Duration)> {
        self.before_ms.iter().map(|(until, hold)| (wall(*until), duration(*hold)))
    }

    /// The same ever since.
    #[cfg(test)]
    pub(super) fn always(hold_ms: i64) -> Self {
        Holds { before_ms: Vec::new(), now_ms: hold_ms }
    }

    /// Of the signal with this number, for which `now_ms` is in force now.
    pub(super) fn read(db: &Connection, signal: Number, now_ms: i64) -> rusqlite::Result<Self> {
        if !has_table(db, "held_before")? {
            return Ok(Holds { before_ms: Vec::new(), now_ms });
        }
        let mut select = db.prepare_cached(
            "SELECT until_ms, hold_ms FROM held_before WHERE signal = ?1 ORDER BY until_ms, id",
        )?;
        let before = select.query_map([signal], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(Holds { before_ms: before.collect::<rusqlite::Result<_>>()?, now_ms })
    }

    pub(super) fn at_ms(&self, read_ms: i64) -> i64 {
        let before = self.before_ms.iter().find(|(until, _)| read_ms < *until);
        before.map_or(self.now_ms, |(_, hold)| *hold)
    }

    /// The same, where it is one for all times from the first to the last.
    pub(super) fn throughout(&self, first_ms: i64, last_ms: i64) -> Option<i64> {
        let changes = self.before_ms.iter().any(|(until, _)| first_ms < *until && *until <= last_ms);
        (!changes).then(|| self.at_ms(first_ms))
    }

    /// The longest that ever was in force.
    pub(super) fn longest_ms(&self) -> i64 {
        self.before_ms.iter().map(|(_, hold)| *hold).fold(self.now_ms, i64::max)
    }
}

/// Keeps what is in force for the signal `name`, should that be something else than `hold_ms` from `now` on.
pub(super) fn keep_changed(
    db: &Transaction<'_>,
    name: &str,
    hold_ms: i64,
    now: Wall,
) -> rusqlite::Result<()> {
    // A clock that was set back must not put the later change before the earlier one.
    db.execute(
        "INSERT INTO held_before (signal, until_ms, hold_ms)
         SELECT id, max(?3, coalesce((SELECT max(until_ms) FROM held_before WHERE signal = signal.id), ?3)), hold_ms
         FROM signal WHERE name = ?1 AND hold_ms <> ?2 AND hold_ms > 0",
        (name, hold_ms, now.as_millisecond()),
    )?;
    Ok(())
}

fn duration(ms: i64) -> Duration {
    Duration::from_millis(u64::try_from(ms).unwrap_or(0))
}
