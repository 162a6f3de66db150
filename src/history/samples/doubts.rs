//! In which hours a signal was measured by uncertain values. The sums of an hour do not tell; its rows do,
//! and where one is good throughout, it has nothing to say of it. One look over all rows costs less than
//! going along each signal.

use std::collections::{HashMap, HashSet};
use std::ops::Range;

use rusqlite::Connection;

use crate::history::ReadError;
use crate::history::samples::SampleReader;
use crate::history::samples::held::{HOUR_MS, MINUTE_MS};
use crate::history::samples::row::has_uncertain;
use crate::history::samples::table::{Number, first_id, minute_and_signal};
use crate::moment::Wall;

/// The hours of some time that hold an uncertain value, by signal.
#[derive(Debug, Clone, Default)]
pub struct Doubts(HashMap<Number, HashSet<i64>>);

impl SampleReader {
    /// In which hours between two times any signal was measured by an uncertain value.
    pub fn doubts(&self, span: Range<Wall>) -> Result<Doubts, ReadError> {
        let minute = |at: Wall| at.as_millisecond().div_euclid(MINUTE_MS);
        self.read(|db| Doubts::read(db, first_id(minute(span.start))..first_id(minute(span.end) + 1)))
    }
}

impl Doubts {
    /// Of the rows with these numbers.
    fn read(db: &Connection, ids: Range<i64>) -> rusqlite::Result<Self> {
        let mut select =
            db.prepare_cached("SELECT id, runs FROM minute WHERE id >= ?1 AND id < ?2 AND runs IS NOT NULL")?;
        let mut rows = select.query((ids.start, ids.end))?;
        let mut doubts = Doubts::default();
        while let Some(row) = rows.next()? {
            let (minute, signal) = minute_and_signal(row.get(0)?);
            if has_uncertain(row.get_ref(1)?.as_blob()?) {
                doubts.0.entry(signal).or_default().insert((minute * MINUTE_MS).div_euclid(HOUR_MS));
            }
        }
        Ok(doubts)
    }

    /// Whether this hour of the signal holds an uncertain value.
    pub(super) fn lie_in(&self, signal: Number, hour: i64) -> bool {
        self.0.get(&signal).is_some_and(|hours| hours.contains(&hour))
    }
}
