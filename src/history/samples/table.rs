//! Rows of samples in SQLite: written, and read one after the other.
//!
//! Signals that were read together have the same times; only the first of them keeps these, and the
//! others say which one that is (`clock`). What is packed in a row is [`super::row`]'s business, which
//! rows are written when is [`super::store`]'s.

use std::collections::{BTreeMap, HashMap};

use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Row as SqlRow, Rows};

use crate::history::samples::coding::Coding;
use crate::history::samples::layout::SIGNAL_BITS;
use crate::history::samples::row::{Garbled, Packed, Point, Row};

/// A signal's number in the file.
pub(super) type Number = i64;

/// The points of one minute, by signal.
pub(super) type Minute = BTreeMap<Number, Vec<Point>>;

/// The columns that [`Scan`] reads.
pub(super) const COLUMNS: &str = "id, samples, coding, coalesce(base, lo, 0), clock, times, runs, offsets";

/// The codings that lie in the file, by their key there.
#[derive(Default)]
pub(super) struct Codings(HashMap<i64, Coding>);

impl Codings {
    pub(super) fn read(db: &Connection) -> rusqlite::Result<Self> {
        let mut select = db.prepare_cached("SELECT * FROM coding")?;
        let codings = select.query_map([], |row| {
            let word: String = row.get(1)?;
            let mut lines = [None; 8];
            for (line, column) in lines.iter_mut().zip(2..) {
                *line = row.get(column)?;
            }
            Ok((row.get(0)?, Coding::from_file(&word, lines).ok_or_else(garbled)?))
        })?;
        codings.collect::<rusqlite::Result<_>>().map(Codings)
    }

    pub(super) fn get(&self, key: i64) -> rusqlite::Result<Coding> {
        self.0.get(&key).copied().ok_or_else(garbled)
    }

    /// The key of a coding; a new one is written down.
    pub(super) fn key_of(&mut self, coding: Coding, db: &Connection) -> rusqlite::Result<i64> {
        if let Some((key, _)) = self.0.iter().find(|(_, known)| **known == coding) {
            return Ok(*key);
        }
        let [a, b, c, d, e, f, g, h] = coding.lines();
        db.execute(
            "INSERT INTO coding VALUES (NULL, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            (coding.word(), a, b, c, d, e, f, g, h),
        )?;
        let key = db.last_insert_rowid();
        self.0.insert(key, coding);
        Ok(key)
    }
}

/// The number of the row of a signal's minute.
pub(super) fn row_id(minute: i64, signal: Number) -> i64 {
    first_id(minute) | signal
}

/// The least number that a row of this minute can have.
pub(super) fn first_id(minute: i64) -> i64 {
    minute << SIGNAL_BITS
}

/// The minute and the signal of a row.
pub(super) fn minute_and_signal(id: i64) -> (i64, Number) {
    (id >> SIGNAL_BITS, id & ((1 << SIGNAL_BITS) - 1))
}

/// Writes a minute as it is, each signal's points in the order of time, over what was there before.
pub(super) fn write_minute(
    db: &Connection,
    codings: &mut Codings,
    usual: &BTreeMap<Number, Coding>,
    minute: i64,
    points: &Minute,
) -> rusqlite::Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT OR REPLACE INTO minute (id, samples, coding, lo, hi, base, clock, times, runs, offsets)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
    )?;
    let mut clocks: HashMap<Vec<u8>, Number> = HashMap::new();
    for (signal, points) in points {
        let coding = usual.get(signal).copied().unwrap_or(Coding::Double);
        let mut packed = Packed::of(points, coding);
        let clock = clocks.get(&packed.times).copied();
        if clock.is_none() {
            clocks.insert(packed.times.clone(), *signal);
        } else {
            packed.times.clear();
        }
        let columns = Columns::of(&packed, points.len(), codings.key_of(packed.coding, db)?);
        let Columns { samples, coding, lo, hi, base, times, runs, offsets } = columns;
        let id = row_id(minute, *signal);
        insert.execute((id, samples, coding, lo, hi, base, clock, times, runs, offsets))?;
    }
    Ok(())
}

/// Stages a part of a minute that is not over yet.
pub(super) fn stage(
    db: &Connection,
    codings: &mut Codings,
    usual: &BTreeMap<Number, Coding>,
    minute: i64,
    points: &Minute,
) -> rusqlite::Result<()> {
    let mut insert = db.prepare_cached(
        "INSERT INTO staged (id, samples, coding, lo, hi, base, times, runs, offsets)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?;
    for (signal, points) in points {
        let packed = Packed::of(points, usual.get(signal).copied().unwrap_or(Coding::Double));
        let columns = Columns::of(&packed, points.len(), codings.key_of(packed.coding, db)?);
        let Columns { samples, coding, lo, hi, base, times, runs, offsets } = columns;
        let id = row_id(minute, *signal);
        insert.execute((id, samples, coding, lo, hi, base, times, runs, offsets))?;
    }
    Ok(())
}

/// A packed row in the columns of the file; what goes without saying is NULL.
struct Columns<'a> {
    samples: i64,
    coding: i64,
    lo: Option<i64>,
    hi: Option<i64>,
    base: Option<i64>,
    times: Option<&'a [u8]>,
    runs: Option<&'a [u8]>,
    offsets: &'a [u8],
}

impl<'a> Columns<'a> {
    fn of(packed: &'a Packed, samples: usize, coding: i64) -> Self {
        let (lo, hi) = packed.extremes.unzip();
        let some = |bytes: &'a [u8]| (!bytes.is_empty()).then_some(bytes);
        Columns {
            samples: i64::try_from(samples).unwrap_or(i64::MAX),
            coding,
            lo,
            hi,
            base: (lo != Some(packed.base)).then_some(packed.base),
            times: some(&packed.times),
            runs: some(&packed.runs),
            offsets: &packed.offsets,
        }
    }
}

/// Reads rows of [`COLUMNS`] in the order of their numbers.
pub(super) struct Scan<'a> {
    rows: Rows<'a>,
    codings: &'a Codings,
    /// The times of the minute that is being read, by the signal that keeps them.
    clocks: HashMap<Number, Vec<u8>>,
    minute: i64,
}

impl<'a> Scan<'a> {
    pub(super) fn new(rows: Rows<'a>, codings: &'a Codings) -> Self {
        Scan { rows, codings, clocks: HashMap::new(), minute: i64::MIN }
    }

    /// Appends the points of the next row, and tells its minute and signal.
    pub(super) fn next(&mut self, points: &mut Vec<Point>) -> rusqlite::Result<Option<(i64, Number)>> {
        let Some(row) = self.rows.next()? else { return Ok(None) };
        let (minute, signal) = minute_and_signal(row.get(0)?);
        if minute != self.minute {
            self.clocks.clear();
            self.minute = minute;
        }
        let clock: Option<Number> = row.get(4)?;
        match clock {
            Some(clock) => {
                let times = self.clocks.get(&clock).ok_or_else(garbled)?;
                unpack(row, self.codings, minute, times, points)?;
            }
            None => {
                let times = row.get_ref(5)?.as_blob_or_null()?.unwrap_or_default();
                unpack(row, self.codings, minute, times, points)?;
                self.clocks.insert(signal, times.to_vec());
            }
        }
        Ok(Some((minute, signal)))
    }
}

/// Appends the points of a row of [`COLUMNS`], whose times are these.
pub(super) fn unpack(
    row: &SqlRow<'_>,
    codings: &Codings,
    minute: i64,
    times: &[u8],
    points: &mut Vec<Point>,
) -> rusqlite::Result<()> {
    packed(row, codings, minute, times)?.unpack_to(points).map_err(|_| garbled())
}

/// A row of [`COLUMNS`], whose times are these.
pub(super) fn packed<'a>(
    row: &'a SqlRow<'_>,
    codings: &Codings,
    minute: i64,
    times: &'a [u8],
) -> rusqlite::Result<Row<'a>> {
    Ok(Row {
        minute,
        samples: usize::try_from(row.get::<_, i64>(1)?).map_err(|_| garbled())?,
        coding: codings.get(row.get(2)?)?,
        base: row.get(3)?,
        times,
        runs: row.get_ref(6)?.as_blob_or_null()?.unwrap_or_default(),
        offsets: row.get_ref(7)?.as_blob()?,
    })
}

/// Whether the file has a table of this name: one of an earlier layout, that no daemon has opened since, may not.
pub(super) fn has_table(db: &Connection, name: &str) -> rusqlite::Result<bool> {
    let table = "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?1";
    Ok(db.prepare_cached(table)?.query_row([name], |_| Ok(())).optional()?.is_some())
}

/// What the file holds does not fit together.
pub(super) fn garbled() -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, Type::Blob, Box::new(Garbled))
}
