//! What is a measurement and what is not, and what alarms make of it.

use super::*;
use crate::signal::{Reason, Reasons};

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
fn a_condition_that_holds_by_an_uncertain_value_proves_no_measurement_and_suppresses_nothing() {
    let mut plan = plan(|_, high| {
        high.on_delay = Duration::ZERO;
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(10.0) }];
    });
    plan.signals[FLOW.0].range = Some(Range { low: 0.0, high: 20.0 });
    check(
        &plan,
        "10 flow=30\n 11 show\n 20 h2s=5\n 30 flow=15\n 31 show\n 40 flow=30\n 41 show",
        "11 h2s 1 uncertain [condition_uncertain], high normal active false
         20 alarm_raised high -> unacknowledged
         30 alarm_suppressed high -> unacknowledged
         31 h2s 5 good [], high suppressed unacknowledged active true
         40 alarm_unsuppressed high -> unacknowledged
         41 h2s 5 uncertain [condition_uncertain], high unacknowledged active true",
    );
}

#[test]
fn a_device_of_which_nothing_was_ever_heard_is_lost_once_it_should_have_spoken() {
    let plan = plan(|h2s, _| h2s.stale_after = Duration::from_secs(3));
    let mut state = State::new(&plan, moment(0.0, 0));
    let reasons = |state: &State| snapshot(&plan, state).signals[0].sample.reasons();
    step(&plan, &mut state, Input::Tick, moment(2.9, 0));
    assert_eq!(reasons(&state), Reasons::one(Reason::NotYetRead));
    let told = step(&plan, &mut state, Input::Tick, moment(40.0, 0)).events;
    assert_eq!(reasons(&state), Reasons::one(Reason::CommunicationLost));
    assert!(told.iter().any(|event| event.subject == "lost" && event.kind == EventKind::AlarmRaised));
}

#[test]
fn a_restart_neither_clears_nor_raises_an_alarm_on_siskin_itself() {
    check_plain(
        "10 noisy\n 20 restart\n 21 tick\n 22 noisy\n 30 quiet",
        "10 line_noisy east
         10 alarm_raised line.east.noise -> unacknowledged
         22 line_noisy east
         30 line_quiet east
         30 alarm_cleared line.east.noise -> returned_unacknowledged",
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
fn a_lost_device_is_told_lost_once_and_back_once_although_its_line_was_lent_meanwhile() {
    check_plain(
        "10 lost\n 11 lent\n 20 lost\n 30 lent\n 39 back",
        "10 device_lost h2s-1
         11 line_lent east
         20 line_returned east
         30 line_lent east
         39 line_returned east
         39 device_online h2s-1",
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
fn a_lent_line_measures_nothing_and_its_lost_alarm_speaks() {
    check_plain(
        "10 lent\n 10.5 show\n 11 lent\n 39 lent\n 41 tick\n 50 quiet\n 51 show",
        "10 line_lent east
         10.5 h2s - bad [line_lent], high normal active null
         40 alarm_raised lost -> unacknowledged
         50 line_returned east
         50 alarm_cleared lost -> returned_unacknowledged
         51 h2s 1 good [], high normal active false",
    );
}

#[test]
fn a_line_asked_for_too_much_is_told_of_once_that_lasts() {
    check_plain(
        "10 overloaded\n 40 quiet\n 50 overloaded\n 110 tick\n 120 quiet\n 130 overloaded\n 190 quiet\n 250 tick",
        "110 alarm_raised line.east.overload -> unacknowledged
         250 alarm_cleared line.east.overload -> returned_unacknowledged",
    );
}

#[test]
fn a_limit_on_a_sample_condition_is_no_limit_of_the_gas() {
    assert_eq!(limits_with_flow_low("L/min", None), ["high"]);
    assert_eq!(limits_with_flow_low("kPa", None), ["high"]);
    assert_eq!(limits_with_flow_low("L/min", Some(true)), ["high", "flow-low"]);
}

#[test]
fn a_content_that_is_the_condition_of_another_keeps_its_limit_all_the_same() {
    for unit in ["ppmv", "mg/m3", "degC", "mA", "counts of nobody knows what"] {
        assert_eq!(limits_with_flow_low(unit, None), ["high", "flow-low"], "{unit}");
    }
    assert_eq!(limits_with_flow_low("degC", Some(false)), ["high"]);
}

/// The ids of the limits of the gas, with a low alarm on what the hydrogen sulfide's validity depends on.
fn limits_with_flow_low(unit: &str, gas_limit: Option<bool>) -> Vec<String> {
    let mut plan = plan(|_, _| {});
    let low_flow = alarm("flow-low", FLOW, Kind::Low(Limit { setpoint: 0.5, deadband: 0.1 }));
    let (mut signals, devices) = (plan.signals.clone(), plan.devices.clone());
    signals[FLOW.0].unit = Some(unit.to_owned());
    let alarms = plan.alarms[..2].iter().cloned().chain([AlarmSpec { gas_limit, ..low_flow }]).collect();
    plan = Plan::new(("site".into(), "Site".into()), vec!["east".into()], devices, signals, alarms);
    let snapshot = snapshot(&plan, &State::new(&plan, moment(0.0, 0)));
    snapshot.alarms.into_iter().filter(|alarm| alarm.limits_gas).map(|alarm| alarm.id).collect()
}

#[test]
fn a_signal_that_was_never_read_has_no_time_of_reading_whatever_else_is_known() {
    let plan = plan(|_, _| ());
    let mut state = State::new(&plan, moment(0.0, 0));
    let read = |state: &State| snapshot(&plan, state).signals[0].read.map(|at| at.mono);
    step(&plan, &mut state, line_report(DeviceState::Lost, false), moment(5.0, 0));
    assert_eq!(snapshot(&plan, &state).signals[0].sample.reasons().iter().count(), 1);
    assert_eq!(read(&state), None);
    step(&plan, &mut state, reading("h2s=1", moment(7.0, 0)), moment(7.0, 0));
    step(&plan, &mut state, line_report(DeviceState::Online, false), moment(8.0, 0));
    step(&plan, &mut state, line_report(DeviceState::Lost, false), moment(9.0, 0));
    assert_eq!(read(&state), Some(Mono::from_millis(7_000)));
}

#[test]
fn what_nobody_watched_has_to_settle_before_it_is_good() {
    let plan = plan(|h2s, _| h2s.settle = Duration::from_secs(60));
    let mut state = State::new(&plan, moment(0.0, 0));
    state.unsettle(H2S);
    for text in ["flow=2", "calibrating=off", "h2s=1"] {
        step(&plan, &mut state, reading(text, moment(1.0, 0)), moment(1.0, 0));
    }
    let reasons = |state: &State| snapshot(&plan, state).signals[H2S.0].sample.reasons();
    assert!(reasons(&state).contains(crate::signal::Reason::Settling));
    step(&plan, &mut state, Input::Tick, moment(61.0, 0));
    assert!(reasons(&state).is_empty());
}
