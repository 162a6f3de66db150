//! The status page: what an operator must know first stands first.
//!
//! Does the gas keep its limits, can that be believed, since when, and what needs somebody now;
//! then every alarm, every device with its signals, the lines, and the last events.

use std::time::Duration;

use askama::Template;
use axum::extract::State;
use axum::response::Response;

use crate::serve::Face;
use crate::serve::api::JournalPage;
use crate::serve::page::row::{AlarmRow, DeviceRow, EventRow, Here, LineRow};
use crate::serve::page::{Frame, rendered};
use crate::serve::problem::Problem;
use crate::view::words::{
    clock_text, label, reasons_text, storage_text, value_with_quality_text, verdict_text,
};
use crate::view::{Alarm, Entry, Signal, Status, Verdict};

/// How many of the last events the page shows.
const EVENTS_MAX: usize = 10;
/// How long the page waits for them, in milliseconds: a slow disk must not hide the present.
const EVENTS_WAIT_MS_MAX: u64 = 300;

#[derive(Template)]
#[template(path = "overview.html", config = "src/serve/page/askama.toml")]
struct Overview {
    frame: Frame,
    answer: Answer,
    /// Alarms that somebody must do something about, most urgent first.
    needs: Vec<AlarmRow>,
    /// What is said when there are none.
    calm: String,
    /// How many alarms are withheld from the operator.
    withheld: usize,
    alarms: Vec<AlarmRow>,
    devices: Vec<DeviceRow>,
    lines: Vec<LineRow>,
    clock: ClockLine,
    /// What the record takes and how long its room lasts; empty before it was measured.
    storage: String,
    events: Result<Vec<EventRow>, String>,
}

/// The answer to the first question.
struct Answer {
    /// What picks shape and colour.
    mark: &'static str,
    verdict: &'static str,
    /// What is outside, and what is not known.
    because: Vec<String>,
    belief: String,
    since: String,
}

/// Whether the times told here can be believed.
struct ClockLine {
    /// What picks the colour.
    mark: &'static str,
    text: String,
}

impl ClockLine {
    fn of(status: &Status, here: Here<'_>) -> ClockLine {
        let mark = if status.clock.is_doubtful() { "trouble" } else { "calm" };
        ClockLine { mark, text: clock_text(&status.clock, here.zone).join("; ") }
    }
}

fn storage(status: &Status, here: Here<'_>) -> String {
    let told = status.storage.as_ref().map_or_else(Vec::new, |storage| storage_text(storage, here.zone));
    let told: Vec<String> = told.into_iter().map(|(what, how_much)| format!("{what} {how_much}")).collect();
    told.join("; ")
}

/// `/`
pub async fn page(State(face): State<Face>) -> Result<Response, Problem> {
    let wait = Duration::from_millis(EVENTS_WAIT_MS_MAX);
    let entries = face.journal(JournalPage::Last, EVENTS_MAX, wait).await;
    let status = face.status();
    let here = Here { now: face.handle.now().into(), zone: &face.settings.time_zone };
    let row = |alarm: &Alarm| AlarmRow::of(alarm, &status.signals, here);
    let events = entries.map_err(|problem| problem.detail).map(|entries| {
        entries.into_iter().rev().map(|entry| EventRow::of(&Entry::from(entry), here)).collect()
    });
    rendered(&Overview {
        frame: Frame::new(&face, &news(&status), true),
        answer: answer(&status, here),
        needs: needs(&status).into_iter().map(row).collect(),
        calm: calm(&status),
        withheld: status.summary.alarms_withheld,
        alarms: status.alarms.iter().map(row).collect(),
        devices: status.devices.iter().map(|device| DeviceRow::of(device, &status.signals, here)).collect(),
        lines: status.lines.iter().map(LineRow::of).collect(),
        clock: ClockLine::of(&status, here),
        storage: storage(&status, here),
        events,
    })
}

/// What the window's title says first.
fn news(status: &Status) -> String {
    let verdict = verdict_text(status.gas.verdict);
    match status.summary.alarms_unacknowledged {
        0 => verdict.to_owned(),
        count => format!("{verdict}, {count} to acknowledge"),
    }
}

/// The alarms that need somebody: those not acknowledged first, then by priority, then the newest.
fn needs(status: &Status) -> Vec<&Alarm> {
    let mut needs: Vec<&Alarm> = status.alarms.iter().filter(|alarm| alarm.needs_somebody()).collect();
    needs.sort_by_key(|alarm| {
        let known = !alarm.state.is_unacknowledged();
        let gone = !alarm.life.is_active();
        (known, gone, alarm.priority, std::cmp::Reverse(alarm.since))
    });
    needs
}

/// What stands where no alarm calls. Where a limit cannot be judged, that is no reason for calm: the
/// *measurement lost* alarm that speaks for it may still be waiting for its delay.
fn calm(status: &Status) -> String {
    match status.gas.not_known.len() {
        0 if status.gas.pending.is_empty() => "Nothing: no alarm waits for anybody.".to_owned(),
        0 => "No alarm calls yet, but a limit is passed: its on-delay runs.".to_owned(),
        lost => format!(
            "No alarm calls now, but {lost} of {} limits cannot be judged: take that gas as not measured.",
            status.gas.limits
        ),
    }
}

fn answer(status: &Status, here: Here<'_>) -> Answer {
    let gas = &status.gas;
    let outside = chosen(status, &gas.outside).map(|(alarm, signal)| outside_text(alarm, signal));
    let pending = chosen(status, &gas.pending).map(|(alarm, signal)| pending_text(alarm, signal));
    let not_known = chosen(status, &gas.not_known).map(|(alarm, signal)| not_known_text(alarm, signal));
    Answer {
        mark: match gas.verdict {
            Verdict::WithinLimits if gas.is_certain() => "within",
            Verdict::WithinLimits | Verdict::BeyondPending => "care",
            Verdict::OutsideLimits => "outside",
            Verdict::NotKnown | Verdict::NoLimits => "unknown",
        },
        verdict: verdict_text(gas.verdict),
        because: outside.chain(pending).chain(not_known).collect(),
        belief: belief(status),
        since: gas.since.map_or_else(String::new, |since| here.since(since)),
    }
}

/// The alarms with these ids, each with the signal it watches.
fn chosen<'a>(
    status: &'a Status,
    ids: &'a [String],
) -> impl Iterator<Item = (&'a Alarm, Option<&'a Signal>)> + 'a {
    let signal =
        |alarm: &Alarm| status.signals.iter().find(|signal| alarm.signal.as_ref() == Some(&signal.id));
    let alarms = status.alarms.iter().filter(|alarm| ids.contains(&alarm.id));
    alarms.map(move |alarm| (alarm, signal(alarm)))
}

fn outside_text(alarm: &Alarm, signal: Option<&Signal>) -> String {
    match signal {
        Some(signal) => format!("{}: {} {} now.", alarm.name, label(signal), value_with_quality_text(signal)),
        None => format!("{}.", alarm.name),
    }
}

fn pending_text(alarm: &Alarm, signal: Option<&Signal>) -> String {
    format!("{} Not yet for its on-delay.", outside_text(alarm, signal))
}

fn not_known_text(alarm: &Alarm, signal: Option<&Signal>) -> String {
    match signal {
        Some(signal) => {
            format!("“{}” cannot be judged: {}: {}.", alarm.name, label(signal), reasons_text(signal))
        }
        None => format!("“{}” cannot be judged.", alarm.name),
    }
}

/// Whether the answer can be believed.
fn belief(status: &Status) -> String {
    let gas = &status.gas;
    let with_care = status.signals.iter().filter(|signal| gas.with_care.contains(&signal.id));
    let with_care: Vec<&str> = with_care.map(label).collect();
    let mut care = String::new();
    if !with_care.is_empty() {
        care += &format!(" To be used with care: {}.", with_care.join(", "));
    }
    for (alarm, _) in chosen(status, &gas.in_doubt) {
        care += &format!(" “{}”: one of the two measurements is wrong.", alarm.name);
    }
    match (gas.limits, gas.not_known.len()) {
        (0, _) => "The site file sets no limit to judge the gas by.".to_owned(),
        (limits, 0) if care.is_empty() => {
            format!("Yes: every limit ({limits}) is judged on good measurements.")
        }
        (limits, 0) => format!("With care: every limit ({limits}) is judged.{care}"),
        (limits, lost) if lost == limits => format!("No: none of the limits ({limits}) can be judged now."),
        (limits, lost) => format!("In part: {lost} of {limits} limits cannot be judged now.{care}"),
    }
}
