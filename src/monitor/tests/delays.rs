//! Deadband, delays, latching and restarts, on a plain high alarm.

use super::*;

#[test]
fn a_value_beyond_the_limit_is_pending_until_its_on_delay_is_over() {
    let plan = plan(|_, _| ());
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut told = Vec::new();
    for (seconds, text) in [
        (0.0, "flow=2"),
        (0.0, "calibrating=off"),
        (1.0, "h2s=1"),
        (2.0, "h2s=5"),
        (11.0, "h2s=5"),
        (12.0, "h2s=5"),
        (13.0, "h2s=1"),
        (24.0, "h2s=1"),
    ] {
        step(&plan, &mut state, reading(text, moment(seconds, 0)), moment(seconds, 0));
        let high = snapshot(&plan, &state).alarms[0].clone();
        told.push((high.pending, high.active));
    }
    let (normal, pending, raised) = ((false, Some(false)), (true, Some(false)), (false, Some(true)));
    assert_eq!(told[2..], [normal, pending, pending, raised, raised, normal]);
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
fn what_cannot_be_known_restarts_the_on_delay() {
    check_plain(
        "100 h2s=5\n 105 flow=0\n 108 flow=2\n 117 show\n 118 tick",
        "117 h2s 5 good [], high normal active false
         118 alarm_raised high -> unacknowledged",
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
