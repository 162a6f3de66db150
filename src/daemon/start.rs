//! Start and stop: the record first, then the monitor, then, when the caller says so, the lines; and back.

use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::{mpsc, watch};

use crate::config::Site;
use crate::daemon::exposure::Exposures;
use crate::daemon::health::STANDSTILL_MAX;
use crate::daemon::learned::{self, Memory};
use crate::daemon::lines::Lines;
use crate::daemon::loans::Lenders;
use crate::daemon::recall::Recorded;
use crate::daemon::reload::{PlanChange, settings_of};
use crate::daemon::settings::{self, Settings};
use crate::daemon::watch::Watch;
use crate::daemon::{Handle, Health, journaled, plan, system_clock, unwatched};
use crate::history::{self, JournalReader, ReadError, Record, Recorder, Replaced};
use crate::modbus::LinePlan;
use crate::moment::{Moment, Wall};
use crate::monitor::{
    Detail, Event, EventKind, Plan, Snapshot, State, restore, restore_care, retell, snapshot,
};

/// Inputs from the lines that may wait for the monitor.
const LINE_OUTPUTS_WAITING_MAX: usize = 1024;
/// Operator actions that may wait for the monitor.
const REQUESTS_WAITING_MAX: usize = 16;

/// What a start needs beside the site.
#[derive(Debug, Clone)]
pub struct Options {
    /// The data directory; made when it is not there.
    pub data: PathBuf,
}

/// Why the daemon could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The record cannot be opened.
    #[error(transparent)]
    Record(#[from] history::OpenError),
    /// The record cannot be read back.
    #[error("cannot read back what was recorded: {0}")]
    ReadBack(#[from] history::ReadError),
    /// The operating system gives no thread.
    #[error("cannot start the thread of {what}: {cause}")]
    Thread {
        /// Whose thread.
        what: String,
        /// What the operating system says.
        cause: io::Error,
    },
}

/// A daemon at work. Dropping it stops the lines, but waits for nothing: use [`Running::stop`].
pub struct Running {
    pub(super) handle: Handle,
    pub(super) recorder: Recorder,
    pub(super) lines: Lines,
    /// The lines that ask nothing yet.
    waiting: Vec<LinePlan>,
    /// The site that is in force.
    pub(super) site: Site,
    /// To the monitor.
    pub(super) changes: mpsc::Sender<PlanChange>,
    threads: Vec<JoinHandle<()>>,
}

/// Everything there is to know of a site of which nothing has been read: all its names, and no value.
pub fn nothing_known(site: &Site, at: Moment) -> Snapshot {
    let plan = plan::monitor_plan(site);
    snapshot(&plan, &State::new(&plan, at))
}

/// Starts the daemon: opens the record, restores the alarms, sets the monitor to work. No line is asked
/// anything before [`Running::poll`].
pub fn start(site: &Site, options: &Options) -> Result<Running, StartError> {
    let clock = system_clock();
    let plan = plan::monitor_plan(site);
    let record = history::open(&options.data, site, clock.clone())?;
    let mut state = State::new(&plan, clock());
    let told_again = restore_alarms(&record, &plan, &mut state)?;
    restore_care_of_devices(&record, &plan, &mut state)?;
    unwatched::settle_anew(&plan, &mut state, &record.samples);
    let (before, in_force) = (record.journal.last_settings()?, settings_of(site));
    let recorded = Recorded::new(record.samples.clone(), before.as_ref(), &in_force);
    let behind = state.begin_after(recorded_until(&record)?, &site.id);
    let opening = opening_events(site, &record, (&plan, &state), (before, &in_force));
    drop(record.recorder.events(opening.into_iter().chain(behind).chain(told_again).collect()));

    let (snapshots, snapshots_seen) = watch::channel(Arc::new(snapshot(&plan, &state)));
    let (health, health_seen) = watch::channel(Health::default());
    let (requests, requests_heard) = mpsc::channel(REQUESTS_WAITING_MAX);
    let (changes, changes_heard) = mpsc::channel(1);
    let (outputs, outputs_heard) = mpsc::channel(LINE_OUTPUTS_WAITING_MAX);
    let lenders = Lenders::default();
    let samples = record.samples.clone();
    let handle = Handle::new(clock.clone(), snapshots_seen, health_seen, requests, Arc::new(record.journal))
        .with_history(Arc::new(record.samples))
        .with_lenders(lenders.clone());

    let memory = Memory::open(&options.data, site);
    let mut line_plans = LinePlan::of(site);
    line_plans.iter_mut().for_each(|line| memory.remind(line));
    let (learned, keeper) =
        memory.keep().map_err(|cause| StartError::Thread { what: "the memory".to_owned(), cause })?;
    let monitor = Watch {
        plan,
        state,
        clock: clock.clone(),
        recorded,
        recorder: record.recorder.clone(),
        exposures: Exposures::new(samples),
        lines: outputs_heard,
        learned,
        known: learned::known(site),
        requests: requests_heard,
        changes: changes_heard,
        snapshots,
        health,
        replaced: !record.replaced.is_empty(),
        journals_begun: 0,
        lines_silent_max: lines_silent_max(site),
    };
    let threads = vec![thread_of_monitor(monitor)?, keeper];
    let lines = Lines::new(options.data.clone(), clock, outputs, lenders);
    let (recorder, waiting, site) = (record.recorder, line_plans, site.clone());
    Ok(Running { handle, recorder, lines, waiting, site, changes, threads })
}

impl Running {
    /// The site that is in force.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// What the faces hold of the daemon.
    pub fn handle(&self) -> Handle {
        self.handle.clone()
    }

    /// Sets the lines to work. For when everything else that can fail at the start has not: whoever finds a
    /// port taken has asked no device anything.
    ///
    /// # Errors
    /// [`StartError::Thread`].
    pub fn poll(&mut self) -> Result<(), StartError> {
        self.waiting.drain(..).try_for_each(|line| self.lines.start(line))
    }

    /// Stops the lines, lets the monitor finish what came in, and flushes the record.
    pub async fn stop(self) {
        let Running { threads, recorder, lines, handle, .. } = self;
        drop(handle);
        let finish = move || {
            for thread in lines.end().into_iter().chain(threads) {
                // A panic aborts the whole process, so a thread that ended has ended well.
                let _ = thread.join();
            }
            recorder.close();
        };
        let _ = tokio::task::spawn_blocking(finish).await;
    }
}

/// For how long each line may say nothing: one question and its answer lie between two reports.
pub(super) fn lines_silent_max(site: &Site) -> Vec<Duration> {
    site.lines.iter().map(|line| STANDSTILL_MAX + 2 * line.response_timeout).collect()
}

/// The time of what was recorded last: an event, or the minute of a sample.
fn recorded_until(record: &Record) -> Result<Option<Wall>, ReadError> {
    let event = record.journal.read_last(1)?.first().map(|entry| entry.time);
    let minute = record.recorder.status().disk.and_then(|disk| disk.samples).map(|(_, newest)| newest);
    Ok(event.max(minute))
}

/// Folds the alarms back from the journal. Returns what follows from it, for the journal.
fn restore_alarms(record: &Record, plan: &Plan, state: &mut State) -> Result<Vec<Event>, StartError> {
    let mut entries = Vec::new();
    read_past(record, "the alarms start as normal", |journal| {
        entries = journal.recorded_alarm_events()?;
        Ok(())
    })?;
    let seq = record.recorder.status().journal_head.seq;
    Ok(restore(plan, state, entries.iter().filter_map(journaled::remembered), seq))
}

/// The same for the care of the devices.
fn restore_care_of_devices(record: &Record, plan: &Plan, state: &mut State) -> Result<(), StartError> {
    let mut past = Vec::new();
    read_past(record, "no device starts in function check", |journal| {
        journal.each(&journaled::CARE_KINDS, |entry| past.extend(journaled::remembered_care(entry)))
    })?;
    restore_care(plan, state, past);
    Ok(())
}

/// Has the past read from the journal; where that had to be begun anew, from what can still be read of
/// the one that was moved aside. Nothing vouches for that, but to forget an alarm would be worse. Where
/// it cannot be read, `instead` is said to be so.
fn read_past(
    record: &Record,
    instead: &str,
    read: impl FnOnce(&JournalReader) -> Result<(), ReadError>,
) -> Result<(), StartError> {
    match record.replaced.iter().find(|replaced| replaced.is_journal()) {
        None => read(&record.journal)?,
        Some(Replaced { moved_to: Some(moved_to), .. }) => {
            read(&JournalReader::moved_aside(moved_to)).unwrap_or_else(|error| {
                tracing::error!("{instead}, for their past cannot be read: {error}");
            });
        }
        Some(Replaced { moved_to: None, .. }) => {}
    }
    Ok(())
}

/// What the journal is told of this start: what was moved aside, and how the alarms stood then; the
/// start itself, with all settings where they are not those last recorded; every setting that changed.
fn opening_events(
    site: &Site,
    record: &Record,
    (plan, state): (&Plan, &State),
    (recorded, in_force): (Option<Settings>, &Settings),
) -> Vec<Event> {
    let at = state.now();
    let mut started = Event {
        at,
        kind: EventKind::Started,
        subject: site.id.clone(),
        who: None,
        detail: BTreeMap::from([
            ("version", Detail::Text(env!("CARGO_PKG_VERSION").to_owned())),
            ("site_sha256", Detail::Text(site.sha256.clone())),
        ]),
    };
    if recorded.as_ref() != Some(in_force) {
        started.detail.insert(history::SETTINGS_DETAIL, history::settings_as_detail(&site.settings));
    }
    let begun_anew = record.replaced.iter().any(Replaced::is_journal);
    let carried_over = if begun_anew { retell(plan, state) } else { Vec::new() };
    let replaced = record.replaced.iter().map(|replaced| {
        let (file, cause) = (replaced.file.display(), &replaced.cause);
        match &replaced.moved_to {
            Some(moved_to) => tracing::error!("{file}: {cause}; moved to {}, begun anew", moved_to.display()),
            None => tracing::error!("{file}: {cause}; begun anew"),
        }
        replaced.event(&site.id, at)
    });
    let changes = recorded.map_or_else(Vec::new, |recorded| settings::changes(&recorded, in_force, at));
    replaced.chain(carried_over).chain([started]).chain(changes).collect()
}

/// The monitor has a thread and a runtime of its own, so that no face can keep it waiting.
fn thread_of_monitor(monitor: Watch) -> Result<JoinHandle<()>, StartError> {
    let failed = |cause| StartError::Thread { what: "the monitor".to_owned(), cause };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(failed)?;
    let work = move || runtime.block_on(monitor.run());
    std::thread::Builder::new().name("monitor".to_owned()).spawn(work).map_err(failed)
}
