//! Alarms shelved, suppressed, out of service, called again; push-buttons; what nobody has seen.

use super::*;

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
fn one_shot_shelving_of_an_alarm_that_never_comes_ends_after_the_sites_longest_time() {
    for restart in ["", "\n 20 restart\n 20 flow=2\n 20 calibrating=off\n 20 h2s=1"] {
        check(
            &prompt(|_| ()),
            &format!("10 shelve once{restart}\n 3609 tick\n 3700 h2s=5"),
            "10 alarm_shelved high -> normal
             3610 alarm_unshelved high -> normal
             3700 alarm_raised high -> unacknowledged",
        );
    }
    let mut state = State::new(&prompt(|_| ()), moment(10.0, 0));
    let plan = prompt(|_| ());
    step(&plan, &mut state, action(ActionKind::Shelve(None)), moment(10.0, 0));
    let alarm = snapshot(&plan, &state).alarms[0].clone();
    assert_eq!((alarm.shelved_until, alarm.shelved_once), (Some(moment(3610.0, 0).wall), true));
}

#[test]
fn a_one_shot_shelving_that_was_recorded_without_an_end_ends_all_the_same() {
    let plan = prompt(|_| ());
    let mut journal = journal_of(&plan, &[(10.0, action(ActionKind::Shelve(None)))]);
    (journal[0].until, journal[0].one_shot) = (None, false);
    let mut state = restarted(&plan, &journal, 20);
    assert_eq!(told_at(&plan, &mut state, 3589.0, 20), Vec::<&str>::new());
    assert_eq!(told_at(&plan, &mut state, 3591.0, 20), ["alarm_unshelved"]);
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
fn a_latched_alarm_is_not_reset_while_its_condition_holds_again_and_waits_for_its_delay() {
    check(
        &plan(|_, high| high.latching = true),
        "10 h2s=5\n 21 ack\n 30 h2s=1\n 45 h2s=5\n 46 reset\n 47 h2s=1\n 48 reset",
        "20 alarm_raised high -> unacknowledged
         21 alarm_acknowledged high -> acknowledged
         40 alarm_cleared high -> latched_acknowledged
         46 refused StillActive
         48 alarm_reset high -> normal",
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

/// What the journal says after a restart on a machine whose monotonic clock begins anew, and whose
/// wall clock reads `wall_s` seconds after the first start.
fn restarted(plan: &Plan, journal: &[Remembered], wall_s: i64) -> State {
    let mut state = State::new(plan, moment(0.0, wall_s));
    restore(plan, &mut state, journal.iter().cloned(), 0);
    state
}

/// What the alarm `high` tells at `seconds` after the restart.
fn told_at(plan: &Plan, state: &mut State, seconds: f64, wall_s: i64) -> Vec<&'static str> {
    let output = step(plan, state, Input::Tick, moment(seconds, wall_s));
    output.events.iter().map(|event| event.kind.word()).collect()
}

fn journal_of(plan: &Plan, inputs: &[(f64, Input)]) -> Vec<Remembered> {
    let mut state = State::new(plan, moment(0.0, 0));
    let step =
        |(seconds, input): &(f64, Input)| step(plan, &mut state, input.clone(), moment(*seconds, 0)).events;
    inputs.iter().flat_map(step).filter_map(|event| remembered(&event)).collect()
}

fn measured(seconds: f64, texts: &[&str]) -> Vec<(f64, Input)> {
    texts.iter().map(|text| (seconds, reading(text, moment(seconds, 0)))).collect()
}

#[test]
fn no_shelving_lasts_longer_because_the_wall_clock_was_wrong_at_a_restart() {
    let plan = prompt(|_| ());
    let minute = Some(Duration::from_secs(60));
    let journal = journal_of(&plan, &[(10.0, action(ActionKind::Shelve(minute)))]);
    let years_back = -1_800_000_000;
    let mut state = restarted(&plan, &journal, years_back);
    assert_eq!(told_at(&plan, &mut state, 59.0, years_back), Vec::<&str>::new());
    assert_eq!(told_at(&plan, &mut state, 61.0, years_back), ["alarm_unshelved"]);
}

#[test]
fn an_alarm_calls_again_in_its_time_although_the_monotonic_clock_began_anew() {
    let plan = prompt(|high| high.realarm_after = Some(Duration::from_secs(600)));
    let mut inputs = measured(10.0, &["flow=2", "calibrating=off", "h2s=5"]);
    inputs.push((20.0, action(ActionKind::Acknowledge)));
    let journal = journal_of(&plan, &inputs);
    let mut state = restarted(&plan, &journal, 500);
    assert_eq!(told_at(&plan, &mut state, 119.0, 500), Vec::<&str>::new());
    assert_eq!(told_at(&plan, &mut state, 121.0, 500), ["alarm_realarmed"]);
}

#[test]
fn suppression_by_design_drops_no_call_that_nobody_has_acknowledged() {
    let plan = prompt(|high| {
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(5.0) }];
    });
    // Gone already when it is suppressed; gone while it is; and both over a restart.
    check(
        &plan,
        "10 h2s=5\n 20 h2s=1\n 30 flow=6\n 32 flow=2\n 33 show\n 34 ack",
        "10 alarm_raised high -> unacknowledged
         20 alarm_cleared high -> returned_unacknowledged
         30 alarm_suppressed high -> returned_unacknowledged
         32 alarm_unsuppressed high -> returned_unacknowledged
         33 h2s 1 good [], high returned_unacknowledged active false
         34 alarm_acknowledged high -> normal",
    );
    check(
        &plan,
        "10 h2s=5\n 20 flow=6\n 21 h2s=1\n 22 restart\n 30 flow=6\n 32 flow=2",
        "10 alarm_raised high -> unacknowledged
         20 alarm_suppressed high -> unacknowledged
         21 alarm_cleared high -> returned_unacknowledged
         32 alarm_unsuppressed high -> returned_unacknowledged",
    );
    // What came and went while it was suppressed calls nobody afterwards, nor what a person set aside.
    check(
        &plan,
        "10 flow=6\n 20 h2s=5\n 21 h2s=1\n 32 flow=2\n 40 h2s=5\n 41 flow=6\n 42 shelve 10\n 43 h2s=1\n 60 flow=2",
        "10 alarm_suppressed high -> normal
         20 alarm_raised high -> unacknowledged
         21 alarm_cleared high -> returned_unacknowledged
         32 alarm_unsuppressed high -> normal
         40 alarm_raised high -> unacknowledged
         41 alarm_suppressed high -> unacknowledged
         42 alarm_shelved high -> unacknowledged
         43 alarm_cleared high -> returned_unacknowledged
         52 alarm_unshelved high -> returned_unacknowledged
         60 alarm_unsuppressed high -> normal",
    );
}

#[test]
fn what_the_site_file_no_longer_suppresses_is_told_after_the_restart() {
    let suppressing = prompt(|high| {
        high.suppress_when = vec![Guard { signal: FLOW, test: GuardTest::Above(5.0) }];
    });
    let journal = journal_of(&suppressing, &measured(10.0, &["flow=6", "calibrating=off", "h2s=5"]));
    let plan = prompt(|_| ());
    let mut state = State::new(&plan, moment(0.0, 100));
    let told = restore(&plan, &mut state, journal, 0);
    let told: Vec<_> = told.iter().map(|event| (event.kind, event.subject.as_str())).collect();
    assert_eq!(told, [(EventKind::AlarmUnsuppressed, "high")]);
    let alarm = snapshot(&plan, &state).alarms[0].clone();
    assert_eq!((alarm.withheld, alarm.life), (None, Life::Unacknowledged));
}

#[test]
fn whose_decision_it_is_that_an_alarm_is_withheld_outlives_a_restart() {
    let plan = prompt(|_| ());
    let decided = |kind, name: &str| {
        let who = Who { user: "operator".to_owned(), name: Some(name.to_owned()) };
        let (targets, remark) = (Targets::These(vec!["high".to_owned()]), Some(format!("{name} says so")));
        Input::Act(Action { kind, targets, who, remark, seen: None })
    };
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut journal = Vec::new();
    let mut told = Vec::new();
    let hour = Some(Duration::from_secs(3600));
    for (seconds, kind, name) in [
        (1.0, ActionKind::Shelve(hour), "day shift"),
        (2.0, ActionKind::RemoveFromService, "workshop"),
        (3.0, ActionKind::ReturnToService, "workshop"),
        (4.0, ActionKind::Unshelve, "night shift"),
    ] {
        let now = moment(seconds, 0);
        let output = step(&plan, &mut state, decided(kind, name), now);
        journal.extend(output.events.iter().filter_map(remembered));
        let mut restarted = State::new(&plan, now);
        restore(&plan, &mut restarted, journal.iter().cloned(), 0);
        let [before, after] =
            [&state, &restarted].map(|state| snapshot(&plan, state).alarms[0].withheld_by.clone());
        assert_eq!(before, after, "after {kind:?}");
        told.push(after.map(|decision| (decision.who.to_string(), decision.remark)));
    }
    let says = |name: &str| Some((format!("{name} (operator)"), Some(format!("{name} says so"))));
    assert_eq!(told, [says("day shift"), says("workshop"), says("day shift"), None]);
}

#[test]
fn a_group_acts_as_one_and_a_group_that_is_not_there_is_told() {
    let plan = prompt(|high| high.first_out_group = Some("upset".to_owned()));
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut shelve = |group: &str| {
        let who = Who { user: "operator".to_owned(), name: None };
        let (kind, targets) = (ActionKind::Shelve(None), Targets::Group(group.to_owned()));
        let input = Input::Act(Action { kind, targets, who, remark: None, seen: None });
        step(&plan, &mut state, input, moment(1.0, 0)).results
    };
    let nearest = Some("upset".to_owned());
    let unknown = Refusal::UnknownGroup { nearest };
    assert_eq!(shelve("upsett"), [ActionResult::of_nothing("upsett", unknown)]);
    // Nothing has been read yet: it is not known to be normal, and whoever shelves it is told so.
    let alarm = "high".to_owned();
    assert_eq!(shelve("upset"), [ActionResult { alarm, result: Ok(Life::Normal), indeterminate: true }]);
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

#[test]
fn names_too_long_or_too_many_to_be_slips_of_the_fingers_are_not_compared_with_those_known() {
    let plan = prompt(|high| high.id = "h".repeat(300));
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut nearest_to_first = |names: Vec<String>| {
        let who = Who { user: "operator".to_owned(), name: None };
        let targets = Targets::These(names);
        let input =
            Input::Act(Action { kind: ActionKind::Acknowledge, targets, who, remark: None, seen: None });
        match step(&plan, &mut state, input, moment(1.0, 0)).results.remove(0).result {
            Err(Refusal::UnknownAlarm { nearest }) => nearest,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(nearest_to_first(vec!["lots".to_owned()]).as_deref(), Some("lost"));
    assert_eq!(nearest_to_first(vec!["lots".to_owned(); 17]), None);
    assert_eq!(nearest_to_first(vec!["h".repeat(299)]), None);
}

#[test]
fn a_latched_alarm_is_not_reset_while_its_condition_cannot_be_known() {
    check(
        &prompt(|high| high.latching = true),
        "10 h2s=5\n 11 h2s=1\n 12 ack\n 13 flow=0\n 14 reset\n 15 flow=2\n 16 reset",
        "10 alarm_raised high -> unacknowledged
         11 alarm_cleared high -> latched_unacknowledged
         12 alarm_acknowledged high -> latched_acknowledged
         14 refused ConditionUnknown
         16 alarm_reset high -> normal",
    );
}
