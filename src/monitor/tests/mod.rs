//! The monitor as text tables: what comes in and when, and what must come of it.
//!
//! A script has one line per input: seconds, then `signal=value`, `signal=silent`,
//! `signal=exception`, `lost`, `back`, `noisy`, `quiet`, `ack`, `lent`, `reset`, `shelve 60`, `shelve once`,
//! `unshelve`, `remove`, `return`, `begin 60`, `begin 60 again`, `end`, `sensor 60` (settles 60 s), `clock+3600`, `restart`, `tick`, or `show`. The outcome has one line per event, and one per `show`.

mod calibrate;
mod calibration_due;
mod care;
mod clock;
mod delays;
mod kinds;
mod quality;
mod recalled;
mod replan;
mod replayed;
mod sensor;
mod withheld;

use std::fmt::Write as _;
use std::time::Duration;

use super::*;
use crate::alarm::{AlarmSpec, Kind, Life, Limit};
use crate::calibration::Care;
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{
    DeviceIndex, Guard, GuardTest, LineIndex, Place, Range, Raw, ReadFault, Reading, SignalIndex, SignalSpec,
    Table, ValueType,
};

pub(in crate::monitor) const H2S: SignalIndex = SignalIndex(0);
pub(in crate::monitor) const FLOW: SignalIndex = SignalIndex(1);
pub(in crate::monitor) const CALIBRATING: SignalIndex = SignalIndex(2);

fn signal(id: &str, value_type: ValueType) -> SignalSpec {
    let place = Place::new(Table::Input, 0, value_type);
    let stale_after = Duration::from_secs(100_000);
    SignalSpec { stale_after, ..SignalSpec::new(format!("h2s-1.{id}"), DeviceIndex(0), place) }
}

fn alarm(id: &str, signal: SignalIndex, kind: Kind) -> AlarmSpec {
    AlarmSpec::new(id, id, Some(signal), kind)
}

/// A high alarm at 4.0 with deadband 0.2 and ten seconds of delay on both sides, on an analyzer that
/// measures only while gas flows and it is not being calibrated.
pub(in crate::monitor) fn plan(change: impl Fn(&mut SignalSpec, &mut AlarmSpec)) -> Plan {
    let mut h2s = signal("concentration", ValueType::F32);
    h2s.range = Some(Range { low: 0.0, high: 20.0 });
    h2s.valid_when = vec![
        Guard { signal: FLOW, test: GuardTest::Above(0.5) },
        Guard { signal: CALIBRATING, test: GuardTest::Is(false) },
    ];
    let mut high = alarm("high", H2S, Kind::High(Limit { setpoint: 4.0, deadband: 0.2 }));
    high.on_delay = Duration::from_secs(10);
    high.off_delay = Duration::from_secs(10);
    change(&mut h2s, &mut high);
    let mut lost = alarm("lost", H2S, Kind::Lost);
    lost.on_delay = Duration::from_secs(30);
    let device = DeviceLabel {
        id: "h2s-1".to_owned(),
        name: "Trace H2S".to_owned(),
        line: LineIndex(0),
        unit_id: 1,
        care: Care::default(),
    };
    let signals = vec![h2s, signal("flow", ValueType::F32), signal("calibrating", ValueType::Bool)];
    let site = ("site".to_owned(), "Site".to_owned());
    Plan::new(site, vec!["east".to_owned()], vec![device], signals, vec![high, lost])
}

pub(in crate::monitor) fn moment(seconds: f64, clock_offset_s: i64) -> Moment {
    let mono = Duration::from_secs_f64(seconds);
    let wall = Wall::from_second(1_800_000_000 + clock_offset_s).unwrap().checked_add(mono).unwrap();
    Moment { mono: Mono::new(mono), wall }
}

fn line_report(device: DeviceState, noisy: bool) -> Input {
    Input::Line(report(device, noisy, 0.1))
}

fn report(device: DeviceState, noisy: bool, demand: f64) -> LineReport {
    let device = DeviceReport {
        device: DeviceIndex(0),
        state: device,
        last_response: None,
        response: None,
        refused: Vec::new(),
        counters: Counters::default(),
        blocks: Vec::new(),
    };
    LineReport {
        line: LineIndex(0),
        state: LineState::Up,
        load: 0.1,
        demand,
        lateness: None,
        noisy: Some(noisy),
        hints: Vec::new(),
        counters: Counters::default(),
        devices: vec![device],
    }
}

/// A report that the line is lent, always for the same 60 s from 10 s on.
fn lent(now: Moment) -> Input {
    let who = Who { user: "operator".to_owned(), name: Some("R. Vale".to_owned()) };
    let until = now.at(Mono::from_millis(70_000));
    let state = LineState::Lent(Box::new(Loan { who, remark: Some("wiring".to_owned()), until }));
    Input::Line(LineReport { state, ..report(DeviceState::Unknown, false, 0.1) })
}

fn action(kind: ActionKind) -> Input {
    let who = Who { user: "operator".to_owned(), name: None };
    Input::Act(Action {
        kind,
        targets: Targets::These(vec!["high".to_owned()]),
        who,
        remark: None,
        seen: None,
    })
}

fn work(kind: WorkKind) -> Input {
    let who = Who { user: "kim".to_owned(), name: None };
    Input::Work(Work { kind, who, remark: None })
}

fn begin_function_check(words: &str) -> Input {
    let (seconds, again) = words.split_once(' ').map_or((words, false), |(seconds, _again)| (seconds, true));
    let lasting = Duration::from_secs(seconds.parse().unwrap());
    let (device, purpose) = ("h2s-1".to_owned(), "calibration".to_owned());
    work(WorkKind::BeginFunctionCheck { device, lasting, purpose, again })
}

fn change_sensor(settle_s: &str) -> Input {
    let settle = Some(Duration::from_secs(settle_s.parse().unwrap()));
    let (device, serial) = ("h2s-1".to_owned(), "S-4711".to_owned());
    let change = SensorChange { device, serial, open_to_air: None, settle, since: None };
    work(WorkKind::ChangeSensor(Box::new(change)))
}

fn reading(text: &str, at: Moment) -> Input {
    let (name, value) = text.split_once('=').unwrap();
    let signal =
        [H2S, FLOW, CALIBRATING][["h2s", "flow", "calibrating"].iter().position(|n| *n == name).unwrap()];
    let outcome = match value {
        "silent" => Err(ReadFault::NoAnswer),
        "exception" => Err(ReadFault::Exception(4)),
        "on" => Ok(Raw::Flag(true)),
        "off" => Ok(Raw::Flag(false)),
        number => Ok(Raw::Number(number.parse().unwrap())),
    };
    Input::Readings(vec![Reading { signal, at, outcome }])
}

/// Everything flows and measures at time zero.
const STARTED: &str = "0 flow=2\n0 calibrating=off\n0 h2s=1\n";

fn run(plan: &Plan, script: &str) -> String {
    let mut outcome = String::new();
    let (mut journal, mut care) = (Vec::new(), Vec::new());
    let mut clock_offset_s = 0;
    let mut state = State::new(plan, moment(0.0, 0));
    for line in STARTED.lines().chain(script.lines()).map(str::trim).filter(|line| !line.is_empty()) {
        let (seconds, what) = line.split_once(' ').unwrap();
        let (seconds, what): (f64, _) = (seconds.parse().unwrap(), what.trim());
        if let Some(step_s) = what.strip_prefix("clock") {
            clock_offset_s += step_s.parse::<i64>().unwrap();
        }
        let now = moment(seconds, clock_offset_s);
        let input = match what {
            "ack" => action(ActionKind::Acknowledge),
            "reset" => action(ActionKind::Reset),
            "shelve once" => action(ActionKind::Shelve(None)),
            "unshelve" => action(ActionKind::Unshelve),
            "remove" => action(ActionKind::RemoveFromService),
            "return" => action(ActionKind::ReturnToService),
            shelve if shelve.starts_with("shelve ") => {
                let time = Duration::from_secs(shelve[7..].parse().unwrap());
                action(ActionKind::Shelve(Some(time)))
            }
            "lost" => line_report(DeviceState::Lost, false),
            "back" | "quiet" => line_report(DeviceState::Online, false),
            "noisy" => line_report(DeviceState::Online, true),
            "lent" => lent(now),
            "overloaded" => Input::Line(report(DeviceState::Online, false, 1.3)),
            "restart" => {
                state = State::new(plan, now);
                restore(plan, &mut state, journal.iter().cloned(), 0);
                restore_care(plan, &mut state, care.iter().cloned());
                continue;
            }
            "end" => work(WorkKind::EndFunctionCheck { device: "h2s-1".to_owned() }),
            begin if begin.starts_with("begin ") => begin_function_check(&begin[6..]),
            change if change.starts_with("sensor ") => change_sensor(&change[7..]),
            "tick" | "show" => Input::Tick,
            clock if clock.starts_with("clock") => Input::Tick,
            text => reading(text, now),
        };
        let output = step(plan, &mut state, input, now);
        for event in &output.events {
            tell_event(&mut outcome, event);
            journal.extend(remembered(event));
            care.extend(remembered_care(event));
        }
        if let Some(Err(hindrance)) = &output.worked {
            writeln!(outcome, "{seconds} hindered {hindrance:?}").unwrap();
        }
        for refused in output.results.iter().filter_map(|result| result.result.as_ref().err()) {
            writeln!(outcome, "{seconds} refused {refused:?}").unwrap();
        }
        if what == "show" {
            tell_standing(&mut outcome, &snapshot(plan, &state));
        }
    }
    outcome
}

fn tell_event(outcome: &mut String, event: &Event) {
    let life = match event.detail.get("state") {
        Some(Detail::Text(life)) => format!(" -> {life}"),
        _ => String::new(),
    };
    let seconds = event.at.mono.since_start().as_secs_f64();
    writeln!(outcome, "{seconds} {} {}{life}", event.kind.word(), event.subject).unwrap();
}

fn tell_standing(outcome: &mut String, snapshot: &Snapshot) {
    let sample = &snapshot.signals[0].sample;
    let value = sample.value().and_then(crate::signal::Value::number);
    let value = value.map_or("-".to_owned(), |number| number.to_string());
    let reasons: Vec<_> = sample.reasons().iter().map(crate::signal::Reason::word).collect();
    let alarm = &snapshot.alarms[0];
    let active = alarm.active.map_or("null".to_owned(), |active| active.to_string());
    let withheld = alarm.withheld.map_or(String::new(), |withheld| format!(" {}", withheld.word()));
    let quality = sample.quality().word();
    let seconds = snapshot.at.mono.since_start().as_secs_f64();
    writeln!(
        outcome,
        "{seconds} h2s {value} {quality} [{}], high{withheld} {} active {active}",
        reasons.join(" "),
        alarm.life.word()
    )
    .unwrap();
}

pub(in crate::monitor) fn remembered(event: &Event) -> Option<Remembered> {
    let Some(Detail::Text(life)) = event.detail.get("state") else { return None };
    let life = Life::from_word(life)?;
    let until = match event.detail.get("until") {
        Some(Detail::Text(until)) => until.parse().ok(),
        _ => None,
    };
    let first_out = event.detail.contains_key("first_out");
    Some(Remembered {
        kind: event.kind,
        alarm: event.subject.clone(),
        at: event.at.wall,
        life,
        until,
        one_shot: event.detail.contains_key(ONE_SHOT_DETAIL),
        first_out,
        decision: decision(event),
    })
}

#[expect(clippy::wildcard_enum_match_arm, reason = "no other kind tells of the care of a device")]
fn remembered_care(event: &Event) -> Option<RememberedCare> {
    let text = |name| match event.detail.get(name) {
        Some(Detail::Text(text)) => Some(text.clone()),
        _ => None,
    };
    let told = match event.kind {
        EventKind::FunctionCheckBegun => CareTold::Begun {
            by: event.who.clone()?,
            since: text("since").map(|since| since.parse().unwrap()),
            until: text("until")?.parse().ok()?,
            purpose: text("purpose")?,
        },
        EventKind::FunctionCheckEnded => CareTold::Ended { by_deadline: text("by").is_some() },
        EventKind::SensorChanged => CareTold::Fitted(Box::new(Fitted {
            serial: text("serial")?,
            since: text("since").map_or(event.at.wall, |since| since.parse().unwrap()),
            at: event.at.wall,
            by: event.who.clone()?,
            open_to_air: None,
            settles_until: text("until").map(|until| until.parse().unwrap()),
        })),
        _ => return None,
    };
    Some(RememberedCare { device: event.subject.clone(), at: event.at.wall, told })
}

fn decision(event: &Event) -> Option<Decision> {
    let remark = match event.detail.get("remark") {
        Some(Detail::Text(remark)) => Some(remark.clone()),
        _ => None,
    };
    event.who.clone().map(|who| Decision { who, remark })
}

#[track_caller]
fn check(plan: &Plan, script: &str, expected: &str) {
    let tidy =
        |text: &str| text.lines().map(str::trim).filter(|l| !l.is_empty()).collect::<Vec<_>>().join("\n");
    assert_eq!(tidy(&run(plan, script)), tidy(expected), "for the script:\n{script}");
}

#[track_caller]
fn check_plain(script: &str, expected: &str) {
    check(&plan(|_, _| {}), script, expected);
}

/// A high alarm without delays, shelved for at most an hour.
fn prompt(change: impl Fn(&mut AlarmSpec)) -> Plan {
    let mut plan = plan(|_, high| {
        (high.on_delay, high.off_delay) = (Duration::ZERO, Duration::ZERO);
        change(high);
    });
    plan.shelve_max = Duration::from_secs(3600);
    plan
}
