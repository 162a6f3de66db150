//! Walks along one signal's course: by hours where they are enough, by samples where they are not.
//!
//! What is asked for decides: it is offered each hour as a whole, and is told the samples of it when it
//! cannot use it so. An hour that reaches beyond what is walked, or whose sums are not written yet, is
//! told by its samples at once. The walk begins with the last sample before, which may still be held.

use std::collections::BTreeMap;
use std::ops::{ControlFlow, Range};

use rusqlite::{CachedStatement, Connection, OptionalExtension};

use crate::history::samples::days::Hours;
use crate::history::samples::held::{HOUR_MS, MINUTE_MS, Stretch};
use crate::history::samples::holds::Holds;
use crate::history::samples::hours;
use crate::history::samples::row::{Garbled, Point, Row};
use crate::history::samples::table::{
    COLUMNS, Codings, Number, Scan, garbled, minute_and_signal, packed, row_id,
};

/// What is told of a signal's course, in the order of time.
pub(super) trait Listener {
    /// An hour as a whole; false when its samples are wanted instead.
    fn hour(&mut self, hour: &Stretch) -> bool;
    /// A minute as it is packed; false when its samples are wanted instead.
    fn minute(&mut self, _row: &Row<'_>) -> bool {
        false
    }
    /// One sample.
    fn sample(&mut self, point: &Point);
}

/// One signal's rows, in one read transaction.
pub(super) struct Walk<'db> {
    db: &'db Connection,
    codings: &'db Codings,
    pub(super) signal: Number,
    /// How long a value counts when none follows it.
    pub(super) holds: Holds,
    seek: CachedStatement<'db>,
    clock: CachedStatement<'db>,
    /// What is staged, by its minute.
    staged: BTreeMap<i64, Vec<Point>>,
}

impl<'db> Walk<'db> {
    /// Along the signal with this name; `None` when the file knows no such signal.
    pub(super) fn of(
        db: &'db Connection,
        codings: &'db Codings,
        name: &str,
    ) -> rusqlite::Result<Option<Self>> {
        let known = db
            .prepare_cached("SELECT id, hold_ms FROM signal WHERE name = ?1")?
            .query_row([name], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let Some((signal, now_ms)) = known else { return Ok(None) };
        Ok(Some(Walk {
            db,
            codings,
            signal,
            holds: Holds::read(db, signal, now_ms)?,
            seek: db.prepare_cached(&format!(
                "SELECT {COLUMNS} FROM minute WHERE id >= ?1 AND id < ?2 ORDER BY id LIMIT 1"
            ))?,
            clock: db.prepare_cached("SELECT times FROM minute WHERE id = ?1")?,
            staged: staged(db, codings, signal)?,
        }))
    }

    /// Tells everything between two times, and what is held when they begin.
    pub(super) fn tell(&mut self, span_ms: Range<i64>, listener: &mut impl Listener) -> rusqlite::Result<()> {
        if let Some(point) = self.last_before(span_ms.start)? {
            listener.sample(&point);
        }
        let Range { start, end } = self.recorded(span_ms)?;
        let mut open = hours::open(self.db)?;
        // What is staged is in no hour's sums, nor is an hour known by it.
        open.extend(self.staged.keys().map(|minute| (minute * MINUTE_MS).div_euclid(HOUR_MS)));
        let mut hours = Hours::of(self.db, self.signal)?;
        for hour in start.div_euclid(HOUR_MS)..=(end - 1).div_euclid(HOUR_MS) {
            let (hour_start, hour_end) = (hour * HOUR_MS, (hour + 1) * HOUR_MS);
            let whole = start <= hour_start && hour_end <= end && !open.contains(&hour);
            let needs_samples = match hours.get(hour)? {
                Some(stretch) if whole => !listener.hour(&stretch),
                None if whole => false,
                _ => true,
            };
            if needs_samples {
                self.tell_minutes(start.max(hour_start)..end.min(hour_end), listener)?;
            }
        }
        Ok(())
    }

    /// Tells everything between two times of one hour.
    fn tell_minutes(&mut self, span_ms: Range<i64>, listener: &mut impl Listener) -> rusqlite::Result<()> {
        let mut minute = span_ms.start.div_euclid(MINUTE_MS);
        let mut points = Vec::new();
        while minute * MINUTE_MS < span_ms.end {
            let take = |row: &Row<'_>| {
                let (start, end) = (row.minute * MINUTE_MS, (row.minute + 1) * MINUTE_MS);
                span_ms.start <= start && end <= span_ms.end && listener.minute(row)
            };
            let Some(found) = self.minute_from(minute, span_ms.end, take, &mut points)? else { break };
            points
                .iter()
                .filter(|point| span_ms.contains(&point.at_ms))
                .for_each(|point| listener.sample(point));
            minute = found + 1;
        }
        Ok(())
    }

    /// The samples between two times, in their order, for as long as they are wanted.
    pub(super) fn samples(
        &mut self,
        span_ms: Range<i64>,
        mut tell: impl FnMut(&Point) -> ControlFlow<()>,
    ) -> rusqlite::Result<()> {
        let mut minute = span_ms.start.div_euclid(MINUTE_MS);
        let mut points = Vec::new();
        while minute * MINUTE_MS < span_ms.end {
            let Some(found) = self.minute_from(minute, span_ms.end, |_| false, &mut points)? else { break };
            let mut within = points.iter().filter(|point| span_ms.contains(&point.at_ms));
            if within.try_for_each(&mut tell).is_break() {
                break;
            }
            minute = found + 1;
        }
        Ok(())
    }

    /// The last sample before a time, if it may still be held then.
    fn last_before(&mut self, at_ms: i64) -> rusqlite::Result<Option<Point>> {
        let mut last = None;
        self.samples(at_ms.saturating_sub(self.holds.longest_ms())..at_ms, |point| {
            last = Some(*point);
            ControlFlow::Continue(())
        })?;
        Ok(last)
    }

    /// The last sample before a time, however long before. Hours tell in which of them it lies.
    pub(super) fn last_ever_before(&mut self, at_ms: i64) -> rusqlite::Result<Option<Point>> {
        let at_hour = at_ms.div_euclid(HOUR_MS);
        let summed: Option<i64> = self
            .db
            .prepare_cached("SELECT max(hour) FROM hour WHERE signal = ?1 AND hour < ?2")?
            .query_row((self.signal, at_hour), |row| row.get(0))?;
        let staged = self.staged.keys().map(|minute| (minute * MINUTE_MS).div_euclid(HOUR_MS));
        let mut hours: Vec<i64> = hours::open(self.db)?.into_iter().chain(summed).chain(staged).collect();
        hours.push(at_hour);
        hours.retain(|hour| *hour <= at_hour);
        hours.sort_unstable();
        hours.dedup();
        for hour in hours.into_iter().rev() {
            let mut last = None;
            self.samples(hour * HOUR_MS..at_ms.min((hour + 1) * HOUR_MS), |point| {
                last = Some(*point);
                ControlFlow::Continue(())
            })?;
            if last.is_some() {
                return Ok(last);
            }
        }
        Ok(None)
    }

    /// The points of the first minute from `minute` on that has any, and which minute that is. No points when the
    /// minute lies in one row, and `take` took it as it is.
    fn minute_from(
        &mut self,
        minute: i64,
        end_ms: i64,
        mut take: impl FnMut(&Row<'_>) -> bool,
        points: &mut Vec<Point>,
    ) -> rusqlite::Result<Option<i64>> {
        points.clear();
        let staged = self.staged.range(minute..).next().map(|(minute, _)| *minute);
        let end = staged.unwrap_or(end_ms.div_euclid(MINUTE_MS)) + 1;
        let written = self.written_from(minute, end, |row| {
            if Some(row.minute) != staged && take(row) { Ok(()) } else { row.unpack_to(points) }
        })?;
        match staged.and_then(|minute| self.staged.get(&minute)) {
            Some(parts) if written.is_none() || written == staged => {
                points.extend(parts);
                points.sort_by_key(|point| point.at_ms);
                Ok(staged)
            }
            _ => Ok(written),
        }
    }

    /// Has `read` have the row of the first minute from `minute` on, before `end`, that is written, and tells which
    /// minute that is. Where the signal has no row, the next row of any signal tells from where to look on, so that
    /// a year without samples costs nothing.
    fn written_from(
        &mut self,
        mut minute: i64,
        end: i64,
        read: impl FnOnce(&Row<'_>) -> Result<(), Garbled>,
    ) -> rusqlite::Result<Option<i64>> {
        while minute < end {
            let wanted = row_id(minute, self.signal);
            let mut rows = self.seek.query((wanted, row_id(end, 0)))?;
            let Some(row) = rows.next()? else { return Ok(None) };
            let found: i64 = row.get(0)?;
            if found == wanted {
                let clock: Option<Number> = row.get(4)?;
                let of_clock: Option<Vec<u8>> = match clock {
                    Some(clock) => self.clock.query_row([row_id(minute, clock)], |row| row.get(0))?,
                    None => None,
                };
                let times = match &of_clock {
                    Some(times) => times,
                    None => row.get_ref(5)?.as_blob_or_null()?.unwrap_or_default(),
                };
                read(&packed(row, self.codings, minute, times)?).map_err(|_| garbled())?;
                return Ok(Some(minute));
            }
            let (found_minute, found_signal) = minute_and_signal(found);
            minute = if found_signal <= self.signal { found_minute } else { found_minute + 1 };
        }
        Ok(None)
    }

    /// The part of a span in which there is anything at all.
    fn recorded(&self, span_ms: Range<i64>) -> rusqlite::Result<Range<i64>> {
        let minutes: (Option<i64>, Option<i64>) = self
            .db
            .prepare_cached("SELECT (SELECT min(id) FROM minute) >> 10, (SELECT max(id) FROM minute) >> 10")?
            .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let hours: (Option<i64>, Option<i64>) = self
            .db
            .prepare_cached(
                "SELECT (SELECT min(hour) FROM hour WHERE signal = ?1), (SELECT max(hour) FROM hour WHERE signal = ?1)",
            )?
            .query_row([self.signal], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let staged = (self.staged.keys().next().copied(), self.staged.keys().last().copied());
        let first = [minutes.0, staged.0].into_iter().flatten().map(|minute| minute * MINUTE_MS);
        let first = first.chain(hours.0.map(|hour| hour * HOUR_MS)).min();
        let last = [minutes.1, staged.1].into_iter().flatten().map(|minute| (minute + 1) * MINUTE_MS);
        let last = last.chain(hours.1.map(|hour| (hour + 1) * HOUR_MS)).max();
        let (Some(first), Some(last)) = (first, last) else { return Ok(span_ms.start..span_ms.start) };
        // Whole hours, so that none is cut which is whole in the span.
        let (first, last) =
            (first.div_euclid(HOUR_MS) * HOUR_MS, (last - 1).div_euclid(HOUR_MS) * HOUR_MS + HOUR_MS);
        Ok(span_ms.start.max(first)..span_ms.end.min(last))
    }
}

fn staged(db: &Connection, codings: &Codings, signal: Number) -> rusqlite::Result<BTreeMap<i64, Vec<Point>>> {
    let mut select =
        db.prepare_cached(&format!("SELECT {COLUMNS} FROM staged WHERE id & 1023 = ?1 ORDER BY part"))?;
    let mut scan = Scan::new(select.query([signal])?, codings);
    let mut staged: BTreeMap<i64, Vec<Point>> = BTreeMap::new();
    let mut points = Vec::new();
    while let Some((minute, _)) = scan.next(&mut points)? {
        staged.entry(minute).or_default().append(&mut points);
    }
    Ok(staged)
}
