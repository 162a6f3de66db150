//! A calibration that is due is told by an alarm, once and until somebody has recorded one as left.

use super::*;
use crate::calibration::{Point, Stage};

const DUE: &str = "h2s-1.calibration_due";

fn reminded() -> Plan {
    let mut made = plan(|_, _| ());
    made.devices[0].care.every = Some(Duration::from_secs(3600));
    let site = (made.site_id, made.site_name);
    let of_site = made.alarms.into_iter().filter(|alarm| !matches!(alarm.kind, Kind::Fault(_))).collect();
    Plan::new(site, made.lines, made.devices, made.signals, of_site)
}

fn left(plan: &Plan, state: &mut State, at: Wall) {
    let record = Recorded {
        signal: "h2s-1.concentration".to_owned(),
        point: Point::Zero,
        stage: Stage::AsLeft,
        at,
        session: None,
        by: Who { user: "kim".to_owned(), name: None },
        standard: 0.0,
        standard_id: "N2-0032".to_owned(),
        expires: None,
        reading: 0.1,
        error_pct: 0.5,
        tolerance_pct: 2.0,
        drift_pct: None,
        doubts: Vec::new(),
    };
    let told = CareTold::Recorded(Box::new(record));
    restore_care(plan, state, [RememberedCare { device: "h2s-1".to_owned(), at, told }]);
}

/// When the alarm was raised, going on to `until_s`.
fn raised(plan: &Plan, state: &mut State, until_s: f64) -> Vec<f64> {
    let events = step(plan, state, Input::Tick, moment(until_s, 0)).events;
    let mine = events.iter().filter(|event| event.subject == DUE && event.kind == EventKind::AlarmRaised);
    mine.map(|event| event.at.mono.since_start().as_secs_f64()).collect()
}

#[test]
fn a_device_is_due_at_once_without_a_record_and_an_interval_after_the_last_as_left() {
    let plan = reminded();
    assert_eq!(raised(&plan, &mut State::new(&plan, moment(0.0, 0)), 1.0), [0.0], "nothing is on record");
    let mut state = State::new(&plan, moment(5000.0, 0));
    left(&plan, &mut state, moment(2000.0, 0).wall);
    assert_eq!(snapshot(&plan, &state).devices[0].calibration_due, Some(moment(5600.0, 0).wall));
    assert_eq!(raised(&plan, &mut state, 5599.0), [0.0; 0]);
    assert_eq!(raised(&plan, &mut state, 9000.0), [5600.0]);
}

#[test]
fn recording_one_as_left_clears_it_and_one_as_found_does_not() {
    let plan = reminded();
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut second = 0.0;
    let mut put = |input: Input| {
        second += 1.0;
        step(&plan, &mut state, input, moment(second, 0)).events
    };
    put(begin_function_check("600"));
    for (stage, cleared) in [(Stage::AsFound, 0), (Stage::AsLeft, 1)] {
        for at in 0..3 {
            put(reading("h2s=0", moment(second_of(stage) + f64::from(at), 0)));
        }
        let test = GasTest { stage, ..super::calibrate::gas(Point::Zero, stage, 0.0) };
        let events = put(work(WorkKind::RecordGasTest(Box::new(test))));
        let gone =
            events.iter().filter(|event| event.kind == EventKind::AlarmCleared && event.subject == DUE);
        assert_eq!(gone.count(), cleared, "{stage:?}");
    }
}

/// When the three readings of a stage begin, in the count of the test above.
const fn second_of(stage: Stage) -> f64 {
    match stage {
        Stage::AsFound => 2.0,
        Stage::AsLeft => 6.0,
    }
}

#[test]
fn a_plan_that_asks_for_it_more_often_is_reckoned_with() {
    let (seldom, often) = (plan(|_, _| ()), reminded());
    let mut state = State::new(&seldom, moment(0.0, 0));
    left(&seldom, &mut state, moment(0.0, 0).wall);
    step(&seldom, &mut state, Input::Tick, moment(10.0, 0));
    let (mut state, _) = replan(&seldom, &state, &often);
    assert_eq!(raised(&often, &mut state, 4000.0), [3600.0]);
}
