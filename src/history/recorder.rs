//! The record, opened: the way in for events and samples, and the ways out.
//!
//! The data directory belongs to one daemon at a time; a lock on [`LOCK_FILE`] in it sees to that, and
//! the operating system lets go of it however the daemon ends.

use std::fs::{self, DirBuilder, File, TryLockError};
use std::os::unix::fs::DirBuilderExt;
use std::path::Path;
use std::sync::Arc;
use std::thread;

use tokio::sync::oneshot;

use crate::config::Site;
use crate::history::file::{length, refusal, sync_directory_of};
use crate::history::journal::{JOURNAL_FILE, Journal};
use crate::history::queue::{Limits, Queue};
use crate::history::reserve::Reserve;
use crate::history::samples::{Bounds, HISTORY_FILE, KeptSignal, SampleStore};
use crate::history::scribe::Scribe;
use crate::history::{JournalReader, OpenError, RecordError, RecorderStatus, Replaced, SampleReader};
use crate::moment::Clock;
use crate::monitor::Event;
use crate::signal::{Sample, SignalIndex};

/// The lock's name in the data directory.
const LOCK_FILE: &str = "record.lock";

/// The record, opened.
pub struct Record {
    /// The way in.
    pub recorder: Recorder,
    /// Damaged files that were moved aside: to be journaled ([`Replaced::event`]) and to be alarmed.
    pub replaced: Vec<Replaced>,
    /// Reads the journal.
    pub journal: JournalReader,
    /// Reads the samples.
    pub samples: SampleReader,
}

/// Opens the record in the data directory `dir`, making it (mode 0750) where there is none, and starts
/// the thread that writes to it.
pub fn open(dir: &Path, site: &Site, clock: Clock) -> Result<Record, OpenError> {
    let kept = Kept {
        site_id: site.id.clone(),
        signals: site.signals.iter().map(KeptSignal::of).collect(),
        bounds: Bounds { keep: site.history.keep_samples, max_size_bytes: site.history.max_size_bytes },
    };
    let limits = Limits { flush_every: site.history.flush_every, ..Limits::default() };
    open_with(dir, &kept, clock, limits)
}

/// What the record needs to know of the site.
pub(super) struct Kept {
    pub(super) site_id: String,
    pub(super) signals: Vec<KeptSignal>,
    pub(super) bounds: Bounds,
}

pub(super) fn open_with(dir: &Path, kept: &Kept, clock: Clock, limits: Limits) -> Result<Record, OpenError> {
    let lock = take_lock(dir)?;
    let now = clock().wall;
    let (journal_path, history_path) = (dir.join(JOURNAL_FILE), dir.join(HISTORY_FILE));
    // A journal is written before any sample is: a history without one has lost it.
    let journal_vanished = length(&journal_path) == 0 && length(&history_path) > 0;
    let journal_vanished = journal_vanished.then(|| Replaced::vanished(&journal_path));
    let (mut journal, journal_replaced) = Journal::open(&journal_path, now)?;
    let (samples, history_replaced) =
        SampleStore::open(&history_path, kept.signals.clone(), kept.bounds, now)?;
    sync_directory_of(&journal_path).map_err(|error| OpenError::io(dir, &error))?;

    let head = journal.head().map_err(|flaw| refusal(&journal_path, flaw))?;
    let queue = Arc::new(Queue::new(limits, head));
    let scribe = Scribe::new(
        Arc::clone(&queue),
        journal,
        samples,
        Reserve::new(dir),
        clock,
        kept.site_id.clone(),
        lock,
    );
    thread::Builder::new()
        .name("recorder".to_owned())
        .spawn(move || scribe.run())
        .map_err(|error| OpenError::io(dir, &error))?;
    Ok(Record {
        recorder: Recorder { owner: Arc::new(Owner { queue }) },
        replaced: journal_replaced.or(journal_vanished).into_iter().chain(history_replaced).collect(),
        journal: JournalReader::new(dir),
        samples: SampleReader::new(dir),
    })
}

/// Hands events and samples to the thread that writes. Cheap to clone; none of its calls waits for
/// the disk, but for [`Recorder::close`].
#[derive(Clone)]
pub struct Recorder {
    owner: Arc<Owner>,
}

/// Closes the record when the last [`Recorder`] is gone.
struct Owner {
    queue: Arc<Queue>,
}

impl Recorder {
    /// Queues events. The receiver yields their numbers in the journal once they are on the disk. After
    /// five seconds without that it yields [`RecordError::Waiting`]; the events stay queued. (Should
    /// the disk hang within a write, that answer comes with the next call of any method here.)
    ///
    /// An alarm's event also makes the samples go to the disk at once: hand in a step's samples first.
    pub fn events(&self, events: Vec<Event>) -> oneshot::Receiver<Result<Vec<u64>, RecordError>> {
        self.owner.queue.add_events(events)
    }

    /// Queues samples; when too many wait for the disk, the oldest are given up.
    pub fn samples(&self, samples: Vec<(SignalIndex, Sample)>) {
        self.owner.queue.add_samples(samples);
    }

    /// How it is doing.
    pub fn status(&self) -> RecorderStatus {
        self.owner.queue.status()
    }

    /// Writes what is queued and ends the thread. Returns when that is done, or after five seconds on
    /// a disk that does not answer. Events handed in later are refused.
    pub fn close(self) {
        self.owner.queue.close();
    }
}

impl Drop for Owner {
    fn drop(&mut self) {
        self.queue.close();
    }
}

pub(super) fn take_lock(dir: &Path) -> Result<File, OpenError> {
    DirBuilder::new().recursive(true).mode(0o750).create(dir).map_err(|error| OpenError::io(dir, &error))?;
    let path = dir.join(LOCK_FILE);
    let lock = fs::OpenOptions::new()
        .create(true)
        .write(true)
        .truncate(false)
        .open(&path)
        .map_err(|error| OpenError::io(&path, &error))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(OpenError::InUse { dir: dir.to_owned() }),
        Err(TryLockError::Error(error)) => Err(OpenError::io(&path, &error)),
    }
}
