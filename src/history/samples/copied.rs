//! What somebody needs to know who copies the history elsewhere, piece by piece and over years: which file
//! it is, how far it has come, and which minutes were written out of their order.
//!
//! A minute is written once it is over, and then stays as it is, unless the wall clock is set back: then
//! samples are put into minutes that were written long ago, and each time that is noted under a number.

use std::ops::Range;

use rusqlite::{Connection, OptionalExtension};

use crate::history::samples::SampleReader;
use crate::history::samples::held::{MINUTE_MS, wall};
use crate::history::{ReadError, file};
use crate::moment::Wall;

/// The most late minutes that one read returns.
pub const LATE_MINUTES_READ_MAX: usize = 1_000;

/// How far a history has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reach {
    /// The name that the file got when it was begun: one begun anew has another.
    pub token: String,
    /// From the first minute that is written to the end of the last; `None` while there is none.
    pub written: Option<Range<Wall>>,
    /// The number of the last minute that was written out of its order; 0 when none was.
    pub late_last: u64,
}

impl SampleReader {
    /// How far the history has come: what is told together was so at one time.
    pub fn reach(&self) -> Result<Reach, ReadError> {
        let read = || {
            let db: Connection = file::open_read_only(self.path())?;
            db.query_row(
                "SELECT (SELECT token FROM origin), (SELECT min(id) >> 10 FROM minute),
                    (SELECT max(id) >> 10 FROM minute),
                    coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'late_minute'), 0)",
                [],
                |row| {
                    let minutes: (Option<i64>, Option<i64>) = (row.get(1)?, row.get(2)?);
                    let written = minutes.0.zip(minutes.1);
                    let late_last = u64::try_from(row.get::<_, i64>(3)?).unwrap_or(0);
                    let at = |minute: i64| wall(minute * MINUTE_MS);
                    let written = written.map(|(first, last)| at(first)..at(last + 1));
                    Ok(Reach { token: row.get(0)?, written, late_last })
                },
            )
        };
        read().map_err(|error| ReadError::new(self.path(), error))
    }

    /// The beginning of the first minute from a time on that is written.
    pub fn next_minute(&self, from: Wall) -> Result<Option<Wall>, ReadError> {
        let read = || -> rusqlite::Result<Option<i64>> {
            let db: Connection = file::open_read_only(self.path())?;
            let from = from.as_millisecond().div_euclid(MINUTE_MS) << 10;
            let next = "SELECT id >> 10 FROM minute WHERE id >= ?1 ORDER BY id LIMIT 1";
            db.query_row(next, [from], |row| row.get(0)).optional()
        };
        let next = read().map_err(|error| ReadError::new(self.path(), error))?;
        Ok(next.map(|minute| wall(minute * MINUTE_MS)))
    }

    /// The minutes that were written out of their order after the one with this number, each with its
    /// number: at most [`LATE_MINUTES_READ_MAX`], in the order in which they were written.
    pub fn late_minutes(&self, after: u64) -> Result<Vec<(u64, Wall)>, ReadError> {
        let read = || {
            let db: Connection = file::open_read_only(self.path())?;
            let mut select = db.prepare(
                "SELECT number, minute FROM late_minute WHERE number > ?1 ORDER BY number LIMIT ?2",
            )?;
            let limit = i64::try_from(LATE_MINUTES_READ_MAX).unwrap_or(i64::MAX);
            let late = select.query_map((i64::try_from(after).unwrap_or(i64::MAX), limit), |row| {
                let (number, minute): (i64, i64) = (row.get(0)?, row.get(1)?);
                Ok((u64::try_from(number).unwrap_or(0), wall(minute * MINUTE_MS)))
            })?;
            late.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|error| ReadError::new(self.path(), error))
    }
}
