//! The monitor's thread: hands inputs to the pure core, its events to the journal, its samples to
//! the history, and publishes the snapshot.
//!
//! It waits for nothing but its inputs. An operator's answer waits for the journal in a task of its
//! own; a snapshot is published by a swap that no reader can hold up.

use std::iter;
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};

use crate::daemon::clock::synchronized;
use crate::daemon::exposure::Exposures;
use crate::daemon::health::STANDSTILL_MAX;
use crate::daemon::learned::{Change, Known};
use crate::daemon::recall::Recorded;
use crate::daemon::reload::PlanChange;
use crate::daemon::{ActError, Answer, Health, Progress, Request};
use crate::history::{RecordError, Recorder};
use crate::modbus::LineOutput;
use crate::moment::{Clock, Mono};
use crate::monitor::{
    Event, EventKind, Input, Output, Plan, RecordReport, Snapshot, State, replan, retell, sensors_in_place,
    snapshot, step,
};

/// Snapshots follow one another no faster than this, however much comes in.
const PUBLISH_PAUSE: Duration = Duration::from_millis(100);
/// A snapshot is published at least this often, even when nothing changes.
const PUBLISH_EVERY: Duration = Duration::from_millis(500);
/// How often the recorder and the lines are asked how they are.
const LOOK_AFTER_EVERY: Duration = Duration::from_secs(1);
/// Inputs taken in one go before a snapshot is due.
const INPUTS_AT_ONCE_MAX: usize = 256;

/// What the monitor's thread works with.
pub(super) struct Watch {
    pub(super) plan: Plan,
    pub(super) state: State,
    pub(super) clock: Clock,
    /// What was recorded before the start.
    pub(super) recorded: Recorded,
    pub(super) recorder: Recorder,
    pub(super) exposures: Exposures,
    pub(super) lines: mpsc::Receiver<LineOutput>,
    pub(super) learned: SyncSender<Change>,
    /// By what the devices are known to whoever keeps what was learned of them.
    pub(super) known: Vec<Known>,
    pub(super) requests: mpsc::Receiver<Request>,
    pub(super) changes: mpsc::Receiver<PlanChange>,
    pub(super) snapshots: watch::Sender<Arc<Snapshot>>,
    pub(super) health: watch::Sender<Health>,
    pub(super) replaced: bool,
    /// How often the journal was begun anew since the record was opened.
    pub(super) journals_begun: usize,
    /// For how long each line may be silent.
    pub(super) lines_silent_max: Vec<Duration>,
}

impl Watch {
    /// Watches until every line has ended, then journals that the daemon stopped.
    pub(super) async fn run(mut self) {
        self.recorded.hand_to(&self.plan, &mut self.state, &self.clock);
        let mut rhythm = Rhythm::new((self.clock)().mono, self.plan.lines.len());
        self.look_after(&mut rhythm);
        loop {
            let now = (self.clock)().mono;
            let pause = rhythm.next(self.state.wake()).since(now);
            tokio::select! {
                output = self.lines.recv() => match output {
                    Some(output) => self.take_from_lines(output, &mut rhythm),
                    None => break,
                },
                Some(request) = self.requests.recv() => self.take_request(request, &mut rhythm),
                Some(change) = self.changes.recv() => self.take_change(change, &mut rhythm),
                Some(report) = self.exposures.next() => self.pass(Input::Exposure(report)),
                () = tokio::time::sleep(pause) => self.pass(Input::Tick),
            }
            self.look_after(&mut rhythm);
            self.publish_when_due(&mut rhythm);
        }
        self.tell_the_stop();
        self.publish();
    }

    fn take_from_lines(&mut self, first: LineOutput, rhythm: &mut Rhythm) {
        let mut next = Some(first);
        let mut taken = 0;
        while let Some(output) = next {
            match output {
                LineOutput::Readings(readings) => self.pass(Input::Readings(readings)),
                LineOutput::Report(report) => {
                    rhythm.line_reported(report.line.0, (self.clock)().mono);
                    self.pass(Input::Line(*report));
                }
                // What finds no room is told again when more is learned.
                LineOutput::Learned { device, learned } => {
                    if let Some(known) = self.known.get(device.0) {
                        drop(self.learned.try_send((known.clone(), learned)));
                    }
                }
            }
            rhythm.publish_soon();
            taken += 1;
            next = if taken < INPUTS_AT_ONCE_MAX { self.lines.try_recv().ok() } else { None };
        }
    }

    fn take_request(&mut self, request: Request, rhythm: &mut Rhythm) {
        match request {
            Request::Act(action, answer) => {
                let mut output = self.step(Input::Act(action));
                let results = std::mem::take(&mut output.results);
                self.answer_once_recorded(output, results, answer);
            }
            Request::Work(work, answer) => {
                let mut output = self.step(Input::Work(work));
                if let Some(worked) = output.worked.take() {
                    self.answer_once_recorded(output, worked, answer);
                }
            }
        }
        rhythm.publish_now();
    }

    fn answer_once_recorded<T: Send + 'static>(&self, output: Output, outcome: T, answer: Answer<T>) {
        let recorded = self.hand_on(output);
        tokio::spawn(async move {
            let outcome = match recorded {
                Some(recorded) => committed(recorded).await.map(|()| outcome),
                None => Ok(outcome),
            };
            // A caller that has gone away no longer wants its answer.
            let _ = answer.send(outcome);
        });
    }

    /// Goes over to another plan. What the lines have said so far was said under the old one.
    fn take_change(&mut self, change: PlanChange, rhythm: &mut Rhythm) {
        while let Ok(output) = self.lines.try_recv() {
            self.take_from_lines(output, rhythm);
        }
        self.pass(Input::Tick);
        let (state, mut output) = replan(&self.plan, &self.state, &change.plan);
        (self.plan, self.state, self.lines_silent_max) = (change.plan, state, change.lines_silent_max);
        self.known = change.known;
        output.events.splice(0..0, change.events);
        drop(self.hand_on(output));
        rhythm.lines_begin((self.clock)().mono);
        rhythm.publish_now();
        // Whoever asked sees what is new in the snapshot already. They may have gone away, too.
        self.publish();
        let _ = change.done.send(());
    }

    /// Passes an input to the core and its output on.
    fn pass(&mut self, input: Input) {
        let output = self.step(input);
        // Nobody waits for these; the recorder keeps them until the disk has them.
        drop(self.hand_on(output));
    }

    fn step(&mut self, input: Input) -> Output {
        step(&self.plan, &mut self.state, input, (self.clock)())
    }

    /// Hands events and samples to the recorder. The receiver tells when the events are committed.
    fn hand_on(&self, output: Output) -> Option<Committed> {
        for event in &output.events {
            tracing::info!(kind = event.kind.word(), subject = event.subject, "event");
        }
        // Samples first: those around an alarm's event go to the disk with it.
        if !output.samples.is_empty() {
            self.recorder.samples(output.samples);
        }
        (!output.events.is_empty()).then(|| self.recorder.events(output.events))
    }

    fn look_after(&mut self, rhythm: &mut Rhythm) {
        let now = (self.clock)().mono;
        if now < rhythm.look_after_at {
            return;
        }
        rhythm.look_after_at = now + LOOK_AFTER_EVERY;
        let status = self.recorder.status();
        self.replaced |= !status.replaced.is_empty();
        let journals_begun = status.replaced.iter().filter(|replaced| replaced.is_journal()).count();
        if std::mem::replace(&mut self.journals_begun, journals_begun) < journals_begun {
            // The new journal knows nothing of how the alarms stand.
            drop(self.recorder.events(retell(&self.plan, &self.state)));
        }
        self.exposures.begin_when_due(sensors_in_place(&self.plan, &self.state), (self.clock)());
        let failing = status.last_error;
        self.pass(Input::Record(RecordReport {
            replaced: self.replaced,
            failing: failing.clone(),
            written: status.has_written,
            disk: status.disk,
        }));
        self.pass(Input::Synchronized(synchronized()));
        let monitor = Progress { part: "the monitor".to_owned(), at: now, silent_max: STANDSTILL_MAX };
        let line = |((id, at), silent_max): ((&String, &Mono), &Duration)| Progress {
            part: format!("line {id}"),
            at: *at,
            silent_max: *silent_max,
        };
        let lines = self.plan.lines.iter().zip(&rhythm.line_reports).zip(&self.lines_silent_max).map(line);
        let progress = iter::once(monitor).chain(lines).collect();
        self.health.send_replace(Health { progress, record_failing: failing });
    }

    fn publish_when_due(&mut self, rhythm: &mut Rhythm) {
        let now = (self.clock)().mono;
        if now >= rhythm.publish_at {
            rhythm.published(now);
            self.publish();
        }
    }

    fn publish(&self) {
        self.snapshots.send_replace(Arc::new(snapshot(&self.plan, &self.state)));
    }

    fn tell_the_stop(&mut self) {
        let at = (self.clock)();
        let subject = self.plan.site_id.clone();
        let stopped = Event { at, kind: EventKind::Stopped, subject, who: None, detail: Default::default() };
        drop(self.recorder.events(vec![stopped]));
    }
}

/// Tells when events are committed to the journal.
type Committed = oneshot::Receiver<Result<Vec<u64>, RecordError>>;

async fn committed(recorded: Committed) -> Result<(), ActError> {
    match recorded.await {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(error)) => Err(ActError::NotRecorded(error.to_string())),
        Err(_) => Err(ActError::Stopping),
    }
}

/// When the monitor's thread has something to do of itself.
struct Rhythm {
    published: Mono,
    publish_at: Mono,
    look_after_at: Mono,
    line_reports: Vec<Mono>,
}

impl Rhythm {
    fn new(now: Mono, lines: usize) -> Self {
        Rhythm { published: now, publish_at: now, look_after_at: now, line_reports: vec![now; lines] }
    }

    fn publish_soon(&mut self) {
        self.publish_at = self.publish_at.min(self.published + PUBLISH_PAUSE);
    }

    fn publish_now(&mut self) {
        self.publish_at = self.published;
    }

    fn published(&mut self, now: Mono) {
        (self.published, self.publish_at) = (now, now + PUBLISH_EVERY);
    }

    /// A line that was started anew is given its time to report.
    fn lines_begin(&mut self, now: Mono) {
        self.line_reports.fill(now);
    }

    fn line_reported(&mut self, line: usize, now: Mono) {
        if let Some(report) = self.line_reports.get_mut(line) {
            *report = now;
        }
    }

    fn next(&self, wake: Option<Mono>) -> Mono {
        let own = self.publish_at.min(self.look_after_at);
        wake.map_or(own, |wake| own.min(wake))
    }
}
