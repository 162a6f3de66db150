//! The monitor as text tables: what comes in and when, and what must come of it.
//!
//! A script has one line per input: seconds, then `signal=value`, `signal=silent`,
//! `signal=exception`, `lost`, `back`, `noisy`, `quiet`, `ack`, `reset`, `shelve 60`, `shelve once`,
//! `unshelve`, `remove`, `return`, `clock+3600`, `restart`, `tick`, or `show`. The outcome has one line per event, and one per `show`.

use std::fmt::Write as _;
use std::time::Duration;

use super::*;
use crate::alarm::{AlarmSpec, Kind, Life, Limit};
use crate::moment::{Moment, Mono, Wall};
use crate::signal::{
    DeviceIndex, Guard, GuardTest, LineIndex, Order, Place, Range, Raw, ReadFault, Reading, SignalIndex,
    SignalSpec, States, Table, ValueType,
};

const H2S: SignalIndex = SignalIndex(0);
const FLOW: SignalIndex = SignalIndex(1);
const CALIBRATING: SignalIndex = SignalIndex(2);

fn signal(id: &str, value_type: ValueType) -> SignalSpec {
    let (word_order, byte_order) = (Order::HighFirst, Order::HighFirst);
    SignalSpec {
        id: format!("h2s-1.{id}"),
        name: None,
        tag: None,
        device: DeviceIndex(0),
        place: Place { table: Table::Input, address: 0, bit: None, value_type, word_order, byte_order },
        current: None,
        scale: None,
        states: States::default(),
        unit: None,
        range: None,
        valid_when: Vec::new(),
        settle: Duration::ZERO,
        poll_every: Duration::from_secs(1),
        stale_after: Duration::from_secs(100_000),
    }
}

fn alarm(id: &str, signal: SignalIndex, kind: Kind) -> AlarmSpec {
    AlarmSpec::new(id, id, Some(signal), kind)
}

/// A high alarm at 4.0 with deadband 0.2 and ten seconds of delay on both sides, on an analyzer that
/// measures only while gas flows and it is not being calibrated.
fn plan(change: impl Fn(&mut SignalSpec, &mut AlarmSpec)) -> Plan {
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
    let device =
        DeviceLabel { id: "h2s-1".to_owned(), name: "Trace H2S".to_owned(), line: LineIndex(0), unit_id: 1 };
    let signals = vec![h2s, signal("flow", ValueType::F32), signal("calibrating", ValueType::Bool)];
    let site = ("site".to_owned(), "Site".to_owned());
    Plan::new(site, vec!["east".to_owned()], vec![device], signals, vec![high, lost])
}

fn moment(seconds: f64, clock_offset_s: i64) -> Moment {
    let mono = Duration::from_secs_f64(seconds);
    let wall = Wall::from_second(1_800_000_000 + clock_offset_s).unwrap().checked_add(mono).unwrap();
    Moment { mono: Mono::new(mono), wall }
}

fn line_report(device: DeviceState, noisy: bool) -> Input {
    let device = DeviceReport {
        device: DeviceIndex(0),
        state: device,
        last_response: None,
        response_median: None,
        refused: Vec::new(),
        counters: Counters::default(),
    };
    Input::Line(LineReport {
        line: LineIndex(0),
        state: LineState::Up,
        load: 0.1,
        demand: 0.1,
        noisy,
        counters: Counters::default(),
        devices: vec![device],
    })
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
    let mut journal = Vec::new();
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
            "restart" => {
                state = State::new(plan, now);
                restore(plan, &mut state, journal.iter().cloned(), 0);
                continue;
            }
            "tick" | "show" => Input::Tick,
            clock if clock.starts_with("clock") => Input::Tick,
            text => reading(text, now),
        };
        let output = step(plan, &mut state, input, now);
        for event in &output.events {
            tell_event(&mut outcome, event);
            journal.extend(remembered(event));
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

fn remembered(event: &Event) -> Option<Remembered> {
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
        first_out,
    })
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

#[test]
fn a_value_above_the_setpoint_for_less_than_the_on_delay_raises_nothing() {
    check_plain("100 h2s=4.1\n109 h2s=3.9\n200 tick", "");
}

#[test]
fn a_value_above_the_setpoint_for_the_whole_on_delay_raises_at_its_end() {
    check_plain("100 h2s=4.1\n109.9 tick\n200 tick", "110 alarm_raised high -> unacknowledged");
}

#[test]
fn the_deadband_holds_the_alarm_until_the_value_has_come_back_for_the_off_delay() {
    check_plain(
        "100 h2s=4.1\n 110 h2s=3.85\n 170 h2s=3.79\n 179 h2s=3.85\n 200 h2s=3.79\n 209 show\n 210 tick",
        "110 alarm_raised high -> unacknowledged
         209 h2s 3.79 good [], high unacknowledged active true
         210 alarm_cleared high -> returned_unacknowledged",
    );
}

#[test]
fn a_value_at_the_setpoint_does_not_raise_and_a_value_at_the_deadbands_end_clears() {
    check_plain(
        "100 h2s=4.0\n 150 h2s=4.01\n 160 h2s=3.8\n 200 tick",
        "160 alarm_raised high -> unacknowledged
         170 alarm_cleared high -> returned_unacknowledged",
    );
}

#[test]
fn an_alarm_acknowledged_before_it_clears_returns_to_normal() {
    check_plain(
        "100 h2s=5\n 111 ack\n 120 h2s=1\n 130 show",
        "110 alarm_raised high -> unacknowledged
         111 alarm_acknowledged high -> acknowledged
         130 alarm_cleared high -> normal
         130 h2s 1 good [], high normal active false",
    );
}

#[test]
fn a_latched_alarm_leaves_only_by_acknowledgement_and_reset_in_this_order() {
    check(
        &plan(|_, high| high.latching = true),
        "100 h2s=5\n 111 reset\n 120 h2s=1\n 131 reset\n 132 ack\n 133 reset\n 134 reset",
        "110 alarm_raised high -> unacknowledged
         111 refused StillActive
         130 alarm_cleared high -> latched_unacknowledged
         131 refused NotAcknowledged
         132 alarm_acknowledged high -> latched_acknowledged
         133 alarm_reset high -> normal
         134 refused NothingToReset(Normal)",
    );
}

#[test]
fn lost_sample_flow_is_not_measured_and_the_alarm_keeps_what_it_knew() {
    check_plain(
        "100 h2s=5\n 120 flow=0.1\n 121 h2s=0\n 122 show\n 200 flow=2\n 200 h2s=5\n 201 show",
        "110 alarm_raised high -> unacknowledged
         122 h2s - bad [sample_condition], high unacknowledged active null
         150 alarm_raised lost -> unacknowledged
         200 alarm_cleared lost -> returned_unacknowledged
         201 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn what_cannot_be_known_restarts_the_on_delay() {
    check_plain(
        "100 h2s=5\n 105 flow=0\n 108 flow=2\n 117 show\n 118 tick",
        "117 h2s 5 good [], high normal active false
         118 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn settling_gas_neither_raises_nor_clears() {
    let settling = plan(|h2s, _| h2s.settle = Duration::from_secs(60));
    check(
        &settling,
        "100 flow=0\n 110 flow=2\n 111 h2s=9\n 169 show\n 170 show\n 179 tick\n 180 tick",
        "130 alarm_raised lost -> unacknowledged
         169 h2s 9 uncertain [settling], high normal active null
         170 alarm_cleared lost -> returned_unacknowledged
         170 h2s 9 good [], high normal active false
         180 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn a_start_of_the_daemon_is_no_violation_that_would_have_to_settle() {
    check(
        &plan(|h2s, _| h2s.settle = Duration::from_secs(60)),
        "1 show",
        "1 h2s 1 good [], high normal active false",
    );
}

#[test]
fn settling_begins_anew_when_validity_becomes_unknown_meanwhile() {
    let settling = plan(|h2s, _| h2s.settle = Duration::from_secs(20));
    check(
        &settling,
        "100 flow=0\n 101 flow=2\n 110 flow=nan\n 111 flow=2\n 130.9 show\n 131 show",
        "130 alarm_raised lost -> unacknowledged
         130.9 h2s 1 uncertain [settling], high normal active null
         131 alarm_cleared lost -> returned_unacknowledged
         131 h2s 1 good [], high normal active false",
    );
}

#[test]
fn a_silent_device_keeps_its_last_sample_only_until_it_is_stale() {
    let brief = plan(|h2s, _| h2s.stale_after = Duration::from_secs(3));
    check(
        &brief,
        "1 h2s=1\n 2 h2s=silent\n 3.9 show\n 4 show",
        "3.9 h2s 1 good [], high normal active false
         4 h2s - bad [communication_lost], high normal active null",
    );
}

#[test]
fn an_answer_that_is_merely_not_asked_for_becomes_stale() {
    let brief = plan(|h2s, _| h2s.stale_after = Duration::from_secs(3));
    check(&brief, "4 show", "4 h2s - bad [stale], high normal active null");
}

#[test]
fn a_lost_device_is_not_measured_and_comes_back_with_its_first_answer() {
    check_plain(
        "10 lost\n 11 show\n 12 h2s=2\n 12 flow=2\n 12 calibrating=off\n 12.5 show\n 13 back",
        "10 device_lost h2s-1
         11 h2s - bad [communication_lost], high normal active null
         12.5 h2s 2 good [], high normal active false
         13 device_online h2s-1",
    );
}

#[test]
fn exceptions_and_numbers_that_are_none_are_not_measured() {
    check_plain(
        "1 h2s=exception\n 2 show\n 3 h2s=nan\n 4 show\n 5 h2s=inf\n 6 show",
        "2 h2s - bad [device_exception], high normal active null
         4 h2s - bad [invalid_number], high normal active null
         6 h2s - bad [invalid_number], high normal active null",
    );
}

#[test]
fn a_value_beyond_the_range_is_uncertain_and_still_raises() {
    check_plain(
        "100 h2s=25\n 110 show",
        "110 alarm_raised high -> unacknowledged
         110 h2s 25 uncertain [above_range], high unacknowledged active true",
    );
}

#[test]
fn a_noisy_line_makes_samples_uncertain_and_speaks_for_itself() {
    check_plain(
        "10 noisy\n 11 show\n 20 quiet\n 21 show",
        "10 line_noisy east
         10 alarm_raised line.east.noise -> unacknowledged
         11 h2s 1 uncertain [line_noise], high normal active false
         20 line_quiet east
         20 alarm_cleared line.east.noise -> returned_unacknowledged
         21 h2s 1 good [], high normal active false",
    );
}

#[test]
fn a_stepped_wall_clock_is_an_event_and_changes_no_delay() {
    check_plain(
        "100 h2s=5\n 105 clock+3600\n 109 clock-7200\n 110 tick",
        "105 clock_stepped site
         109 clock_stepped site
         110 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn a_restart_neither_raises_nor_clears_nor_tells_again() {
    check_plain(
        "100 h2s=5\n 111 ack\n 120 restart\n 121 show\n 122 flow=2\n 122 calibrating=off\n 122 h2s=5\n 200 show",
        "110 alarm_raised high -> unacknowledged
         111 alarm_acknowledged high -> acknowledged
         121 h2s - bad [not_yet_read], high acknowledged active null
         200 h2s 5 good [], high acknowledged active true",
    );
}

#[test]
fn an_on_delay_that_was_running_at_a_restart_starts_again() {
    check_plain(
        "100 h2s=5\n 105 restart\n 106 flow=2\n 106 calibrating=off\n 106 h2s=5\n 115.9 show\n 116 tick",
        "115.9 h2s 5 good [], high normal active false
         116 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn many_small_ticks_and_one_late_one_come_to_the_same() {
    let once = run(&plan(|_, _| {}), "100 h2s=5\n 300 h2s=1\n 400 tick");
    let ticks: String = (1001..3000).map(|tenth| format!("{} tick\n", f64::from(tenth) / 10.0)).collect();
    let often = run(&plan(|_, _| {}), &format!("100 h2s=5\n{ticks}300 h2s=1\n 400 tick"));
    assert_eq!(once, often);
    assert!(once.contains("110 alarm_raised"), "{once}");
}

#[test]
fn an_unknown_alarm_is_refused_with_the_nearest_name() {
    let plan = plan(|_, _| {});
    let mut state = State::new(&plan, moment(0.0, 0));
    let who = Who { user: "operator".to_owned(), name: None };
    let targets = Targets::These(vec!["hihg".to_owned()]);
    let asked = Action { kind: ActionKind::Acknowledge, targets, who, remark: None, seen: None };
    let output = step(&plan, &mut state, Input::Act(asked), moment(1.0, 0));
    let nearest = Some("high".to_owned());
    assert_eq!(output.results[0].result, Err(Refusal::UnknownAlarm { nearest }));
    assert!(output.events.is_empty());
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

#[test]
fn a_shelved_alarm_is_recorded_but_calls_only_once_its_time_is_over() {
    check(
        &prompt(|_| ()),
        "10 shelve 60\n 20 h2s=5\n 21 show\n 22 ack\n 80 show",
        "10 alarm_shelved high -> normal
         20 alarm_raised high -> unacknowledged
         21 h2s 5 good [], high shelved unacknowledged active true
         22 refused Withheld(Shelved)
         70 alarm_unshelved high -> unacknowledged
         80 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn an_alarm_known_before_it_was_shelved_calls_again_if_it_is_still_active() {
    check(
        &prompt(|_| ()),
        "10 h2s=5\n 11 ack\n 12 shelve 60\n 13 unshelve",
        "10 alarm_raised high -> unacknowledged
         11 alarm_acknowledged high -> acknowledged
         12 alarm_shelved high -> acknowledged
         13 alarm_unshelved high -> unacknowledged",
    );
}

#[test]
fn one_shot_shelving_ends_when_the_condition_is_gone() {
    check(
        &prompt(|_| ()),
        "10 h2s=5\n 11 shelve once\n 500 h2s=1\n 510 h2s=5",
        "10 alarm_raised high -> unacknowledged
         11 alarm_shelved high -> unacknowledged
         500 alarm_cleared high -> returned_unacknowledged
         500 alarm_unshelved high -> normal
         510 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn shelving_does_not_let_a_latched_alarm_slip_away() {
    check(
        &prompt(|high| high.latching = true),
        "10 h2s=5\n 11 shelve 60\n 20 h2s=1\n 90 show",
        "10 alarm_raised high -> unacknowledged
         11 alarm_shelved high -> unacknowledged
         20 alarm_cleared high -> latched_unacknowledged
         71 alarm_unshelved high -> latched_unacknowledged
         90 h2s 1 good [], high latched_unacknowledged active false",
    );
}

#[test]
fn no_alarm_is_shelved_for_longer_than_the_site_allows() {
    check(&prompt(|_| ()), "10 shelve 3601", "10 refused ShelvedTooLong { max: 3600s }");
}

#[test]
fn a_shelvings_deadline_and_an_alarm_out_of_service_outlive_a_restart() {
    check(
        &prompt(|_| ()),
        "10 shelve 60\n 20 restart\n 21 remove\n 30 restart\n 69 show\n 71 show\n 72 return\n 73 show",
        "10 alarm_shelved high -> normal
         21 alarm_out_of_service high -> normal
         69 h2s - bad [not_yet_read], high out_of_service normal active null
         70 alarm_unshelved high -> normal
         71 h2s - bad [not_yet_read], high out_of_service normal active null
         72 alarm_in_service high -> normal
         73 h2s - bad [not_yet_read], high normal active null",
    );
}

#[test]
fn the_sites_own_logic_suppresses_an_alarm_while_its_conditions_are_known_to_hold() {
    let suppressed = prompt(|high| {
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(5.0) }];
    });
    check(
        &suppressed,
        "10 flow=6\n 20 h2s=5\n 21 show\n 30 flow=2",
        "10 alarm_suppressed high -> normal
         20 alarm_raised high -> unacknowledged
         21 h2s 5 good [], high suppressed unacknowledged active true
         30 alarm_unsuppressed high -> unacknowledged",
    );
}

#[test]
fn an_acknowledged_alarm_that_goes_on_calls_again_after_its_time() {
    check(
        &prompt(|high| high.realarm_after = Some(Duration::from_secs(600))),
        "10 h2s=5\n 20 ack\n 500 restart\n 501 flow=2\n 501 calibrating=off\n 501 h2s=5\n 620 tick\n 630 show",
        "10 alarm_raised high -> unacknowledged
         20 alarm_acknowledged high -> acknowledged
         620 alarm_realarmed high -> unacknowledged
         630 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn loss_of_measurement_trips_an_alarm_that_is_told_to() {
    let strict = prompt(|high| high.when_lost = crate::alarm::WhenLost::Alarm);
    check(
        &strict,
        "10 flow=0\n 11 show\n 20 flow=2",
        "10 alarm_raised high -> unacknowledged
         11 h2s - bad [sample_condition], high unacknowledged active true
         20 alarm_cleared high -> returned_unacknowledged",
    );
}

/// A kind of condition on the H2S reading, without delays.
fn of_kind(kind: Kind) -> Plan {
    prompt(|high| high.kind = kind.clone())
}

fn limit(setpoint: f64, deadband: f64) -> Limit {
    Limit { setpoint, deadband }
}

#[test]
fn a_rising_trend_raises_and_one_outlier_does_not() {
    let rising = of_kind(Kind::Rise(limit(2.0, 0.5), Duration::from_secs(60)));
    let ramp: String = (0..=60).map(|s| format!("{} h2s={}\n", 100 + s, 1.0 + 0.05 * f64::from(s))).collect();
    assert_eq!(
        run(&rising, &ramp),
        "130 alarm_raised high -> unacknowledged\n",
        "3 per minute, half a window"
    );
    let outlier: String =
        (0..=60).map(|s| format!("{} h2s={}\n", 100 + s, if s == 50 { 2.0 } else { 1.0 })).collect();
    assert_eq!(run(&rising, &outlier), "");
}

#[test]
fn a_rolling_average_counts_each_value_for_as_long_as_it_was_present() {
    // Hold-last over an hour: 2.0 at 0 s, 4.0 at 900 s, 10.0 at 1800 s, 3.0 at 1920 s make
    // (1800 + 3600 + 1200 + 5040) / 3600 = 3.2333; the plain mean of the samples would be 4.75.
    let over = crate::alarm::Over::Rolling(Duration::from_secs(3600));
    let averaging = crate::alarm::Averaging { over, coverage_min: 1.0 };
    let script = "0 h2s=2\n 900 h2s=4\n 1800 h2s=10\n 1920 h2s=3\n 3599 h2s=3\n 3600 h2s=3\n 3600 show";
    let above = |setpoint| of_kind(Kind::AverageHigh(limit(setpoint, 0.0), averaging.clone()));
    let raised = "3600 alarm_raised high -> unacknowledged
         3600 h2s 3 good [], high unacknowledged active true";
    check(&above(3.2333), script, raised);
    check(&above(3.2334), script, "3600 h2s 3 good [], high normal active false");
}

#[test]
fn time_without_a_measurement_lowers_the_coverage_and_counts_for_nothing() {
    // 4.0 for 600 s, not measured for 600 s, 6.0 for 2400 s: 5.6 over 83.33 % of the hour.
    let over = crate::alarm::Over::Rolling(Duration::from_secs(3600));
    let script = "0 h2s=4\n 600 flow=0\n 1200 flow=2\n 1200 h2s=6\n 3600 h2s=6\n 3600 show";
    let above = |setpoint, coverage_min| {
        let averaging = crate::alarm::Averaging { over: over.clone(), coverage_min };
        of_kind(Kind::AverageHigh(limit(setpoint, 0.0), averaging))
    };
    let story =
        "630 alarm_raised lost -> unacknowledged\n 1200 alarm_cleared lost -> returned_unacknowledged\n";
    let settled = |last: &str| format!("{story}{last}");
    let known = settled("3600 h2s 6 good [], high normal active false");
    check(&above(5.6001, 0.83), script, &known);
    let unknown = settled("3600 h2s 6 good [], high normal active null");
    check(&above(5.0, 0.84), script, &unknown);
    let raised = settled(
        "3600 alarm_raised high -> unacknowledged\n 3600 h2s 6 good [], high unacknowledged active true",
    );
    check(&above(5.5999, 0.8333), script, &raised);
}

#[test]
fn a_clock_hour_is_judged_when_it_is_over() {
    // The clock starts at 08:00:00 UTC: 1_800_000_000 s is a full hour.
    let period = crate::period::Period::ClockHour;
    let over = crate::alarm::Over::Calendar(period);
    let hourly =
        of_kind(Kind::AverageHigh(limit(4.0, 0.0), crate::alarm::Averaging { over, coverage_min: 0.75 }));
    check(
        &hourly,
        "1800 h2s=9\n 3599 show\n 3700 h2s=1\n 7100 tick\n 7300 show",
        "3599 h2s 9 good [], high normal active null
         3600 alarm_raised high -> unacknowledged
         7200 alarm_cleared high -> returned_unacknowledged
         7300 h2s 1 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn two_signals_that_should_agree_are_compared_in_one_unit() {
    let conversion = crate::signal::Scale { from: [0.0, 1.0], to: [0.0, 10.0] };
    let apart = of_kind(Kind::Deviation { limit: limit(1.0, 0.5), other: FLOW, conversion });
    check(
        &apart,
        "0 h2s=20\n 20 flow=1.85\n 30 flow=1.94\n 40 flow=1.96\n 50 h2s=nan\n 51 show",
        "0 alarm_raised high -> unacknowledged
         0 alarm_cleared high -> returned_unacknowledged
         20 alarm_raised high -> unacknowledged
         40 alarm_cleared high -> returned_unacknowledged
         51 h2s - bad [invalid_number], high returned_unacknowledged active null",
    );
}

#[test]
fn a_value_that_stands_still_while_the_device_answers_is_frozen() {
    let frozen = of_kind(Kind::Frozen { resolution: 0.01, window: Duration::from_secs(100) });
    check(
        &frozen,
        "10 h2s=2\n 60 h2s=2.005\n 90 h2s=2.02\n 189 h2s=2.02\n 195 h2s=2.02\n 200 h2s=2.5",
        "190 alarm_raised high -> unacknowledged
         200 alarm_cleared high -> returned_unacknowledged",
    );
}

#[test]
fn a_vote_is_unknown_only_where_the_unknown_would_decide() {
    let mut plan = prompt(|_| ());
    let voters = vec![crate::alarm::AlarmIndex(0), crate::alarm::AlarmIndex(1)];
    let vote = |id: &str, at_least| AlarmSpec::new(id, id, None, Kind::Vote { at_least, of: voters.clone() });
    let (signals, devices) = (plan.signals.clone(), plan.devices.clone());
    let mut alarms = plan.alarms[..2].to_vec();
    alarms.extend([vote("any", 1), vote("both", 2)]);
    plan = Plan::new(("site".into(), "Site".into()), vec!["east".into()], devices, signals, alarms);
    check(
        &plan,
        "10 h2s=5\n 20 flow=0\n 51 tick\n 60 flow=2",
        "10 alarm_raised high -> unacknowledged
         10 alarm_raised any -> unacknowledged
         50 alarm_raised lost -> unacknowledged
         60 alarm_cleared lost -> returned_unacknowledged",
    );
}

#[test]
fn the_first_alarm_of_a_group_bears_the_mark_alone() {
    let plan = prompt(|high| high.first_out_group = Some("upset".to_owned()));
    let mut state = State::new(&plan, moment(0.0, 0));
    let marks = |state: &State| snapshot(&plan, state).alarms[0].first_out;
    for (second, text) in [(1.0, "flow=2"), (1.0, "calibrating=off"), (1.0, "h2s=5")] {
        step(&plan, &mut state, reading(text, moment(second, 0)), moment(second, 0));
    }
    assert!(marks(&state));
}

#[test]
fn what_called_after_the_operator_looked_is_not_acknowledged() {
    let plan = prompt(|_| ());
    let mut state = State::new(&plan, moment(0.0, 0));
    for text in ["flow=2", "calibrating=off", "h2s=1"] {
        step(&plan, &mut state, reading(text, moment(0.0, 0)), moment(0.0, 0));
    }
    let seen = snapshot(&plan, &state).seq;
    step(&plan, &mut state, reading("h2s=5", moment(1.0, 0)), moment(1.0, 0));
    let who = Who { user: "operator".to_owned(), name: None };
    let all = |seen| {
        let who = who.clone();
        Input::Act(Action {
            kind: ActionKind::Acknowledge,
            targets: Targets::All,
            who,
            remark: None,
            seen: Some(seen),
        })
    };
    let output = step(&plan, &mut state, all(seen), moment(2.0, 0));
    assert_eq!(output.results[0].result, Err(Refusal::NotSeen));
    let seen = snapshot(&plan, &state).seq;
    let output = step(&plan, &mut state, all(seen), moment(3.0, 0));
    assert_eq!(output.results[0].result, Ok(Life::Acknowledged));
}

#[test]
fn a_push_button_acts_on_its_edge_and_not_on_coming_back_pressed() {
    let mut plan = prompt(|_| ());
    plan.push_buttons = vec![PushButton { signal: CALIBRATING, asks: ActionKind::Acknowledge }];
    plan.signals[0].valid_when.clear();
    check(
        &plan,
        "10 h2s=5\n 11 calibrating=on\n 12 calibrating=on\n 20 h2s=1\n 21 h2s=6\n 22 calibrating=off\n 23 lost\n 24 calibrating=on\n 25 show",
        "10 alarm_raised high -> unacknowledged
         11 alarm_acknowledged high -> acknowledged
         20 alarm_cleared high -> normal
         21 alarm_raised high -> unacknowledged
         23 device_lost h2s-1
         25 h2s - bad [communication_lost], high unacknowledged active null",
    );
}
