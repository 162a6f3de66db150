//! The history's part of a salvage: rows that were found become a history of their own.
//!
//! A row is kept when its samples come out of it, lie in its minute in the order of time, and have the
//! least and the greatest value that the row says they have. SQLite's pages bear no checksum and samples
//! are not in the chain: a value that was changed between those two does not show. What is kept is
//! unpacked by the same code as ever; hours are summed up anew from it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rusqlite::types::{ToSql, ToSqlOutput, Value as SqlValue};
use rusqlite::{Connection, OptionalExtension, params_from_iter};

use crate::history::file::{Flaw, OwnFile, refusal};
use crate::history::salvage::pages::{FoundRow, PageCount, Pages, Stored};
use crate::history::salvage::{Failed, Gap, SalvageError, SalvagedSamples};
use crate::history::samples::coding::{Coding, as_number};
use crate::history::samples::held::{HOUR_MS, MINUTE_MS, wall};
use crate::history::samples::hours;
use crate::history::samples::layout::LAYOUT;
use crate::history::samples::row::Point;
use crate::history::samples::store::{Known, OpenMinutes, keep_points};
use crate::history::samples::table::{COLUMNS, Codings, Number, minute_and_signal, row_id, unpack};
use crate::moment::Wall;

/// Rows written in one transaction.
const ROWS_PER_COMMIT: u64 = 50_000;
/// No row is of a later minute: of the year 2225.
const MINUTES_MAX: i64 = 1 << 27;
/// How long a value of a signal counts of which nothing more is known than its number.
const HOLD_MS: i64 = 5_000;
/// No more gaps are told one by one.
const GAPS_MAX: usize = 10_000;

/// Whether a row is one of samples.
pub(in crate::history) fn is_minute(row: &FoundRow) -> bool {
    table_of(row) == Some(Table::Minute)
}

/// Puts what can be read from the pages into a new history at `to`.
pub(in crate::history) fn salvage(
    pages: &Pages,
    from: &Path,
    to: &Path,
    now: Wall,
) -> Result<SalvagedSamples, SalvageError> {
    let (mut file, _) = OwnFile::open(to, &LAYOUT, now)?;
    let written = |flaw: Flaw| SalvageError::Target(refusal(to, flaw));
    let db = file.db().map_err(written)?;
    let (count, left_out) = take_over(pages, db).map_err(|failed| failed.told(from, to))?;
    let mut salvaged = sift(db).map_err(|error| written(error.into()))?;
    salvaged.rows_left_out += left_out;
    salvaged.pages = count.pages;
    salvaged.pages_unreadable = count.unreadable;
    Ok(salvaged)
}

/// The tables whose rows are taken over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Table {
    Signal,
    Coding,
    Minute,
    Staged,
    Hour,
    HeldBefore,
}

/// The table that a row is of, by the form of its columns.
fn table_of(row: &FoundRow) -> Option<Table> {
    use Stored::{Blob, Int, Null, Real, Text};
    let packed = |columns: &[Stored]| {
        let [Int(samples), Int(_), lo, hi, base, clock, times, runs, Blob(_)] = columns else { return false };
        let whole = |column: &Stored| matches!(column, Int(_) | Null);
        let bytes = |column: &Stored| matches!(column, Blob(_) | Null);
        *samples > 0 && [lo, hi, base, clock].into_iter().all(whole) && bytes(times) && bytes(runs)
    };
    let number = |column: &Stored| matches!(column, Real(_) | Int(_) | Null);
    match (row.number, row.columns.as_slice()) {
        (Some(_), [Null, Text(_), Int(_)]) => Some(Table::Signal),
        (Some(_), [Null, Text(_), lines @ ..]) if lines.len() == 8 && lines.iter().all(number) => {
            Some(Table::Coding)
        }
        (Some(id), [Null, minute @ ..]) if packed(minute) => is_row_number(id).then_some(Table::Minute),
        (Some(_), [Null, Int(id), part @ ..]) if packed(part) => is_row_number(*id).then_some(Table::Staged),
        (None, [Int(_), Int(hour), sums @ ..])
            if sums.len() == 7 && sums.iter().all(number) && (0..MINUTES_MAX / 60).contains(hour) =>
        {
            Some(Table::Hour)
        }
        (Some(_), [Null, Int(_), Int(_), Int(_)]) => Some(Table::HeldBefore),
        _ => None,
    }
}

fn is_row_number(id: i64) -> bool {
    (0..MINUTES_MAX).contains(&minute_and_signal(id).0)
}

impl ToSql for Stored {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Stored::Null => ToSqlOutput::Owned(SqlValue::Null),
            Stored::Int(number) => ToSqlOutput::Owned(SqlValue::Integer(*number)),
            Stored::Real(number) => ToSqlOutput::Owned(SqlValue::Real(*number)),
            Stored::Text(text) => text.as_str().into(),
            Stored::Blob(bytes) => bytes.as_slice().into(),
        })
    }
}

/// Writes every row that has the form of one of ours as it is; of two with one number the first.
fn take_over(pages: &Pages, db: &Connection) -> Result<(PageCount, u64), Failed> {
    let (mut rows, mut left_out) = (0_u64, 0);
    // Rows come in the order of pages: what one refers to may come after it, or never.
    db.execute_batch("PRAGMA foreign_keys = OFF; BEGIN IMMEDIATE")?;
    let count = pages.rows(|mut row| -> Result<(), Failed> {
        let Some(table) = table_of(&row) else { return Ok(()) };
        if let (Some(number), Some(first)) = (row.number, row.columns.first_mut()) {
            *first = Stored::Int(number);
        }
        let sql = match table {
            Table::Signal => "INSERT OR IGNORE INTO signal (id, name, hold_ms) VALUES (?1, ?2, ?3)",
            Table::Coding => "INSERT OR IGNORE INTO coding VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            Table::Minute => "INSERT OR IGNORE INTO minute VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            Table::Staged => {
                "INSERT OR IGNORE INTO staged VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)"
            }
            Table::Hour => "INSERT OR IGNORE INTO hour VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            Table::HeldBefore => "INSERT OR IGNORE INTO held_before VALUES (?1, ?2, ?3, ?4)",
        };
        let inserted =
            db.prepare_cached(sql).and_then(|mut insert| insert.execute(params_from_iter(&row.columns)));
        match inserted {
            Ok(_) => rows += 1,
            Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) => {
                left_out += 1;
            }
            Err(error) => return Err(error.into()),
        }
        if rows.is_multiple_of(ROWS_PER_COMMIT) {
            db.execute_batch("COMMIT; BEGIN IMMEDIATE")?;
        }
        Ok(())
    })?;
    db.execute_batch("COMMIT")?;
    Ok((count, left_out))
}

/// Gives up the rows that do not fit together, puts staged parts into their minutes, sums the hours up,
/// and tells what there is.
fn sift(db: &mut Connection) -> rusqlite::Result<SalvagedSamples> {
    let transaction = db.transaction()?;
    transaction.execute_batch("CREATE TEMP TABLE unfit (id INTEGER PRIMARY KEY)")?;
    give_up_codings(&transaction)?;
    let codings = Codings::read(&transaction)?;
    let mut usual = BTreeMap::new();
    let mut rows_left_out = 0;
    for (table, key) in [("minute", "id"), ("staged", "part")] {
        for unfit in unfit(&transaction, &codings, table, key, &mut usual)? {
            transaction.prepare_cached("INSERT INTO unfit VALUES (?1)")?.execute([unfit])?;
        }
        if table == "minute" {
            transaction.execute_batch(KEEP_THEIR_TIMES)?;
        }
        rows_left_out +=
            transaction.execute(&format!("DELETE FROM {table} WHERE {key} IN (SELECT id FROM unfit)"), [])?;
        transaction.execute_batch("DELETE FROM unfit")?;
    }
    let numbers = Vec::new();
    let mut known = Known { numbers, usual, codings, pages_max: i64::MAX };
    let over = OpenMinutes::at(Wall::MAX);
    keep_points(&transaction, &mut known, std::iter::empty(), over)?;
    let mut salvaged = tell(&transaction)?;
    sum_up_hours(&transaction, &known.codings, over)?;
    transaction.commit()?;
    salvaged.rows_left_out = u64::try_from(rows_left_out).unwrap_or(0);
    Ok(salvaged)
}

/// Times that only a row bore that is given up go to those that rely on them.
const KEEP_THEIR_TIMES: &str = "
    UPDATE minute SET clock = NULL,
        times = (SELECT times FROM minute AS bearer WHERE bearer.id = (minute.id >> 10 << 10) + minute.clock)
        WHERE clock IS NOT NULL AND (id >> 10 << 10) + clock IN (SELECT id FROM unfit)";

/// Codings that say nothing: whose word or lines were lost.
fn give_up_codings(db: &Connection) -> rusqlite::Result<()> {
    let mut select = db.prepare("SELECT * FROM coding")?;
    let mut rows = select.query([])?;
    let mut unfit: Vec<i64> = Vec::new();
    while let Some(row) = rows.next()? {
        let word: String = row.get(1)?;
        let mut lines = [None; 8];
        for (line, column) in lines.iter_mut().zip(2..) {
            *line = row.get(column)?;
        }
        if Coding::from_file(&word, lines).is_none() {
            unfit.push(row.get(0)?);
        }
    }
    unfit.iter().try_for_each(|id| db.execute("DELETE FROM coding WHERE id = ?1", [id]).map(|_| ()))
}

/// The keys of the rows of a table out of which no samples come that could have been put into it.
fn unfit(
    db: &Connection,
    codings: &Codings,
    table: &str,
    key: &str,
    usual: &mut BTreeMap<Number, Coding>,
) -> rusqlite::Result<Vec<i64>> {
    let mut unfit = Vec::new();
    let mut clock = db.prepare("SELECT times FROM minute WHERE id = ?1")?;
    let mut select = db.prepare(&format!("SELECT {COLUMNS}, lo, hi, {key} FROM {table} ORDER BY {key}"))?;
    let mut rows = select.query([])?;
    let mut points = Vec::new();
    while let Some(row) = rows.next()? {
        let (minute, signal) = minute_and_signal(row.get(0)?);
        points.clear();
        let times: Option<Vec<u8>> = match row.get::<_, Option<Number>>(4)? {
            Some(of) => clock.query_row([row_id(minute, of)], |row| row.get(0)).optional()?.flatten(),
            None => row.get(5)?,
        };
        let unpacked = unpack(row, codings, minute, &times.unwrap_or_default(), &mut points);
        let coding = codings.get(row.get(2)?).ok();
        let told = [row.get(8)?, row.get(9)?];
        match coding {
            Some(coding) if unpacked.is_ok() && fits(&points, minute, coding, told) => {
                usual.insert(signal, coding);
            }
            _ => unfit.push(row.get(10)?),
        }
    }
    Ok(unfit)
}

/// Whether samples lie in their minute, in order, between the values that are told of them, and reach both.
fn fits(points: &[Point], minute: i64, coding: Coding, told: [Option<i64>; 2]) -> bool {
    let within = points.iter().all(|point| point.minute() == minute);
    let measured = || points.iter().filter_map(Point::measured);
    let value = |key: Option<i64>| key.and_then(|key| coding.value(key)).map(as_number);
    let extremes = [measured().reduce(f64::min), measured().reduce(f64::max)];
    within && points.is_sorted_by_key(|point| point.at_ms) && extremes == told.map(value)
}

fn sum_up_hours(db: &Connection, codings: &Codings, over: OpenMinutes) -> rusqlite::Result<()> {
    let mut select = db.prepare("SELECT DISTINCT (id >> 10) / 60 FROM minute")?;
    let in_hours: Vec<i64> = select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    for hour in &in_hours {
        hours::reopen(db, hour * (HOUR_MS / MINUTE_MS))?;
    }
    in_hours.iter().try_for_each(|_| hours::write_next(db, codings, over))
}

/// What the new file holds, and between what of it nothing was found. Signals whose name was lost get one.
fn tell(db: &Connection) -> rusqlite::Result<SalvagedSamples> {
    let mut names = names(db)?;
    let mut select = db.prepare("SELECT id, samples FROM minute ORDER BY id")?;
    let mut rows = select.query([])?;
    let mut salvaged = SalvagedSamples::default();
    let mut last_minutes: BTreeMap<Number, i64> = BTreeMap::new();
    let mut gaps: BTreeMap<(i64, i64), BTreeSet<Number>> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let (minute, signal) = minute_and_signal(row.get(0)?);
        salvaged.rows += 1;
        salvaged.samples += u64::try_from(row.get::<_, i64>(1)?).unwrap_or(0);
        salvaged.first.get_or_insert(wall(minute * MINUTE_MS));
        salvaged.last = Some(wall((minute + 1) * MINUTE_MS));
        let missing = last_minutes.insert(signal, minute).map(|last| (last + 1, minute));
        if let Some(gap) = missing.filter(|(from, to)| from < to) {
            if gaps.len() < GAPS_MAX || gaps.contains_key(&gap) {
                gaps.entry(gap).or_default().insert(signal);
            } else {
                salvaged.more_gaps = true;
            }
        }
    }
    for signal in
        last_minutes.keys().filter(|signal| !names.contains_key(signal)).copied().collect::<Vec<_>>()
    {
        let name = format!("signal-{signal}");
        let hold = "SELECT coalesce(min(hold_ms), ?3) FROM signal WHERE hold_ms > 0";
        db.execute(
            &format!("INSERT OR IGNORE INTO signal (id, name, hold_ms) VALUES (?1, ?2, ({hold}))"),
            (signal, &name, HOLD_MS),
        )?;
        salvaged.unnamed.push(name.clone());
        names.insert(signal, name);
    }
    let name = |signal: &Number| names.get(signal).cloned();
    salvaged.signals = last_minutes.keys().filter_map(name).collect();
    salvaged.gaps = gaps
        .into_iter()
        .map(|((from, to), signals)| Gap {
            from: wall(from * MINUTE_MS),
            to: wall(to * MINUTE_MS),
            signals: signals.iter().filter_map(name).collect(),
        })
        .collect();
    Ok(salvaged)
}

fn names(db: &Connection) -> rusqlite::Result<BTreeMap<Number, String>> {
    let mut select = db.prepare("SELECT id, name FROM signal")?;
    select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}
