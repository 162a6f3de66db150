//! The thread that writes: events as they come, samples as their minutes are over, again after a failure.
//!
//! It is the only one that writes to either file. A write that fails is tried again with growing
//! pauses, for events and samples apart, since the one file may be full while the other is not. Once
//! writing works again, what was given up meanwhile becomes an event itself.

use std::collections::{BTreeMap, VecDeque};
use std::fs::File;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::history::file::{Flaw, Replaced};
use crate::history::journal::Journal;
use crate::history::measure::measure;
use crate::history::queue::{Limits, Queue, Waiting};
use crate::history::reserve::{Reserve, Room};
use crate::history::samples::{MadeRoom, OpenMinutes, SampleStore};
use crate::moment::{Clock, Moment, Mono, Wall};
use crate::monitor::{Detail, Event, EventKind};
use crate::signal::{Sample, SignalIndex};

/// Samples that may wait so long are only written minute by minute, and never staged.
const MINUTE: Duration = Duration::from_secs(60);

/// Everything the thread owns.
pub(super) struct Scribe {
    queue: Arc<Queue>,
    journal: Journal,
    samples: SampleStore,
    reserve: Reserve,
    clock: Clock,
    site_id: String,
    /// When events may be written, and samples should be.
    events_pace: Pace,
    samples_pace: Pace,
    /// When samples were written last, and the minutes that were not over then.
    written: Mono,
    open: OpenMinutes,
    /// An alarm has spoken: the samples around it do not wait for the end of their minute.
    stage_now: bool,
    told: Told,
    /// Samples that made room before their age, and are not told of yet.
    made_room: Option<MadeRoom>,
    made_room_told: Option<Instant>,
    dir: PathBuf,
    /// When the journal's first entry was recorded.
    journal_since: Option<Wall>,
    /// The data directory is this daemon's for as long as the thread lives.
    _lock: File,
}

/// When one of the files is written to next.
struct Pace {
    next: Instant,
    failures: u32,
    error: Option<String>,
    /// Whether it has written at all.
    has_worked: bool,
}

/// How much of what was lost the journal has been told of.
struct Told {
    events: u64,
    samples: u64,
    at: Option<Instant>,
}

impl Scribe {
    pub(super) fn new(
        queue: Arc<Queue>,
        journal: Journal,
        samples: SampleStore,
        reserve: Reserve,
        clock: Clock,
        site_id: String,
        lock: File,
    ) -> Self {
        reserve.fill();
        let dir = reserve.dir().to_owned();
        let Moment { mono: written, wall: now } = clock();
        let samples_after = samples_after(&queue.limits, now);
        let mut scribe = Scribe {
            queue,
            journal,
            samples,
            reserve,
            clock,
            site_id,
            events_pace: Pace::starting(Duration::ZERO),
            samples_pace: Pace::starting(samples_after),
            written,
            open: OpenMinutes::at(now),
            stage_now: false,
            told: Told { events: 0, samples: 0, at: None },
            made_room: None,
            made_room_told: None,
            dir,
            journal_since: None,
            _lock: lock,
        };
        scribe.measure();
        scribe
    }

    /// Writes until the queue is closed and everything that the disk takes is written.
    pub(super) fn run(mut self) {
        while !self.wait_for_work() {
            let now = Instant::now();
            if self.events_pace.next <= now {
                self.write_events();
            }
            if self.samples_at(now) <= now {
                self.write_samples();
            }
            self.tell_losses();
            self.tell_made_room();
        }
        while self.write_events() {}
        self.stage_now = true;
        self.write_samples();
        (self.told.at, self.made_room_told) = (None, None);
        self.tell_losses();
        self.tell_made_room();
        while self.write_events() {}
        let queue = Arc::clone(&self.queue);
        drop(self); // The files are closed and the lock is free before anybody is told.
        queue.finish();
    }

    /// Waits until something may be written; true when the queue is closed.
    fn wait_for_work(&self) -> bool {
        let events_at = self.events_pace.next;
        let waiting = self.queue.wait_until(|waiting, now| {
            let events_at = waiting.has_events().then_some(events_at);
            let samples_at = (!waiting.samples.is_empty()).then(|| self.samples_at(now));
            match events_at.into_iter().chain(samples_at).min() {
                _ if waiting.closing => Ok(()),
                Some(time) if time <= now => Ok(()),
                time => Err(time),
            }
        });
        waiting.closing
    }

    /// When samples are written next: at once when that is due by the daemon's own clocks, of which one
    /// may have been set, and which may be those of a simulation.
    fn samples_at(&self, now: Instant) -> Instant {
        let Moment { mono, wall } = (self.clock)();
        let due = OpenMinutes::at(wall).is_after(self.open)
            || mono.since(self.written) >= self.queue.limits.flush_every;
        if due && self.samples_pace.failures == 0 { now } else { self.samples_pace.next }
    }

    /// Writes one transaction of events; true when that was done and there may be more.
    fn write_events(&mut self) -> bool {
        let batches = self.queue.lock().first_events(self.queue.limits.events_per_commit_max);
        if batches.is_empty() {
            return false;
        }
        match self.journal.append(&batches) {
            Ok((numbers, head)) => {
                self.events_pace.worked(Duration::ZERO);
                let mut waiting = self.queue.lock();
                waiting.events_recorded(numbers, head);
                self.say(&mut waiting);
                let alarm =
                    batches.iter().flat_map(|batch| batch.iter()).any(|event| event.kind.is_about_alarm());
                if alarm && self.samples_pace.failures == 0 {
                    self.samples_pace.next = Instant::now();
                    self.stage_now = true;
                }
                true
            }
            Err(flaw) => {
                if flaw.is_full_disk() && self.reserve.give_up() {
                    return true;
                }
                self.events_pace.failed("journal", &flaw, self.queue.limits.retry_after);
                self.say(&mut self.queue.lock());
                if let Flaw::Damaged(cause) = flaw {
                    let moved = self.journal.move_aside(cause, (self.clock)().wall);
                    self.tell_replaced(moved);
                }
                false
            }
        }
    }

    /// Writes the minutes that are over; those that are not stay queued, unless they are to be staged.
    fn write_samples(&mut self) {
        let limits = &self.queue.limits;
        let Moment { mono, wall: now } = (self.clock)();
        let open = OpenMinutes::at(now);
        (self.written, self.open) = (mono, open);
        let stage = self.stage_now || limits.flush_every < MINUTE;
        let taken = self.queue.lock().take_samples();
        let waits = |(_, sample): &(SignalIndex, Sample)| !stage && open.contain(sample.at.wall);
        let (mut waiting, mut due): (VecDeque<_>, VecDeque<_>) = taken.into_iter().partition(waits);
        let room = self.reserve.room();
        let kept = match room {
            Room::None => Err(Flaw::NoRoom),
            Room::Short | Room::Ample => self.samples.keep(due.iter(), open),
        };
        // Also when nothing could be kept: the file may be full.
        let trimmed = match room {
            Room::None => Ok(None),
            Room::Short | Room::Ample => self.samples.trim(now, room == Room::Short),
        };
        let trimmed = trimmed.map(|made_room| {
            self.made_room = MadeRoom::both(self.made_room, made_room);
        });
        if kept.is_err() {
            due.append(&mut waiting);
            waiting = due;
        }
        self.queue.lock().put_back(waiting, limits.samples_queued_max);
        let flaw = kept.and(trimmed).err();
        match &flaw {
            None => {
                self.stage_now = false;
                self.reserve.fill();
                self.samples_pace.worked(samples_after(limits, now));
            }
            Some(flaw) => self.samples_pace.failed("history", flaw, limits.retry_after),
        }
        self.say(&mut self.queue.lock());
        if flaw.is_none() {
            self.measure();
        }
        if let Some(Flaw::Damaged(cause)) = flaw {
            let moved = self.samples.move_aside(cause, (self.clock)().wall);
            self.tell_replaced(moved);
        }
    }

    /// Measures what the record takes. What cannot be read now was measured a minute ago.
    fn measure(&mut self) {
        if self.journal_since.is_none() {
            self.journal_since = self.journal.began().unwrap_or(None);
        }
        if let Ok(extent) = self.samples.extent() {
            let disk = measure(&self.dir, extent, self.journal_since, (self.clock)());
            self.queue.lock().status.disk = Some(disk);
        }
    }

    /// Puts the state of the two files where everybody can see it.
    fn say(&self, waiting: &mut Waiting) {
        waiting.status.last_error =
            self.events_pace.error.clone().or_else(|| self.samples_pace.error.clone());
        waiting.status.has_written = self.events_pace.has_worked && self.samples_pace.has_worked;
    }

    /// Tells the journal and everybody else that a file has turned out to be damaged; what waits goes
    /// into a new one.
    fn tell_replaced(&self, moved: io::Result<Replaced>) {
        match moved {
            Ok(replaced) => {
                let mut waiting = self.queue.lock();
                waiting.add_own_event(replaced.event(&self.site_id, (self.clock)()));
                waiting.status.replaced.push(replaced);
            }
            Err(error) => tracing::error!("a damaged file cannot be moved aside: {error}"),
        }
    }

    /// Makes an event of what was given up, once both files can be written again.
    fn tell_losses(&mut self) {
        let works = self.events_pace.failures == 0 && self.samples_pace.failures == 0;
        let lately = self.told.at.is_some_and(|at| at.elapsed() < self.queue.limits.loss_told_every);
        let mut waiting = self.queue.lock();
        let events = waiting.status.events_lost - self.told.events;
        let samples = waiting.status.samples_lost - self.told.samples;
        if !works || lately || events + samples == 0 {
            return;
        }
        let mut detail = BTreeMap::from([("events", number(events)), ("samples", number(samples))]);
        if let Some((from, to)) = waiting.status.lost_between.take() {
            detail.insert("from", Detail::Text(format!("{from:.3}")));
            detail.insert("to", Detail::Text(format!("{to:.3}")));
        }
        waiting.add_own_event(Event {
            at: (self.clock)(),
            kind: EventKind::RecordLost,
            subject: self.site_id.clone(),
            who: None,
            detail,
        });
        self.told.events += events;
        self.told.samples += samples;
        self.told.at = Some(Instant::now());
    }

    /// Makes an event of the samples that went before their age: of the first at once, then once a day.
    fn tell_made_room(&mut self) {
        let every = self.queue.limits.made_room_told_every;
        if self.made_room_told.is_some_and(|at| at.elapsed() < every) {
            return;
        }
        let Some(MadeRoom { from, to, cause }) = self.made_room.take() else {
            return;
        };
        self.queue.lock().add_own_event(Event {
            at: (self.clock)(),
            kind: EventKind::SamplesMadeRoom,
            subject: self.site_id.clone(),
            who: None,
            detail: BTreeMap::from([
                ("from", Detail::Text(format!("{from:.3}"))),
                ("to", Detail::Text(format!("{to:.3}"))),
                ("cause", Detail::Text(cause.to_owned())),
            ]),
        });
        self.made_room_told = Some(Instant::now());
    }
}

impl Pace {
    fn starting(after: Duration) -> Self {
        Pace { next: Instant::now() + after, failures: 0, error: None, has_worked: false }
    }

    fn worked(&mut self, next_after: Duration) {
        *self = Pace { has_worked: true, ..Pace::starting(next_after) };
    }

    fn failed(&mut self, file: &str, flaw: &Flaw, (first, longest): (Duration, Duration)) {
        let doubled = first.saturating_mul(1_u32.checked_shl(self.failures).unwrap_or(u32::MAX));
        self.next = Instant::now() + doubled.min(longest);
        self.failures = (self.failures + 1).min(u32::BITS - 1);
        let error = format!("{file}: {flaw}");
        if self.error.as_ref() != Some(&error) {
            tracing::error!("cannot write the {error}");
        }
        self.error = Some(error);
    }
}

/// How long samples may wait from `now` on: until the next minute is over, or less when they are staged
/// meanwhile.
fn samples_after(limits: &Limits, now: Wall) -> Duration {
    OpenMinutes::next_over_after(now).min(limits.flush_every)
}

fn number(count: u64) -> Detail {
    Detail::Number(f64::from(u32::try_from(count).unwrap_or(u32::MAX)))
}
