//! What a face holds of the running daemon. Cheap to clone; none of its calls can slow a line or
//! the monitor.

use std::sync::Arc;

use tokio::sync::{mpsc, oneshot, watch};

use crate::alarm::performance::Performance;
use crate::daemon::Health;
use crate::daemon::loans::Lenders;
use crate::history::{Bucket, JournalEntry};
use crate::moment::{Clock, Moment, Wall};
use crate::monitor::{Action, ActionResult, Hindrance, Snapshot, Work, Worked};

/// Reads a page of the journal: entries with `seq > after`, at most `limit`, in order.
/// Blocking; [`Handle::journal`] runs it off the async threads.
pub trait JournalSource: Send + Sync {
    /// The page, or in one line why it cannot be read.
    fn read(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, String>;
    /// The last `limit` entries, in order.
    fn read_last(&self, limit: usize) -> Result<Vec<JournalEntry>, String>;
    /// How well the alarms served their operator between two times.
    fn performance(&self, from: Wall, to: Wall) -> Result<Performance, String>;
}

/// Reads the history. Blocking; [`Handle::buckets`] runs it off the async threads.
pub trait HistorySource: Send + Sync {
    /// What is known of the signal `device.signal` between two times, in at most `points` buckets; or
    /// in one line why it cannot be read.
    fn buckets(&self, signal: &str, from: Wall, to: Wall, points: usize) -> Result<Vec<Bucket>, String>;
}

/// What a person asks, on its way to the monitor.
#[derive(Debug)]
pub enum Request {
    /// An operator action.
    Act(Action, Answer<Vec<ActionResult>>),
    /// Work on a device, or a note.
    Work(Work, Answer<Result<Worked, Hindrance>>),
}

/// Where an answer goes, once everything that was changed is committed to the journal.
pub type Answer<T> = oneshot::Sender<Result<T, ActError>>;

/// Why an action could not be carried out as a whole.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ActError {
    /// The monitor is not there to hear it.
    #[error("the daemon is stopping")]
    Stopping,
    /// It was done, but the journal has not been able to record it so far.
    #[error("done, but not yet recorded: {0}")]
    NotRecorded(String),
}

/// What a face holds of the running daemon.
#[derive(Clone)]
pub struct Handle {
    /// Reads both clocks.
    pub clock: Clock,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    health: watch::Receiver<Health>,
    requests: mpsc::Sender<Request>,
    journal: Arc<dyn JournalSource>,
    history: Option<Arc<dyn HistorySource>>,
    pub(super) lenders: Lenders,
}

impl Handle {
    /// A handle over these ends; the daemon builds one, and so does a test of a face.
    pub fn new(
        clock: Clock,
        snapshots: watch::Receiver<Arc<Snapshot>>,
        health: watch::Receiver<Health>,
        requests: mpsc::Sender<Request>,
        journal: Arc<dyn JournalSource>,
    ) -> Self {
        Handle { clock, snapshots, health, requests, journal, history: None, lenders: Lenders::default() }
    }

    /// The same handle, with a history to read; without one it has none to show.
    pub fn with_history(self, history: Arc<dyn HistorySource>) -> Self {
        Handle { history: Some(history), ..self }
    }

    /// The same handle, by which these lines can be asked for; without them none can.
    pub(super) fn with_lenders(self, lenders: Lenders) -> Self {
        Handle { lenders, ..self }
    }

    /// Now, on both clocks.
    pub fn now(&self) -> Moment {
        (self.clock)()
    }

    /// Everything known now.
    pub fn snapshot(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }

    /// A receiver that wakes at each new snapshot.
    pub fn snapshots(&self) -> watch::Receiver<Arc<Snapshot>> {
        self.snapshots.clone()
    }

    /// Whether the daemon keeps its promises.
    pub fn health(&self) -> Health {
        self.health.borrow().clone()
    }

    /// Carries out an operator action; returns once it is committed to the journal.
    pub async fn act(&self, action: Action) -> Result<Vec<ActionResult>, ActError> {
        self.ask(|answer| Request::Act(action, answer)).await
    }

    /// Does what a person asks of a device; returns once it is committed to the journal.
    pub async fn work(&self, work: Work) -> Result<Result<Worked, Hindrance>, ActError> {
        self.ask(|answer| Request::Work(work, answer)).await
    }

    async fn ask<T>(&self, request: impl FnOnce(Answer<T>) -> Request) -> Result<T, ActError> {
        let (answer, answered) = oneshot::channel();
        self.requests.send(request(answer)).await.map_err(|_| ActError::Stopping)?;
        answered.await.map_err(|_| ActError::Stopping)?
    }

    /// Entries of the journal with `seq > after`, at most `limit`, in order.
    pub async fn journal(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, String> {
        let journal = Arc::clone(&self.journal);
        off_the_async_threads(move || journal.read(after, limit)).await
    }

    /// How well the alarms served their operator between two times.
    pub async fn performance(&self, from: Wall, to: Wall) -> Result<Performance, String> {
        let journal = Arc::clone(&self.journal);
        off_the_async_threads(move || journal.performance(from, to)).await
    }

    /// The last `limit` entries of the journal, in order.
    pub async fn journal_last(&self, limit: usize) -> Result<Vec<JournalEntry>, String> {
        let journal = Arc::clone(&self.journal);
        off_the_async_threads(move || journal.read_last(limit)).await
    }

    /// What is known of the signal `device.signal` between two times, in at most `points` buckets, which
    /// is at most [`crate::history::BUCKETS_MAX`].
    pub async fn buckets(
        &self,
        signal: String,
        from: Wall,
        to: Wall,
        points: usize,
    ) -> Result<Vec<Bucket>, String> {
        let Some(history) = self.history.clone() else { return Err("there is no history".to_owned()) };
        off_the_async_threads(move || history.buckets(&signal, from, to, points)).await
    }
}

async fn off_the_async_threads<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, String> + Send + 'static,
) -> Result<T, String> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| Err("the reader was stopped".to_owned()))
}
