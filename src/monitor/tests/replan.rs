//! Another plan while the monitor runs: what goes over, what begins anew, and what is told of it.

use super::*;
use crate::alarm::{Averaging, Over};
use crate::signal::Scale;

/// Runs `before` under one plan, changes to the other at `second`, and runs `after` under that one.
fn changed(from: &Plan, to: &Plan, before: &str, second: f64, after: &str) -> String {
    let mut state = State::new(from, moment(0.0, 0));
    let mut outcome = String::new();
    play(from, &mut state, &format!("{STARTED}{before}"), &mut outcome);
    step(from, &mut state, Input::Tick, moment(second, 0));
    let (mut state, output) = replan(from, &state, to);
    writeln!(outcome, "-- changed").unwrap();
    output.events.iter().for_each(|event| tell_event(&mut outcome, event));
    play(to, &mut state, after, &mut outcome);
    outcome
}

fn play(plan: &Plan, state: &mut State, script: &str, outcome: &mut String) {
    for line in script.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (seconds, what) = line.split_once(' ').unwrap();
        let now = moment(seconds.parse().unwrap(), 0);
        let input = match what.trim() {
            "ack" => action(ActionKind::Acknowledge),
            "shelve" => action(ActionKind::Shelve(Some(Duration::from_secs(600)))),
            "remove" => action(ActionKind::RemoveFromService),
            "show" | "tick" => Input::Tick,
            text => reading(text, now),
        };
        let output = step(plan, state, input, now);
        output.events.iter().for_each(|event| tell_event(outcome, event));
        if what == "show" {
            tell_standing(outcome, &snapshot(plan, state));
        }
    }
}

#[track_caller]
fn check(from: &Plan, to: &Plan, (before, second, after): (&str, f64, &str), expected: &str) {
    let tidy =
        |text: &str| text.lines().map(str::trim).filter(|l| !l.is_empty()).collect::<Vec<_>>().join("\n");
    assert_eq!(tidy(&changed(from, to, before, second, after)), tidy(expected));
}

fn limit(setpoint: f64) -> Kind {
    Kind::High(Limit { setpoint, deadband: 0.2 })
}

#[test]
fn nothing_happens_when_nothing_has_changed() {
    check(
        &prompt(|_| ()),
        &prompt(|_| ()),
        ("10 h2s=5\n 11 ack", 20.0, "21 show"),
        "10 alarm_raised high -> unacknowledged
         11 alarm_acknowledged high -> acknowledged
         -- changed
         21 h2s 5 good [], high acknowledged active true",
    );
}

#[test]
fn a_value_is_no_longer_frozen_by_an_alarm_that_is_gone() {
    let frozen =
        prompt(|high| high.kind = Kind::Frozen { resolution: 0.01, window: Duration::from_secs(50) });
    check(
        &frozen,
        &prompt(|_| ()),
        ("10 h2s=2\n 70 show", 80.0, "81 show"),
        "60 alarm_raised high -> unacknowledged
         70 h2s 2 uncertain [frozen], high unacknowledged active true
         -- changed
         80 alarm_cleared high -> returned_unacknowledged
         81 h2s 2 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn a_setpoint_above_the_value_clears_an_active_alarm_and_one_below_raises_it() {
    let (four, six) = (prompt(|_| ()), prompt(|high| high.kind = limit(6.0)));
    check(
        &four,
        &six,
        ("10 h2s=5\n 11 ack", 20.0, "21 show"),
        "10 alarm_raised high -> unacknowledged
         11 alarm_acknowledged high -> acknowledged
         -- changed
         20 alarm_cleared high -> normal
         21 h2s 5 good [], high normal active false",
    );
    check(
        &six,
        &four,
        ("10 h2s=5", 20.0, "21 show"),
        "-- changed
         20 alarm_raised high -> unacknowledged
         21 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn a_delay_goes_on_unless_what_is_waited_for_has_changed() {
    let delayed = |setpoint| {
        prompt(move |high| (high.kind, high.on_delay) = (limit(setpoint), Duration::from_secs(10)))
    };
    check(
        &delayed(4.0),
        &delayed(4.0),
        ("10 h2s=5", 15.0, "30 tick"),
        "-- changed\n 20 alarm_raised high -> unacknowledged",
    );
    check(
        &delayed(4.0),
        &delayed(4.5),
        ("10 h2s=5", 15.0, "30 tick"),
        "-- changed\n 25 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn what_withholds_an_alarm_goes_over() {
    check(
        &prompt(|_| ()),
        &prompt(|high| high.kind = limit(3.0)),
        ("10 shelve\n 11 remove", 20.0, "21 h2s=5\n 22 show\n 700 tick"),
        "10 alarm_shelved high -> normal
         11 alarm_out_of_service high -> normal
         -- changed
         21 alarm_raised high -> unacknowledged
         22 h2s 5 good [], high out_of_service unacknowledged active true
         610 alarm_unshelved high -> unacknowledged",
    );
}

#[test]
fn an_alarm_that_nothing_suppresses_any_more_is_told_again() {
    let suppressed = prompt(|high| {
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(5.0) }];
    });
    check(
        &suppressed,
        &prompt(|_| ()),
        ("10 flow=6\n 20 h2s=5", 30.0, "31 show"),
        "10 alarm_suppressed high -> normal
         20 alarm_raised high -> unacknowledged
         -- changed
         30 alarm_unsuppressed high -> unacknowledged
         31 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn an_alarm_that_is_no_more_leaves_a_trace_if_it_was_not_normal() {
    let mut without = prompt(|_| ());
    without.alarms.retain(|alarm| alarm.id != "high");
    let site = (without.site_id, without.site_name);
    let own = without.alarms.into_iter().filter(|alarm| !matches!(alarm.kind, Kind::Fault(_))).collect();
    let without = Plan::new(site, without.lines, without.devices, without.signals, own);
    for (script, expected) in [
        ("10 h2s=5", "10 alarm_raised high -> unacknowledged\n -- changed\n 20 alarm_removed high -> normal"),
        (
            "10 remove",
            "10 alarm_out_of_service high -> normal\n -- changed\n 20 alarm_removed high -> normal",
        ),
        ("10 h2s=1", "-- changed"),
    ] {
        check(&prompt(|_| ()), &without, (script, 20.0, ""), expected);
    }
}

#[test]
fn a_value_that_would_be_read_otherwise_is_not_carried_over() {
    let scaled = plan(|h2s, high| {
        (high.on_delay, high.off_delay) = (Duration::ZERO, Duration::ZERO);
        h2s.scale = Some(Scale { from: [0.0, 1.0], to: [0.0, 10.0] });
    });
    check(
        &prompt(|_| ()),
        &scaled,
        ("10 h2s=5", 20.0, "21 show\n 22 h2s=0.1\n 23 show"),
        "10 alarm_raised high -> unacknowledged
         -- changed
         21 h2s - bad [not_yet_read], high unacknowledged active null
         22 alarm_cleared high -> returned_unacknowledged
         23 h2s 1 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn a_condition_for_a_measurement_applies_at_once() {
    let stricter = plan(|h2s, high| {
        (high.on_delay, high.off_delay) = (Duration::ZERO, Duration::ZERO);
        h2s.valid_when[0].test = GuardTest::Above(3.0);
    });
    check(
        &prompt(|_| ()),
        &stricter,
        ("10 h2s=5", 20.0, "21 show"),
        "10 alarm_raised high -> unacknowledged
         -- changed
         21 h2s - bad [sample_condition], high unacknowledged active null",
    );
}

#[test]
fn an_average_goes_on_under_another_setpoint() {
    let average = |setpoint| {
        let over = Over::Rolling(Duration::from_secs(100));
        let limit = Limit { setpoint, deadband: 0.0 };
        let averaging = Averaging { over, coverage_min: 0.9 };
        prompt(move |high| high.kind = Kind::AverageHigh(limit, averaging.clone()))
    };
    // A hundred seconds of 3.0; were the average begun anew, it would not be known for ninety more.
    check(
        &average(4.0),
        &average(2.0),
        ("1 h2s=3\n 105 h2s=3", 110.0, "111 show"),
        "-- changed
         110 alarm_raised high -> unacknowledged
         111 h2s 3 good [], high unacknowledged active true",
    );
}
