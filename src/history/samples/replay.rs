//! Everything that was recorded, told again in the order of time: for trying other settings on it, and
//! for taking it elsewhere.
//!
//! Minutes are read one at a time, each in a read of its own, so that however long a replay takes, it
//! does not keep the daemon from clearing its write-ahead log.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use rusqlite::Connection;

use crate::history::ReadError;
use crate::history::samples::held::{MINUTE_MS, wall};
use crate::history::samples::row::Point;
use crate::history::samples::table::{COLUMNS, Codings, Number, Scan, first_id};
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{Reason, Sample, SignalIndex};

/// Samples in the order of time. The monotonic clock of a sample counts from the beginning of the
/// replay. After an error it ends.
pub struct Replay {
    path: PathBuf,
    db: Connection,
    codings: Codings,
    signals: HashMap<Number, SignalIndex>,
    span_ms: Range<i64>,
    /// The minute that is read next.
    minute: i64,
    /// The state of the file (SQLite's `data_version`) in which codings and staged samples were read.
    version: Option<i64>,
    /// What is staged, by its minute.
    staged: BTreeMap<i64, Vec<(SignalIndex, Point)>>,
    /// The minute that is told now, and how far.
    told: std::vec::IntoIter<(SignalIndex, Point)>,
}

impl Replay {
    pub(super) fn new(
        path: PathBuf,
        db: Connection,
        signals: &[String],
        span: Range<Wall>,
    ) -> rusqlite::Result<Self> {
        let span_ms = span.start.as_millisecond()..span.end.as_millisecond();
        let signals = numbers(&db, signals)?;
        let minute = span_ms.start.div_euclid(MINUTE_MS);
        let (codings, staged, told) = (Codings::default(), BTreeMap::new(), Vec::new().into_iter());
        Ok(Replay { path, db, codings, signals, span_ms, minute, version: None, staged, told })
    }

    /// Reads the next minute that has any samples; false when there is none.
    fn read_on(&mut self) -> rusqlite::Result<bool> {
        self.db.execute_batch("BEGIN")?;
        let found = self.read_minute()?;
        self.db.execute_batch("COMMIT")?;
        Ok(found)
    }

    fn read_minute(&mut self) -> rusqlite::Result<bool> {
        self.keep_up()?;
        let Some(minute) = self.next_minute()? else { return Ok(false) };
        if minute * MINUTE_MS >= self.span_ms.end {
            return Ok(false);
        }
        let rows = first_id(minute)..first_id(minute + 1);
        let mut points = read(&self.db, &self.codings, &self.signals, "minute", rows)?;
        points.extend(self.staged.remove(&minute).unwrap_or_default());
        points.retain(|(_, point)| self.span_ms.contains(&point.at_ms));
        points.sort_by_key(|(signal, point)| (point.at_ms, *signal));
        self.told = points.into_iter();
        self.minute = minute + 1;
        Ok(true)
    }

    /// While this one reads, the daemon writes: what was staged is in its minute now, and there are
    /// codings that were not.
    fn keep_up(&mut self) -> rusqlite::Result<()> {
        let version = self.db.pragma_query_value(None, "data_version", |row| row.get(0))?;
        if self.version.replace(version) == Some(version) {
            return Ok(());
        }
        self.codings = Codings::read(&self.db)?;
        self.staged.clear();
        for (signal, point) in read(&self.db, &self.codings, &self.signals, "staged", i64::MIN..i64::MAX)? {
            self.staged.entry(point.minute()).or_default().push((signal, point));
        }
        Ok(())
    }

    fn next_minute(&self) -> rusqlite::Result<Option<i64>> {
        let written: Option<i64> = self
            .db
            .prepare_cached("SELECT min(id) >> 10 FROM minute WHERE id >= ?1")?
            .query_row([first_id(self.minute)], |row| row.get(0))?;
        let staged = self.staged.range(self.minute..).next().map(|(minute, _)| *minute);
        Ok(written.into_iter().chain(staged).min())
    }

    fn sample(&self, point: Point) -> Sample {
        let since_start = u64::try_from(point.at_ms - self.span_ms.start).unwrap_or(0);
        let mono = Mono::new(Duration::from_millis(since_start));
        let at = Moment { mono, wall: wall(point.at_ms) };
        match (point.value, point.reasons.is_empty()) {
            (None, true) => Sample::absent(Reason::NotYetRead, at),
            _ => Sample::new(point.value, point.reasons, at),
        }
    }
}

impl Iterator for Replay {
    type Item = Result<(SignalIndex, Sample), ReadError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some((signal, point)) = self.told.next() {
                return Some(Ok((signal, self.sample(point))));
            }
            match self.read_on() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => {
                    self.span_ms.end = self.span_ms.start;
                    return Some(Err(ReadError::new(&self.path, error)));
                }
            }
        }
    }
}

fn numbers(db: &Connection, signals: &[String]) -> rusqlite::Result<HashMap<Number, SignalIndex>> {
    let mut select = db.prepare("SELECT id, name FROM signal")?;
    let known = select.query_map([], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
    let wanted = |name: &String| signals.iter().position(|signal| signal == name).map(SignalIndex);
    known
        .filter_map(|known| match known {
            Ok((number, name)) => wanted(&name).map(|signal| Ok((number, signal))),
            Err(error) => Some(Err(error)),
        })
        .collect()
}

fn read(
    db: &Connection,
    codings: &Codings,
    signals: &HashMap<Number, SignalIndex>,
    table: &str,
    ids: Range<i64>,
) -> rusqlite::Result<Vec<(SignalIndex, Point)>> {
    let mut select =
        db.prepare_cached(&format!("SELECT {COLUMNS} FROM {table} WHERE id >= ?1 AND id < ?2 ORDER BY id"))?;
    let mut scan = Scan::new(select.query((ids.start, ids.end))?, codings);
    let (mut all, mut points) = (Vec::new(), Vec::new());
    while let Some((_, signal)) = scan.next(&mut points)? {
        match signals.get(&signal) {
            Some(signal) => all.extend(points.drain(..).map(|point| (*signal, point))),
            None => points.clear(),
        }
    }
    Ok(all)
}
