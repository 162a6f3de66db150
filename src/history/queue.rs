//! What waits for the disk: a bounded queue of events and one of samples, and who waits for an answer.
//!
//! Nothing here touches the disk, and nothing holds the lock while somebody does: handing something
//! in takes microseconds, whatever the disk is doing. When a queue is full, the oldest samples are
//! given up, and the newest events (those before them have been promised to stay). Both are counted.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use crate::history::file::Replaced;
use crate::history::{Head, RecordError};
use crate::moment::Wall;
use crate::monitor::{DiskUse, Event};
use crate::signal::{Sample, SignalIndex};

/// What comes back for a batch of events: their numbers in the journal.
pub(super) type Answer = Result<Vec<u64>, RecordError>;

/// How much may wait, and for how long.
#[derive(Debug, Clone)]
pub(super) struct Limits {
    /// The most events that wait for the disk.
    pub(super) events_queued_max: usize,
    /// The most samples that wait for the disk: six minutes of 640 signals at one a second.
    pub(super) samples_queued_max: usize,
    /// The most events in one transaction, but for a single batch that is larger.
    pub(super) events_per_commit_max: usize,
    /// Samples reach the disk at the latest after this time: shorter than a minute, they are staged
    /// before their minute is over.
    pub(super) flush_every: Duration,
    /// After this time without a commit, whoever waits for one is told so.
    pub(super) answer_within: Duration,
    /// First and longest pause before a failed write is tried again; it doubles in between.
    pub(super) retry_after: (Duration, Duration),
    /// Losses are told to the journal at most this often.
    pub(super) loss_told_every: Duration,
    /// Samples that make room before their age are told to the journal at most this often.
    pub(super) made_room_told_every: Duration,
    /// The longest time that closing waits for the disk.
    pub(super) close_within: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            events_queued_max: 100_000,
            samples_queued_max: 250_000,
            events_per_commit_max: 1_000,
            flush_every: Duration::from_secs(60),
            answer_within: Duration::from_secs(5),
            retry_after: (Duration::from_millis(100), Duration::from_secs(5)),
            loss_told_every: Duration::from_secs(60),
            made_room_told_every: Duration::from_secs(86_400),
            close_within: Duration::from_secs(5),
        }
    }
}

/// How the recorder is doing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RecorderStatus {
    /// Events that wait for the disk.
    pub events_queued: usize,
    /// Samples that wait for the disk.
    pub samples_queued: usize,
    /// Events given up since the start.
    pub events_lost: u64,
    /// Samples given up since the start.
    pub samples_lost: u64,
    /// From when to when were what was given up and the journal has not been told of yet.
    pub lost_between: Option<(Wall, Wall)>,
    /// Why the last write failed; `None` while all is well.
    pub last_error: Option<String>,
    /// Whether both files have been written to since the start, so that it is known that they can be.
    pub has_written: bool,
    /// Files moved aside since the record was opened. The journal knows of them already.
    pub replaced: Vec<Replaced>,
    /// The end of the journal's chain.
    pub journal_head: Head,
    /// What the record takes on the disk, as last measured.
    pub disk: Option<DiskUse>,
}

/// The queues, shared between those who hand in and the scribe.
pub(super) struct Queue {
    inner: Mutex<Waiting>,
    changed: Condvar,
    pub(super) limits: Limits,
}

/// What waits, behind the lock.
#[derive(Default)]
pub(super) struct Waiting {
    batches: VecDeque<Batch>,
    pub(super) samples: VecDeque<(SignalIndex, Sample)>,
    /// Samples that the scribe is writing right now.
    samples_in_hand: usize,
    pub(super) status: RecorderStatus,
    /// Nothing more is taken in.
    pub(super) closing: bool,
    /// The scribe has ended.
    finished: bool,
}

struct Batch {
    events: Arc<[Event]>,
    answer: Option<oneshot::Sender<Answer>>,
    since: Instant,
}

impl Queue {
    pub(super) fn new(limits: Limits, head: Head) -> Self {
        let status = RecorderStatus { journal_head: head, ..RecorderStatus::default() };
        let waiting = Waiting { status, ..Waiting::default() };
        Queue { inner: Mutex::new(waiting), changed: Condvar::new(), limits }
    }

    /// Takes events in, or gives them up when too many wait already.
    pub(super) fn add_events(&self, events: Vec<Event>) -> oneshot::Receiver<Answer> {
        let (sender, receiver) = oneshot::channel();
        let mut waiting = self.lock();
        let queued = waiting.status.events_queued + events.len();
        let refusal = if waiting.closing {
            Some(RecordError::Closed)
        } else if queued > self.limits.events_queued_max {
            Some(RecordError::QueueFull { queued_max: self.limits.events_queued_max })
        } else {
            None
        };
        if let Some(refusal) = refusal {
            waiting.status.lose_events(&events);
            answer(Some(sender), Err(refusal));
        } else {
            waiting.push(events, Some(sender));
        }
        waiting.answer_overdue(self.limits.answer_within);
        self.changed.notify_all();
        receiver
    }

    /// Takes samples in, and gives up the oldest when too many wait.
    pub(super) fn add_samples(&self, samples: Vec<(SignalIndex, Sample)>) {
        let mut waiting = self.lock();
        if waiting.closing {
            waiting.status.lose_samples(samples.iter());
            return;
        }
        waiting.samples.extend(samples);
        waiting.give_up_samples(self.limits.samples_queued_max);
        waiting.answer_overdue(self.limits.answer_within);
        self.changed.notify_all();
    }

    pub(super) fn status(&self) -> RecorderStatus {
        let mut waiting = self.lock();
        waiting.answer_overdue(self.limits.answer_within);
        waiting.status.samples_queued = waiting.samples.len() + waiting.samples_in_hand;
        waiting.status.clone()
    }

    /// Takes nothing more in, and waits until the scribe has written what it can.
    pub(super) fn close(&self) {
        let mut waiting = self.lock();
        waiting.closing = true;
        self.changed.notify_all();
        let ended = self.changed.wait_timeout_while(waiting, self.limits.close_within, |now| !now.finished);
        drop(ended.unwrap_or_else(PoisonError::into_inner));
    }

    /// The scribe has ended: whatever still waits is given up.
    pub(super) fn finish(&self) {
        let mut waiting = self.lock();
        waiting.finished = true;
        for batch in std::mem::take(&mut waiting.batches) {
            waiting.status.lose_events(&batch.events);
            answer(batch.answer, Err(RecordError::Closed));
        }
        self.changed.notify_all();
    }

    /// The queues, as soon as `due` says that there is something to do; it is asked again whenever
    /// something is handed in, and at the time it names.
    pub(super) fn wait_until(
        &self,
        due: impl Fn(&Waiting, Instant) -> Result<(), Option<Instant>>,
    ) -> MutexGuard<'_, Waiting> {
        let mut waiting = self.lock();
        loop {
            let now = Instant::now();
            let overdue = waiting.answer_overdue(self.limits.answer_within);
            let ask_again = match due(&waiting, now) {
                Ok(()) => return waiting,
                Err(time) => time.into_iter().chain(overdue).min(),
            };
            waiting = match ask_again {
                None => self.changed.wait(waiting).unwrap_or_else(PoisonError::into_inner),
                Some(time) => {
                    let pause = time.saturating_duration_since(now);
                    let woken = self.changed.wait_timeout(waiting, pause);
                    woken.unwrap_or_else(PoisonError::into_inner).0
                }
            };
        }
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, Waiting> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Waiting {
    /// The first batches, as many as one transaction takes. They stay queued until
    /// [`Waiting::events_recorded`].
    pub(super) fn first_events(&self, events_max: usize) -> Vec<Arc<[Event]>> {
        let mut events = 0;
        let within = |batch: &&Batch| {
            events += batch.events.len();
            events <= events_max
        };
        let mut batches: Vec<_> =
            self.batches.iter().take_while(within).map(|batch| Arc::clone(&batch.events)).collect();
        if batches.is_empty() {
            batches.extend(self.batches.front().map(|batch| Arc::clone(&batch.events)));
        }
        batches
    }

    /// The first batches are recorded under these numbers: answers whoever waits for them.
    pub(super) fn events_recorded(&mut self, numbers: Vec<Vec<u64>>, head: Head) {
        for (batch, numbers) in self.batches.drain(..numbers.len()).zip(numbers) {
            self.status.events_queued -= batch.events.len();
            answer(batch.answer, Ok(numbers));
        }
        self.status.journal_head = head;
    }

    /// Queues an event of the recorder's own, whatever the limit.
    pub(super) fn add_own_event(&mut self, event: Event) {
        self.push(vec![event], None);
    }

    /// Takes all samples out to write them; what becomes of them is told by [`Waiting::put_back`].
    pub(super) fn take_samples(&mut self) -> VecDeque<(SignalIndex, Sample)> {
        self.samples_in_hand = self.samples.len();
        std::mem::take(&mut self.samples)
    }

    /// Puts samples that were not written back before those that have come since.
    pub(super) fn put_back(&mut self, mut samples: VecDeque<(SignalIndex, Sample)>, queued_max: usize) {
        self.samples_in_hand = 0;
        samples.append(&mut self.samples);
        self.samples = samples;
        self.give_up_samples(queued_max);
    }

    pub(super) fn has_events(&self) -> bool {
        !self.batches.is_empty()
    }

    fn push(&mut self, events: Vec<Event>, answer: Option<oneshot::Sender<Answer>>) {
        self.status.events_queued += events.len();
        self.batches.push_back(Batch { events: events.into(), answer, since: Instant::now() });
    }

    fn give_up_samples(&mut self, queued_max: usize) {
        let excess = self.samples.len().saturating_sub(queued_max);
        self.status.lose_samples(self.samples.range(..excess));
        self.samples.drain(..excess);
    }

    /// Tells those who have waited too long, and says when the next will have. Whoever takes the lock
    /// does it, since the scribe may be held up by the disk.
    fn answer_overdue(&mut self, answer_within: Duration) -> Option<Instant> {
        for batch in self.batches.iter_mut().filter(|batch| batch.answer.is_some()) {
            let due = batch.since + answer_within;
            if due > Instant::now() {
                return Some(due);
            }
            let cause = self.status.last_error.clone();
            let cause = cause.unwrap_or_else(|| "the disk has not answered".to_owned());
            answer(batch.answer.take(), Err(RecordError::Waiting { cause }));
        }
        None
    }
}

impl RecorderStatus {
    fn lose_events(&mut self, events: &[Event]) {
        self.events_lost += count(events.len());
        events.iter().for_each(|event| self.lose_at(event.at.wall));
    }

    fn lose_samples<'a>(&mut self, samples: impl Iterator<Item = &'a (SignalIndex, Sample)>) {
        for (_, sample) in samples {
            self.samples_lost += 1;
            self.lose_at(sample.at.wall);
        }
    }

    fn lose_at(&mut self, at: Wall) {
        let (from, to) = self.lost_between.unwrap_or((at, at));
        self.lost_between = Some((from.min(at), to.max(at)));
    }
}

fn answer(sender: Option<oneshot::Sender<Answer>>, outcome: Answer) {
    // Where nobody listens any more, they only wanted it queued.
    let _ = sender.map(|sender| sender.send(outcome));
}

fn count(number: usize) -> u64 {
    u64::try_from(number).unwrap_or(u64::MAX)
}
