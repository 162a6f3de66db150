//! Signals, alarms, devices, lines and events as rows of words.

use jiff::tz::TimeZone;

use crate::alarm::{Life, Withheld};
use crate::monitor::DeviceState;
use crate::signal::Quality;
use crate::view::words::{
    clock_time, condition_of, condition_text, duration, event_detail_text, event_kind_text, event_who_text,
    for_how_long, function_check_text, label, last_calibration_text, last_good_text, quality_text,
    reasons_text, sensor_text, shelved_text, standing, value_text, value_with_quality_text,
};
use crate::view::{Alarm, AlarmState, Device, Entry, Instant, Line, LineState, Signal};

/// When the page is, and where.
#[derive(Clone, Copy)]
pub struct Here<'a> {
    pub now: Instant,
    pub zone: &'a TimeZone,
}

impl Here<'_> {
    /// A point in time with how long ago it was: `09:01:00, for 4 min 5 s`.
    pub fn since(self, at: Instant) -> String {
        let clock = clock_time(at, self.now, self.zone);
        for_how_long(at, self.now).map_or_else(|| clock.clone(), |long| format!("{clock}, for {long}"))
    }

    fn clock(self, at: Instant) -> String {
        clock_time(at, self.now, self.zone)
    }
}

pub struct SignalRow {
    pub id: String,
    pub label: String,
    pub tag: String,
    /// The quality's word, which picks shape and colour.
    pub mark: &'static str,
    pub quality: &'static str,
    pub value: String,
    /// For where the quality does not stand beside it.
    pub value_with_quality: String,
    pub reasons: String,
    pub condition: &'static str,
    /// Told only when there is no present value.
    pub last_good: Option<String>,
    pub age: String,
    pub since: String,
}

impl SignalRow {
    pub fn of(signal: &Signal, here: Here<'_>) -> SignalRow {
        let quality = signal.quality.0;
        SignalRow {
            id: signal.id.clone(),
            label: label(signal).to_owned(),
            tag: signal.tag.clone().unwrap_or_default(),
            mark: quality.word(),
            quality: quality_text(quality),
            value: value_text(signal),
            value_with_quality: value_with_quality_text(signal),
            reasons: reasons_text(signal),
            condition: signal.condition.map_or("", |condition| condition_text(condition.0)),
            last_good: (quality == Quality::Bad).then(|| {
                last_good_text(signal, here.now, here.zone)
                    .unwrap_or_else(|| "never since the start".to_owned())
            }),
            age: signal.age_s.map_or_else(|| "never".to_owned(), |age| format!("{} ago", duration(age.0))),
            since: format!("{}, for {}", here.clock(signal.since), duration(signal.since_s.0)),
        }
    }
}

pub struct AlarmRow {
    pub id: String,
    pub name: String,
    /// What picks shape and colour: `raised`, `known`, `gone`, `withheld`, `unknown`, `pending` or `normal`.
    pub mark: &'static str,
    pub state: String,
    pub priority: &'static str,
    /// The signal's label and its present value.
    pub signal: Option<SignalRow>,
    /// What it watches for.
    pub condition: String,
    pub since: String,
    /// Whether its action is still called for: its condition holds or holds again, or is not known to be gone.
    pub acts: bool,
    /// Said when the condition cannot be known.
    pub indeterminate: bool,
    pub cause: String,
    pub consequence: String,
    pub action: String,
}

impl AlarmRow {
    pub fn of(alarm: &Alarm, signals: &[Signal], here: Here<'_>) -> AlarmRow {
        let signal = signals.iter().find(|signal| alarm.signal.as_ref() == Some(&signal.id));
        AlarmRow {
            id: alarm.id.clone(),
            name: alarm.name.clone(),
            mark: mark(alarm),
            state: state(alarm, here),
            priority: alarm.priority.word(),
            signal: signal.map(|signal| SignalRow::of(signal, here)),
            condition: condition_of(alarm, signal),
            since: alarm.since.map_or_else(String::new, |since| here.since(since)),
            acts: alarm.active != Some(false) || alarm.pending,
            indeterminate: alarm.active.is_none(),
            cause: alarm.cause.clone().unwrap_or_default(),
            consequence: alarm.consequence.clone().unwrap_or_default(),
            action: alarm.action.clone().unwrap_or_default(),
        }
    }
}

fn state(alarm: &Alarm, here: Here<'_>) -> String {
    let state = standing(alarm);
    let until = alarm.shelved_until.filter(|_| alarm.withheld() == Some(Withheld::Shelved));
    let state = until.map_or(state, |until| shelved_text(alarm, &here.clock(until)));
    let beneath = match (alarm.withheld(), alarm.active) {
        (Some(_), Some(true)) => ", its condition holds",
        (Some(_) | None, _) => "",
    };
    format!("{state}{beneath}")
}

/// What an operator must tell apart at a glance.
fn mark(alarm: &Alarm) -> &'static str {
    match alarm.state.0 {
        AlarmState::Withheld(_) => "withheld",
        AlarmState::Told(Life::Normal) if alarm.active.is_none() => "unknown",
        AlarmState::Told(Life::Normal) if alarm.pending => "pending",
        AlarmState::Told(Life::Normal) => "normal",
        AlarmState::Told(Life::Unacknowledged) => "raised",
        AlarmState::Told(Life::Acknowledged) => "known",
        AlarmState::Told(
            Life::ReturnedUnacknowledged | Life::LatchedUnacknowledged | Life::LatchedAcknowledged,
        ) => "gone",
    }
}

pub struct DeviceRow {
    pub id: String,
    pub name: String,
    pub line: String,
    pub unit_id: u8,
    pub mark: &'static str,
    pub state: &'static str,
    pub heard: String,
    /// How soon it usually answers; empty when that has not been measured.
    pub responds: String,
    pub refused: String,
    /// What people do with it now; empty when nobody works on it.
    pub care: String,
    /// Its last calibration and the next; empty where nothing is known of either.
    pub calibration: String,
    /// Its sensor; empty where the site file tells of none.
    pub sensor: String,
    pub signals: Vec<SignalRow>,
}

impl DeviceRow {
    pub fn of(device: &Device, signals: &[Signal], here: Here<'_>) -> DeviceRow {
        let own = signals.iter().filter(|signal| signal.device() == device.id);
        let (mark, state) = match device.state.0 {
            DeviceState::Unknown => ("uncertain", "not asked yet"),
            DeviceState::Online => ("good", "answers"),
            DeviceState::Degraded => ("uncertain", "answers with errors"),
            DeviceState::Lost => ("bad", "does not answer"),
        };
        let care = function_check_text(device, here.now, here.zone).unwrap_or_default();
        let mark = if mark == "good" && !care.is_empty() { "uncertain" } else { mark };
        DeviceRow {
            id: device.id.clone(),
            name: device.name.clone(),
            line: device.line.clone(),
            unit_id: device.unit_id,
            mark,
            state,
            heard: device
                .last_response_s
                .map_or_else(|| "never".to_owned(), |age| format!("{} ago", duration(age.0))),
            responds: device
                .response
                .map_or_else(String::new, |response| format!("usually after {}", millis(response.p50_ms))),
            refused: device.refused.as_deref().unwrap_or_default().join(", "),
            care,
            calibration: last_calibration_text(device, here.now, here.zone).unwrap_or_default(),
            sensor: device.sensor.as_ref().map(sensor_text).unwrap_or_default(),
            signals: own.map(|signal| SignalRow::of(signal, here)).collect(),
        }
    }
}

pub struct LineRow {
    pub id: String,
    pub mark: &'static str,
    pub state: String,
    pub load: String,
    pub lateness: String,
    pub faults: String,
    pub hints: Vec<String>,
}

impl LineRow {
    pub fn of(line: &Line) -> LineRow {
        let (mark, state) = match (line.state, line.noisy) {
            (None, _) => ("uncertain", "no report yet".to_owned()),
            (Some(LineState::Down), _) => {
                ("bad", format!("down: {}", line.cause.as_deref().unwrap_or("the cause is not known")))
            }
            (Some(LineState::Lent), _) => {
                ("uncertain", format!("lent {}", line.cause.as_deref().unwrap_or_default()))
            }
            (Some(LineState::Up), Some(true)) => ("uncertain", "up, but noisy".to_owned()),
            (Some(LineState::Up), _) if line.is_overloaded() => {
                ("uncertain", "up, but overloaded".to_owned())
            }
            (Some(LineState::Up), _) => ("good", "up".to_owned()),
        };
        LineRow {
            id: line.id.clone(),
            mark,
            state,
            load: load(line),
            lateness: line.lateness.map_or_else(String::new, |late| {
                format!("99 of 100 polls at most {} late", millis(late.p99_ms))
            }),
            faults: faults(line),
            hints: line.hints.clone().unwrap_or_default(),
        }
    }
}

fn load(line: &Line) -> String {
    let busy = line.load.map(|load| format!("{:.0} % in use", load * 1e2));
    let over = line.demand.filter(|_| line.is_overloaded()).map(overload);
    [busy, over].into_iter().flatten().collect::<Vec<_>>().join("; ")
}

fn overload(demand: f64) -> String {
    format!(
        "{:.0} % of what it can carry is asked of it: every period is {demand:.1} times as long",
        demand * 1e2
    )
}

/// A short time: `18 ms`, or `2.4 s` from a second on.
fn millis(millis: f64) -> String {
    if millis < 999.5 { format!("{millis:.0} ms") } else { format!("{:.1} s", millis / 1e3) }
}

/// Transactions and what went wrong with them, leaving out what never happened.
fn faults(line: &Line) -> String {
    let Some(counters) = line.counters else { return String::new() };
    let counts = [
        (counters.timeouts, "without an answer"),
        (counters.crc_errors, "damaged"),
        (counters.exceptions, "refused by the device"),
        (counters.gateway_exceptions, "not passed on by the gateway"),
        (counters.late_responses, "too late"),
        (counters.foreign_frames, "not asked for"),
    ];
    let told = counts.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}"));
    let told: Vec<String> = std::iter::once(format!("{} questions", counters.requests)).chain(told).collect();
    told.join(", ")
}

pub struct EventRow {
    pub seq: u64,
    pub time: String,
    pub kind: String,
    pub subject: String,
    pub detail: String,
    pub who: String,
}

impl EventRow {
    pub fn of(entry: &Entry, here: Here<'_>) -> EventRow {
        EventRow {
            seq: entry.seq,
            time: here.clock(entry.time),
            kind: event_kind_text(entry),
            subject: entry.subject.clone(),
            detail: event_detail_text(entry, here.zone),
            who: event_who_text(entry).unwrap_or_default(),
        }
    }
}
