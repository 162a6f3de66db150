//! Hours: what the minutes of an hour come to, per signal, written once the hour is over.
//!
//! An hour whose minutes have been written and whose sums have not stands in `open_hour`. So a reader
//! knows which hours to put together from their minutes, and a daemon that was killed finds what is
//! left to do. An hour is made of nothing but its minutes, and can be made again from them at any time.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Row};

use crate::history::samples::days;
use crate::history::samples::held::{Course, HOUR_MS, Held, MINUTE_MS, Stretch, Totals};
use crate::history::samples::holds::Holds;
use crate::history::samples::store::OpenMinutes;
use crate::history::samples::table::{COLUMNS, Codings, Number, Scan, first_id};

/// Minutes in an hour.
const MINUTES: i64 = HOUR_MS / MINUTE_MS;

/// The hour's sums have to be made, or made again, since this minute of it was written.
pub(super) fn reopen(db: &Connection, minute: i64) -> rusqlite::Result<()> {
    let hour = minute.div_euclid(MINUTES);
    let opened = db.prepare_cached("INSERT OR IGNORE INTO open_hour VALUES (?1)")?.execute([hour])?;
    if opened > 0 {
        db.prepare_cached("DELETE FROM hour WHERE signal IN (SELECT id FROM signal) AND hour = ?1")?
            .execute([hour])?;
        days::loosen(db, hour)?;
    }
    Ok(())
}

/// Writes the sums of the next hour that is over, if there is one: one at a time, so that it never
/// takes long.
pub(super) fn write_next(db: &Connection, codings: &Codings, open: OpenMinutes) -> rusqlite::Result<()> {
    let next: Option<i64> = db
        .prepare_cached(
            "SELECT hour FROM open_hour WHERE (hour + 1) * 60 <= ?1 OR hour * 60 > ?2 ORDER BY hour LIMIT 1",
        )?
        .query_row((open.first(), open.last()), |row| row.get(0))
        .optional()?;
    let Some(hour) = next else { return Ok(()) };
    let mut insert =
        db.prepare_cached("INSERT OR REPLACE INTO hour VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    for (signal, Stretch { first_ms, last, totals }) in sums(db, codings, hour)? {
        let (lo, hi) = totals.extremes.unzip();
        let in_hour = |at_ms: i64| at_ms - hour * HOUR_MS;
        let (first_ms, last_ms) = (in_hour(first_ms), in_hour(last.since_ms));
        let Totals { value_ms, measured_ms, .. } = totals;
        insert.execute((signal, hour, lo, hi, value_ms, measured_ms, first_ms, last_ms, last.value))?;
    }
    db.prepare_cached("DELETE FROM open_hour WHERE hour = ?1")?.execute([hour])?;
    Ok(())
}

/// Asks for the hours of a signal from one hour up to another, in their order, that are not open.
pub(super) const SUMMED_UP: &str =
    "SELECT hour, lo, hi, value_ms, measured_ms, first_ms, last_ms, last FROM hour
    WHERE signal = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour";

/// An hour of such a row, and what it comes to.
pub(super) fn summed_up(row: &Row<'_>) -> rusqlite::Result<(i64, Stretch)> {
    let hour: i64 = row.get(0)?;
    let (lo, hi): (Option<f64>, Option<f64>) = (row.get(1)?, row.get(2)?);
    let at = |in_hour_ms: i64| (hour * HOUR_MS).saturating_add(in_hour_ms);
    let totals = Totals { extremes: lo.zip(hi), value_ms: row.get(3)?, measured_ms: row.get(4)? };
    let last = Held { since_ms: at(row.get(6)?), value: row.get(7)? };
    Ok((hour, Stretch { first_ms: at(row.get(5)?), last, totals }))
}

/// The hours that have to be put together from their minutes.
pub(super) fn open(db: &Connection) -> rusqlite::Result<Vec<i64>> {
    db.prepare_cached("SELECT hour FROM open_hour")?.query_map([], |row| row.get(0))?.collect()
}

/// What the minutes of an hour come to.
fn sums(db: &Connection, codings: &Codings, hour: i64) -> rusqlite::Result<BTreeMap<Number, Stretch>> {
    let in_force: BTreeMap<Number, i64> = db
        .prepare_cached("SELECT id, hold_ms FROM signal")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let holds: BTreeMap<Number, Holds> = in_force
        .into_iter()
        .map(|(signal, now_ms)| Ok((signal, Holds::read(db, signal, now_ms)?)))
        .collect::<rusqlite::Result<_>>()?;
    let mut select =
        db.prepare_cached(&format!("SELECT {COLUMNS} FROM minute WHERE id >= ?1 AND id < ?2 ORDER BY id"))?;
    let minutes = (first_id(hour * MINUTES), first_id((hour + 1) * MINUTES));
    let mut scan = Scan::new(select.query(minutes)?, codings);
    let mut courses: BTreeMap<Number, Course> = BTreeMap::new();
    let mut points = Vec::new();
    while let Some((_, signal)) = scan.next(&mut points)? {
        let course = courses.entry(signal).or_insert_with(|| {
            let holds = holds.get(&signal).cloned().unwrap_or_default();
            Course::new(vec![hour * HOUR_MS, (hour + 1) * HOUR_MS], holds)
        });
        points.drain(..).for_each(|point| course.sample(point.at_ms, point.measured()));
    }
    Ok(courses.into_iter().filter_map(|(signal, course)| Some((signal, course.into_stretch()?))).collect())
}
