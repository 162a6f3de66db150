//! The reading side of the history: samples, buckets, and for how long a limit was exceeded.
//!
//! Each call answers from one read transaction: what it tells belongs together. It opens the file anew, read-only,
//! or goes on with the one that was kept open, for opening takes longer than most answers do; a history that was
//! moved aside is never read on by mistake. Samples of a minute that is not over are only seen once they are
//! staged or the minute is written; what is known this very moment is the snapshot's business.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rusqlite::Connection;

use crate::history::samples::counted::{Counted, Timed};
use crate::history::samples::held::{Bucket, Course, HOUR_MS, Stretch, edges, wall};
use crate::history::samples::holds::Holds;
use crate::history::samples::retention::Oldest;
use crate::history::samples::row::Point;
use crate::history::samples::table::Codings;
use crate::history::samples::walk::{Listener, Walk};
use crate::history::samples::{HISTORY_FILE, Replay};
use crate::history::{ReadError, file};
use crate::moment::Wall;
use crate::signal::{Reasons, Value};

/// The most samples that [`SampleReader::samples`] returns: more than a day at one a second.
pub const SAMPLES_READ_MAX: usize = 100_000;
/// The most buckets that [`SampleReader::buckets`] returns.
pub const BUCKETS_MAX: usize = 5_000;

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

/// Reads the history, beside the daemon or without one. Cheap to clone.
#[derive(Debug, Clone)]
pub struct SampleReader {
    path: PathBuf,
    /// Where the file is kept open: since the first call.
    kept_open: Option<Arc<Mutex<Option<Kept>>>>,
}

/// A file that is kept open, and which one it is.
#[derive(Debug)]
struct Kept {
    db: Connection,
    identity: Option<file::Identity>,
}

impl SampleReader {
    /// A reader of the history in the data directory `dir`.
    pub fn new(dir: &Path) -> Self {
        SampleReader { path: dir.join(HISTORY_FILE), kept_open: None }
    }

    /// The same, with the file kept open from the first call on until this and its clones are dropped, another file
    /// has taken its place, or it could not be read. They answer one question at a time. It is for commands: as
    /// long as anybody has the file open, a daemon that ends leaves a write-ahead log beside it.
    pub fn kept_open(dir: &Path) -> Self {
        SampleReader { kept_open: Some(Arc::default()), ..SampleReader::new(dir) }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Every signal that was ever recorded, by id.
    pub fn signals(&self) -> Result<Vec<String>, ReadError> {
        self.read(|db| {
            let mut select = db.prepare("SELECT name FROM signal ORDER BY id")?;
            select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()
        })
    }

    /// The samples of the signal `device.signal` with `from <= time < to`, by time; at most
    /// [`SAMPLES_READ_MAX`]. [`SampleReader::replay`] has no such limit.
    pub fn samples(&self, signal: &str, from: Wall, to: Wall) -> Result<Vec<KeptSample>, ReadError> {
        let mut samples = Vec::new();
        self.walk(signal, |walk| {
            walk.samples(from.as_millisecond()..to.as_millisecond(), |point| {
                samples.push(KeptSample::from(*point));
                let enough = samples.len() >= SAMPLES_READ_MAX;
                if enough { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
            })
        })?;
        Ok(samples)
    }

    /// Tells each sample of the signal `device.signal` with `from <= time < to`, by time; there is no
    /// limit to how many.
    pub fn each_sample(
        &self,
        signal: &str,
        from: Wall,
        to: Wall,
        mut tell: impl FnMut(KeptSample),
    ) -> Result<(), ReadError> {
        self.walk(signal, |walk| {
            walk.samples(from.as_millisecond()..to.as_millisecond(), |point| {
                tell(KeptSample::from(*point));
                ControlFlow::Continue(())
            })
        })
    }

    /// Whether the signal `device.signal` has any sample on record. What cannot be read has none.
    pub fn knows(&self, signal: &str) -> bool {
        let mut knows = false;
        let read = self.walk(signal, |walk| {
            walk.samples(Wall::MIN.as_millisecond()..Wall::MAX.as_millisecond(), |_| {
                knows = true;
                ControlFlow::Break(())
            })
        });
        read.is_ok() && knows
    }

    /// Least, time-weighted mean and greatest of the signal `device.signal` between `from` and `to`, in
    /// at most `points` buckets (and [`BUCKETS_MAX`]) that follow one another. Buckets of an hour or
    /// more begin with full hours (UTC), those of a minute or more with full minutes. Settling samples
    /// are no measurement, as for alarms; a value is held until the next sample, and at most for the
    /// signal's `stale_after`. Of a signal that was never recorded, nothing is covered.
    pub fn buckets(
        &self,
        signal: &str,
        from: Wall,
        to: Wall,
        points: usize,
    ) -> Result<Vec<Bucket>, ReadError> {
        let (from_ms, to_ms) = (from.as_millisecond(), to.as_millisecond());
        self.between(signal, edges(from_ms, to_ms, points.min(BUCKETS_MAX)))
    }

    /// The same between each two of `edges`, which ascend: hours, gas days, whatever is asked for.
    pub fn figures(&self, signal: &str, edges: &[Wall]) -> Result<Vec<Bucket>, ReadError> {
        self.between(signal, edges.iter().map(|edge| edge.as_millisecond()).collect())
    }

    fn between(&self, signal: &str, edges: Vec<i64>) -> Result<Vec<Bucket>, ReadError> {
        let (Some(from_ms), Some(to_ms)) = (edges.first().copied(), edges.last().copied()) else {
            return Ok(Vec::new());
        };
        let mut course = Course::new(edges.clone(), Holds::default());
        self.walk(signal, |walk| {
            course = Course::new(edges, walk.holds.clone());
            walk.tell(from_ms..to_ms, &mut course)
        })?;
        Ok(course.into_buckets())
    }

    /// For how long between `from` and `to` the measured value of the signal `device.signal` was above
    /// the limit. Exact to the millisecond: what the extremes of an hour decide is not looked into, the
    /// rest is.
    pub fn time_above(&self, signal: &str, from: Wall, to: Wall, limit: f64) -> Result<Duration, ReadError> {
        Ok(self.times(signal, &[from, to], Counted::Above(limit))?.into_iter().sum())
    }

    /// The same between each two of `edges`, which ascend, of whatever values are counted.
    pub fn times(&self, signal: &str, edges: &[Wall], counted: Counted) -> Result<Vec<Duration>, ReadError> {
        let (Some(from), Some(to)) = (edges.first(), edges.last()) else { return Ok(Vec::new()) };
        let span_ms = from.as_millisecond()..to.as_millisecond();
        let edges: Vec<i64> = edges.iter().map(|edge| edge.as_millisecond()).collect();
        let mut timed = Timed::new(counted, edges.clone(), Holds::default());
        self.walk(signal, |walk| {
            timed = Timed::new(counted, edges, walk.holds.clone());
            walk.tell(span_ms, &mut timed)
        })?;
        Ok(timed.into_times())
    }

    /// How long a value of the signal `device.signal` counts when none follows it; `None` when it was
    /// never recorded.
    pub fn holds(&self, signal: &str) -> Result<Option<Holds>, ReadError> {
        let mut holds = None;
        self.walk(signal, |walk| {
            holds = Some(walk.holds.clone());
            Ok(())
        })?;
        Ok(holds)
    }

    /// The last sample of the signal `device.signal` before a time, however long before.
    pub fn last_before(&self, signal: &str, at: Wall) -> Result<Option<KeptSample>, ReadError> {
        let mut last = None;
        self.walk(signal, |walk| {
            last = walk.last_ever_before(at.as_millisecond())?;
            Ok(())
        })?;
        Ok(last.map(KeptSample::from))
    }

    /// Before when samples have been given up, so that only their hours are left; `None` while every
    /// sample that was recorded is still there.
    pub fn given_up_before(&self) -> Result<Option<Wall>, ReadError> {
        let Oldest { sampled, summed_up } = self.read(Oldest::read)?;
        // Minutes go singly: the hour of the oldest may have lost some already.
        let lost = summed_up.zip(sampled).filter(|(summed_up, sampled)| summed_up < sampled);
        Ok(lost.map(|(_, sampled)| wall((sampled + 1) * HOUR_MS)))
    }

    /// Every sample of the `signals` with `from <= time < to`, in the order of time; at one time in that
    /// of the signals. A [`crate::signal::SignalIndex`] points into `signals`.
    pub fn replay(&self, signals: &[String], from: Wall, to: Wall) -> Result<Replay, ReadError> {
        let open = || Replay::new(self.path.clone(), file::open_read_only(&self.path)?, signals, from..to);
        open().map_err(|error| ReadError::new(&self.path, error))
    }

    pub(super) fn walk(
        &self,
        signal: &str,
        read: impl FnOnce(&mut Walk<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), ReadError> {
        self.read(|db| {
            let codings = Codings::read(db)?;
            Walk::of(db, &codings, signal)?.map_or(Ok(()), |mut walk| read(&mut walk))
        })
    }

    /// Reads in one transaction.
    pub(super) fn read<T>(
        &self,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, ReadError> {
        let read = || {
            let in_one = |db: &Connection| {
                let transaction = db.unchecked_transaction()?;
                read(&transaction)
            };
            let Some(kept_open) = &self.kept_open else { return in_one(&file::open_read_only(&self.path)?) };
            let mut kept = kept_open.lock().unwrap_or_else(PoisonError::into_inner);
            let identity = file::identity(&self.path);
            let db = match kept.take().filter(|kept| identity.is_some() && kept.identity == identity) {
                Some(kept) => kept.db,
                None => file::open_read_only(&self.path)?,
            };
            let told = in_one(&db)?;
            *kept = Some(Kept { db, identity });
            Ok(told)
        };
        read().map_err(|error| ReadError::new(&self.path, error))
    }
}

impl From<Point> for KeptSample {
    fn from(point: Point) -> Self {
        KeptSample { time: wall(point.at_ms), value: point.value, reasons: point.reasons }
    }
}

impl Listener for Course {
    fn hour(&mut self, hour: &Stretch) -> bool {
        self.stretch(hour)
    }

    fn sample(&mut self, point: &Point) {
        Course::sample(self, point.at_ms, point.measured());
    }
}
