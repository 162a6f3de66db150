//! Function check: nothing a device says counts while a person works on it, and nobody forgets the end.

use super::*;

#[test]
fn in_function_check_nothing_is_measured_and_no_alarm_is_raised_or_cleared() {
    check_plain(
        "100 h2s=5
         120 begin 600
         121 h2s=0
         121 show
         300 h2s=9
         310 end
         311 h2s=5
         312 show",
        "110 alarm_raised high -> unacknowledged
         120 function_check_begun h2s-1
         121 h2s - bad [function_check], high unacknowledged active null
         310 function_check_ended h2s-1
         312 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn after_function_check_other_gas_is_flushed_out_first() {
    check(
        &plan(|h2s, _| h2s.settle = Duration::from_secs(60)),
        "100 begin 600\n 110 h2s=9\n 200 end\n 201 h2s=9\n 202 show\n 260 show\n 270 tick",
        "100 function_check_begun h2s-1
         200 function_check_ended h2s-1
         202 h2s 9 uncertain [settling], high normal active null
         230 alarm_raised lost -> unacknowledged
         260 alarm_cleared lost -> returned_unacknowledged
         260 h2s 9 good [], high normal active false
         270 alarm_raised high -> unacknowledged",
    );
}

#[test]
fn one_that_is_forgotten_ends_at_its_deadline_and_an_alarm_stands_until_somebody_has_been_there() {
    check_plain(
        "100 begin 60
         150 tick
         160 tick
         161 show
         170 h2s=5
         180 tick
         200 end
         201 show",
        "100 function_check_begun h2s-1
         160 function_check_ended h2s-1
         160 alarm_raised h2s-1.function_check_overrun -> unacknowledged
         161 h2s 1 uncertain [check_overrun], high normal active false
         180 alarm_raised high -> unacknowledged
         200 function_check_ended h2s-1
         200 alarm_cleared h2s-1.function_check_overrun -> returned_unacknowledged
         201 h2s 5 good [], high unacknowledged active true",
    );
}

#[test]
fn more_time_is_given_only_when_asked_for_again() {
    check_plain(
        "100 begin 60\n 110 begin 600\n 110 begin 600 again\n 170 show\n 700 tick\n 710 tick",
        "100 function_check_begun h2s-1
         110 hindered AlreadyInFunctionCheck(FunctionCheck { by: Who { user: \"kim\", name: None }, since: \
         2027-01-15T08:01:40Z, until: Moment { mono: Mono(160s), wall: 2027-01-15T08:02:40Z }, purpose: \
         \"calibration\" })
         110 function_check_begun h2s-1
         170 h2s - bad [function_check], high normal active null
         710 function_check_ended h2s-1
         710 alarm_raised h2s-1.function_check_overrun -> unacknowledged",
    );
}

#[test]
fn one_that_is_too_long_or_not_under_way_is_refused() {
    check_plain(
        "100 end\n 100 begin 14401",
        "100 hindered NotInFunctionCheck
         100 hindered TooLong { max: 14400s }",
    );
}

#[test]
fn a_restart_keeps_the_function_check_its_deadline_and_an_overrun() {
    check_plain(
        "100 begin 60
         110 restart
         110 show
         111 flow=2
         111 calibrating=off
         111 h2s=9
         112 show
         159 tick
         160 tick
         170 restart
         171 flow=2
         171 calibrating=off
         171 h2s=1
         171 show
         180 end
         181 h2s=1
         181 show",
        "100 function_check_begun h2s-1
         110 h2s - bad [not_yet_read function_check], high normal active null
         112 h2s - bad [function_check], high normal active null
         160 function_check_ended h2s-1
         160 alarm_raised h2s-1.function_check_overrun -> unacknowledged
         171 h2s 1 uncertain [check_overrun], high normal active false
         180 function_check_ended h2s-1
         180 alarm_cleared h2s-1.function_check_overrun -> returned_unacknowledged
         181 h2s 1 good [], high normal active false",
    );
}

#[test]
fn a_stepped_clock_moves_no_deadline() {
    check_plain(
        "100 begin 60\n 120 clock+7200\n 159 show\n 160 tick",
        "100 function_check_begun h2s-1
         120 clock_stepped site
         159 h2s - bad [function_check], high normal active null
         160 function_check_ended h2s-1
         160 alarm_raised h2s-1.function_check_overrun -> unacknowledged",
    );
}

#[test]
fn one_that_ran_out_while_siskin_was_down_is_told_at_the_start() {
    check_plain(
        "100 begin 60\n 300 restart\n 301 tick",
        "100 function_check_begun h2s-1
         300 function_check_ended h2s-1
         300 alarm_raised h2s-1.function_check_overrun -> unacknowledged",
    );
}

#[test]
fn a_journal_begun_anew_gives_it_back() {
    let plan = plan(|_, _| ());
    for (at_s, in_check, overrun) in [(30.0, true, false), (90.0, false, true)] {
        let mut state = State::new(&plan, moment(0.0, 0));
        step(&plan, &mut state, begin_function_check("60"), moment(1.0, 0));
        step(&plan, &mut state, Input::Tick, moment(at_s, 0));
        let mut again = State::new(&plan, moment(at_s, 0));
        restore_care(&plan, &mut again, retell(&plan, &state).iter().filter_map(remembered_care));
        let device = &snapshot(&plan, &again).devices[0];
        assert_eq!((device.function_check.is_some(), device.function_check_overrun), (in_check, overrun));
        let began = device.function_check.as_ref().map(|check| check.since);
        assert_eq!(began, in_check.then(|| moment(1.0, 0).wall), "told anew is not begun anew");
    }
}

#[test]
fn a_note_is_told_with_who_said_it_and_an_unknown_device_with_its_nearest_name() {
    let plan = plan(|_, _| ());
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut note = |about: Option<&str>| {
        let about = about.map(str::to_owned);
        let input = work(WorkKind::Note { about, text: "inlet filter changed".to_owned() });
        step(&plan, &mut state, input, moment(1.0, 0))
    };
    let noted = note(Some("h2s-1"));
    assert_eq!(noted.worked, Some(Ok(Worked::of("h2s-1".to_owned(), None))));
    let event = &noted.events[0];
    assert_eq!((event.kind, event.subject.as_str()), (EventKind::Note, "h2s-1"));
    assert_eq!(event.detail["text"], Detail::Text("inlet filter changed".to_owned()));
    assert_eq!(event.who.as_ref().map(|who| who.user.as_str()), Some("kim"));
    assert_eq!(note(None).events[0].subject, "site");
    let unknown = note(Some("h2s1"));
    assert_eq!(unknown.events, []);
    let nearest = Some("h2s-1".to_owned());
    assert_eq!(unknown.worked, Some(Err(Hindrance::UnknownDevice { nearest })));
}
