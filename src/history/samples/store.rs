//! The writing side of the history: minutes as they are over, the hours made of them, and what has to
//! be on the disk before its minute is over.
//!
//! A minute is written when it is over, in one transaction with all others that wait, and is not
//! touched again. The store remembers no samples between two writes: those of a minute that is not over
//! wait in the queue, or lie staged in the file, and a minute is put together from both. Should the wall
//! clock be set back, late samples find their minute written, and are put into it in their order.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;
use std::time::Duration;

use jiff::SignedDuration;
use rusqlite::{Connection, Transaction, TransactionBehavior};

use crate::history::OpenError;
use crate::history::file::{Flaw, OwnFile, Replaced, refusal};
use crate::history::samples::coding::Coding;
use crate::history::samples::held::MINUTE_MS;
use crate::history::samples::layout::{LAYOUT, SIGNALS_MAX};
use crate::history::samples::retention::{self, MadeRoom};
use crate::history::samples::row::Point;
use crate::history::samples::table::{
    COLUMNS, Codings, Minute, Number, Scan, first_id, minute_and_signal, stage, write_minute,
};
use crate::history::samples::{days, holds, hours, old};
use crate::moment::Wall;
use crate::signal::{Reason, Reasons, Sample, SignalIndex, SignalSpec, Value};

/// So long after the end of a minute its last samples may still be on their way to the queue.
const LATE_MAX: SignedDuration = SignedDuration::from_secs(2);

/// How much the history may hold.
#[derive(Debug, Clone, Copy)]
pub(in crate::history) struct Bounds {
    /// Older samples are given up.
    pub(in crate::history) keep: Duration,
    /// The most bytes the file may take.
    pub(in crate::history) max_size_bytes: u64,
}

/// What the history needs to know of a signal.
#[derive(Debug, Clone)]
pub(in crate::history) struct KeptSignal {
    id: String,
    coding: Coding,
    hold_max: Duration,
}

impl KeptSignal {
    pub(in crate::history) fn of(spec: &SignalSpec) -> Self {
        KeptSignal { id: spec.id.clone(), coding: Coding::of(spec), hold_max: spec.stale_after }
    }
}

/// The minutes that are not over: at most two.
#[derive(Debug, Clone, Copy)]
pub(in crate::history) struct OpenMinutes {
    first: i64,
    last: i64,
}

impl OpenMinutes {
    /// At this time.
    pub(in crate::history) fn at(now: Wall) -> Self {
        let minute = |at: Wall| at.as_millisecond().div_euclid(MINUTE_MS);
        OpenMinutes { first: minute(now.checked_sub(LATE_MAX).unwrap_or(now)), last: minute(now) }
    }

    /// Whether a sample's minute is one of them. One from the future is not: the clock was set back,
    /// and who knows when that minute will be over.
    pub(in crate::history) fn contain(self, at: Wall) -> bool {
        (self.first..=self.last).contains(&at.as_millisecond().div_euclid(MINUTE_MS))
    }

    /// Whether a minute has come to be over since then.
    pub(in crate::history) fn is_after(self, then: OpenMinutes) -> bool {
        self.first > then.first
    }

    /// How long after `now` the next minute is over.
    pub(in crate::history) fn next_over_after(now: Wall) -> Duration {
        let since_ms = now.checked_sub(LATE_MAX).unwrap_or(now).as_millisecond().rem_euclid(MINUTE_MS);
        Duration::from_millis(u64::try_from(MINUTE_MS - since_ms).unwrap_or(0))
    }

    pub(super) fn first(self) -> i64 {
        self.first
    }

    pub(super) fn last(self) -> i64 {
        self.last
    }
}

/// The history, open for writing.
pub(in crate::history) struct SampleStore {
    file: OwnFile,
    bounds: Bounds,
    /// The site's signals, in site order.
    signals: Vec<KeptSignal>,
    /// What the file has to be told and asked once it is open.
    known: Option<Known>,
    /// Since when this site's signals are kept.
    begun: Wall,
}

/// How much the history holds, and how much it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::history) struct Extent {
    /// What is in use of its file.
    pub(in crate::history) used_bytes: u64,
    /// Where it stops growing.
    pub(in crate::history) bytes_max: u64,
    /// When its oldest and its newest minute begin.
    pub(in crate::history) minutes: Option<(Wall, Wall)>,
    /// Older samples are given up.
    pub(in crate::history) keep: Duration,
}

/// What is known of the open file.
pub(super) struct Known {
    /// The number of each signal, in site order.
    pub(super) numbers: Vec<Number>,
    /// The coding that is tried first for a signal.
    pub(super) usual: BTreeMap<Number, Coding>,
    pub(super) codings: Codings,
    /// The most pages the file may have.
    pub(super) pages_max: i64,
}

impl SampleStore {
    /// Opens or begins the history at `path`; a damaged one is moved aside.
    pub(in crate::history) fn open(
        path: &Path,
        signals: Vec<KeptSignal>,
        bounds: Bounds,
        now: Wall,
    ) -> Result<(SampleStore, Option<Replaced>), OpenError> {
        let (file, mut replaced) = OwnFile::open(path, &LAYOUT, now)?;
        let mut store = SampleStore { file, bounds, signals, known: None, begun: now };
        match store.open_file() {
            Err(Flaw::Damaged(cause)) => {
                replaced = Some(store.move_aside(cause, now).map_err(|error| OpenError::io(path, &error))?);
                store.open_file().map_err(|flaw| refusal(path, flaw))?;
            }
            opened => {
                opened.map_err(|flaw| refusal(path, flaw))?;
            }
        }
        Ok((store, replaced))
    }

    /// Keeps the samples, in one transaction: those whose minute is not over are staged. When it
    /// returns, they are on the disk.
    pub(in crate::history) fn keep<'a>(
        &mut self,
        samples: impl Iterator<Item = &'a (SignalIndex, Sample)>,
        open: OpenMinutes,
    ) -> Result<(), Flaw> {
        let kept = self.try_to_keep(samples, open);
        if kept.is_err() {
            // Codings that were written down with it are not there.
            self.known = None;
        }
        kept
    }

    fn try_to_keep<'a>(
        &mut self,
        samples: impl Iterator<Item = &'a (SignalIndex, Sample)>,
        open: OpenMinutes,
    ) -> Result<(), Flaw> {
        let (db, known) = self.open_file()?;
        let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let numbers = known.numbers.clone();
        let points = samples.filter_map(|(signal, sample)| Some((*numbers.get(signal.0)?, point(sample))));
        keep_points(&transaction, known, points, open)?;
        hours::write_next(&transaction, &known.codings, open)?;
        days::write_next(&transaction, open)?;
        Ok(transaction.commit()?)
    }

    /// Gives up the oldest samples when they are past their age, or the file is nearly as large as it
    /// may be: a few minutes of them, so that it never takes long. It is called at least as often as
    /// a minute is written. `make_room` has it done in any case, so that the file does not grow. Returns
    /// those that were not past their age.
    pub(in crate::history) fn trim(&mut self, now: Wall, make_room: bool) -> Result<Option<MadeRoom>, Flaw> {
        let keep = self.bounds.keep;
        let (db, known) = self.open_file()?;
        let oldest_kept = now.checked_sub(keep).unwrap_or(Wall::MIN);
        Ok(retention::trim(db, oldest_kept, known.pages_max, make_room)?)
    }

    /// How much it holds, and how much it may.
    pub(in crate::history) fn extent(&mut self) -> Result<Extent, Flaw> {
        let keep = self.bounds.keep;
        let (db, known) = self.open_file()?;
        let bytes_max = retention::filled_bytes_max(db, known.pages_max)?;
        let ends = "SELECT (SELECT min(id) FROM minute), (SELECT max(id) FROM minute)";
        let (oldest, newest): (Option<i64>, Option<i64>) =
            db.query_row(ends, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let begin = |id: i64| Wall::from_millisecond(minute_and_signal(id).0 * MINUTE_MS).ok();
        let minutes = oldest.and_then(begin).zip(newest.and_then(begin));
        Ok(Extent { used_bytes: retention::used_bytes(db)?, bytes_max, minutes, keep })
    }

    /// Moves a damaged history aside while the daemon runs; the next sample begins a new one.
    pub(in crate::history) fn move_aside(&mut self, cause: String, now: Wall) -> io::Result<Replaced> {
        self.known = None;
        self.file.move_aside(cause, now)
    }

    fn open_file(&mut self) -> Result<(&mut Connection, &mut Known), Flaw> {
        let db = self.file.db()?;
        let known = match self.known.take() {
            Some(known) => known,
            None => {
                let mut known = learn(db, &self.signals, self.bounds, self.begun)?;
                old::take_over(db, &mut known)?;
                known
            }
        };
        Ok((db, self.known.insert(known)))
    }
}

/// Writes the minutes that are over, and stages the others.
pub(super) fn keep_points(
    db: &Transaction<'_>,
    known: &mut Known,
    points: impl Iterator<Item = (Number, Point)>,
    open: OpenMinutes,
) -> rusqlite::Result<()> {
    let mut minutes: BTreeMap<i64, Minute> = BTreeMap::new();
    for (signal, point) in points {
        minutes.entry(point.minute()).or_default().entry(signal).or_default().push(point);
    }
    for minute in staged_minutes(db)? {
        minutes.entry(minute).or_default();
    }
    let last_written: Option<i64> =
        db.prepare_cached("SELECT max(id) >> 10 FROM minute")?.query_row([], |row| row.get(0))?;
    for (minute, new) in minutes {
        if (open.first..=open.last).contains(&minute) {
            stage(db, &mut known.codings, &known.usual, minute, &new)?;
            continue;
        }
        let mut all = read_minute(db, &known.codings, minute)?;
        for (signal, points) in new {
            all.entry(signal).or_default().extend(points);
        }
        all.values_mut().for_each(|points| points.sort_by_key(|point| point.at_ms));
        write_minute(db, &mut known.codings, &known.usual, minute, &all)?;
        db.prepare_cached("DELETE FROM staged WHERE id >= ?1 AND id < ?2")?
            .execute((first_id(minute), first_id(minute + 1)))?;
        hours::reopen(db, minute)?;
        if last_written.is_some_and(|last| minute <= last) {
            db.prepare_cached("INSERT INTO late_minute (minute) VALUES (?1)")?.execute([minute])?;
        }
    }
    Ok(())
}

fn staged_minutes(db: &Connection) -> rusqlite::Result<BTreeSet<i64>> {
    let mut select = db.prepare_cached("SELECT id FROM staged")?;
    let minutes = select.query_map([], |row| Ok(minute_and_signal(row.get(0)?).0))?;
    minutes.collect()
}

/// What lies in the file of a minute, written or staged.
fn read_minute(db: &Connection, codings: &Codings, minute: i64) -> rusqlite::Result<Minute> {
    let mut all = Minute::new();
    for table in ["minute", "staged"] {
        let order = if table == "minute" { "id" } else { "part" };
        let mut select = db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM {table} WHERE id >= ?1 AND id < ?2 ORDER BY {order}"
        ))?;
        let mut scan = Scan::new(select.query((first_id(minute), first_id(minute + 1)))?, codings);
        let mut points = Vec::new();
        while let Some((_, signal)) = scan.next(&mut points)? {
            all.entry(signal).or_default().append(&mut points);
        }
    }
    Ok(all)
}

fn point(sample: &Sample) -> Point {
    let (value, reasons) = match sample.value() {
        // Values are finite. Should one ever not be, it must not make its whole minute unreadable.
        Some(Value::Number(number)) if !number.is_finite() => {
            (None, sample.reasons().iter().chain([Reason::InvalidNumber]).collect())
        }
        value => (value, sample.reasons()),
    };
    Point { at_ms: sample.at.wall.as_millisecond(), value, reasons }
}

/// Tells the file of the site's signals, and asks it what it knows.
fn learn(db: &mut Connection, signals: &[KeptSignal], bounds: Bounds, begun: Wall) -> Result<Known, Flaw> {
    let pages_max = retention::limit_size(db, bounds.max_size_bytes)?;
    let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut numbers = Vec::with_capacity(signals.len());
    let mut usual = BTreeMap::new();
    for KeptSignal { id, coding, hold_max } in signals {
        let hold_ms = i64::try_from(hold_max.as_millis()).unwrap_or(i64::MAX);
        holds::keep_changed(&transaction, id, hold_ms, begun)?;
        let number: Number = transaction.query_row(
            "INSERT INTO signal (id, name, hold_ms)
             VALUES ((SELECT coalesce(max(id) + 1, 0) FROM signal), ?1, ?2)
             ON CONFLICT (name) DO UPDATE SET hold_ms = excluded.hold_ms RETURNING id",
            (id, hold_ms),
            |row| row.get(0),
        )?;
        if number >= SIGNALS_MAX {
            // Numbers are never given a second time: what was recorded under one would change its name.
            return Err(Flaw::Damaged(format!("it has no number left for the signal {id}")));
        }
        numbers.push(number);
        usual.insert(number, *coding);
    }
    for reason in Reason::ALL {
        let bit = Reasons::one(reason).bits();
        transaction.execute("INSERT OR IGNORE INTO reason VALUES (?1, ?2)", (bit, reason.word()))?;
    }
    let codings = Codings::read(&transaction)?;
    transaction.commit()?;
    Ok(Known { numbers, usual, codings, pages_max })
}
