//! A new sensor settles and begins anew; an old one is told of before its end, and at it.

use super::*;
use crate::calibration::{Exposure, Point, SensorCare, Stage, Wear};
use crate::signal::{Condition, Quality};

const DUE: &str = "h2s-1.sensor_due";

/// A sensor that lasts 1000 s and bears 200 ppm-hours, of either of which it warns when a tenth is left.
fn care() -> SensorCare {
    SensorCare {
        signal: H2S,
        life: Some(Duration::from_secs(1000)),
        exposure_max: Some(200.0),
        warn_left_pct: 10.0,
        settle: Duration::from_secs(60),
        due_alarm: true,
    }
}

fn plan_with(sensor: SensorCare) -> Plan {
    let mut made = plan(|_, _| ());
    made.devices[0].care.sensor = Some(sensor);
    let site = (made.site_id, made.site_name);
    let of_site = made.alarms.into_iter().filter(|alarm| !matches!(alarm.kind, Kind::Fault(_))).collect();
    Plan::new(site, made.lines, made.devices, made.signals, of_site)
}

fn exposed(since_s: f64, amount: f64) -> Input {
    let hour = Duration::from_secs(3600);
    let exposure = Exposure { amount, measured: hour, lapsed: hour };
    Input::Exposure(ExposureReport { device: DeviceIndex(0), since: moment(since_s, 0).wall, exposure })
}

#[test]
fn a_new_sensor_settles_and_its_alarms_wait_for_it_while_the_loss_is_told() {
    check(
        &plan_with(care()),
        "5 sensor 60
         6 h2s=9
         20 show
         40 restart
         41 flow=2
         41 calibrating=off
         41 h2s=9
         42 show
         66 show
         80 show",
        "0 alarm_raised h2s-1.sensor_due -> unacknowledged
         5 sensor_changed h2s-1
         5 alarm_cleared h2s-1.sensor_due -> returned_unacknowledged
         20 h2s 9 uncertain [settling], high normal active null
         42 h2s 9 uncertain [settling], high normal active null
         66 h2s 9 good [], high normal active false
         75 alarm_raised high -> unacknowledged
         80 h2s 9 good [], high unacknowledged active true",
    );
}

#[test]
fn a_hold_longer_than_the_delay_of_measurement_lost_is_told_as_such() {
    check(
        &plan_with(care()),
        "5 sensor 60
         6 h2s=9
         70 tick",
        "0 alarm_raised h2s-1.sensor_due -> unacknowledged
         5 sensor_changed h2s-1
         5 alarm_cleared h2s-1.sensor_due -> returned_unacknowledged
         35 alarm_raised lost -> unacknowledged
         65 alarm_cleared lost -> returned_unacknowledged",
    );
}

#[test]
fn age_calls_for_maintenance_before_the_end_and_makes_the_reading_uncertain_at_it() {
    check(
        &plan_with(care()),
        "10 sensor 0
         20 show
         910 show
         1000 restart
         1001 flow=2
         1001 calibrating=off
         1001 h2s=1
         1002 show
         1010 show",
        "0 alarm_raised h2s-1.sensor_due -> unacknowledged
         10 sensor_changed h2s-1
         10 alarm_cleared h2s-1.sensor_due -> returned_unacknowledged
         20 h2s 1 good [], high normal active false
         910 h2s 1 good [sensor_wear], high normal active false
         1002 h2s 1 good [sensor_wear], high normal active false
         1010 alarm_raised h2s-1.sensor_due -> unacknowledged
         1010 h2s 1 uncertain [sensor_spent], high normal active false",
    );
}

#[test]
fn the_other_signals_of_the_device_are_not_worn() {
    let plan = plan_with(care());
    let mut state = State::new(&plan, moment(0.0, 0));
    for (at, input) in (0..).zip([change_sensor("60"), reading("flow=2", moment(1.0, 0))]) {
        step(&plan, &mut state, input, moment(f64::from(at), 0));
    }
    step(&plan, &mut state, Input::Tick, moment(2000.0, 0));
    let signals = snapshot(&plan, &state).signals;
    assert_eq!(signals[FLOW.0].sample.quality(), Quality::Good);
}

#[test]
fn exposure_wears_it_too_and_that_of_the_sensor_before_does_not() {
    let plan = plan_with(care());
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut second = 0.0;
    let mut wear_after = |input: Input| {
        second += 1.0;
        let raised = step(&plan, &mut state, input, moment(second, 0))
            .events
            .iter()
            .any(|event| event.subject == DUE && event.kind == EventKind::AlarmRaised);
        let snapshot = snapshot(&plan, &state);
        (snapshot.devices[0].sensor.as_ref().unwrap().wear, snapshot.signals[0].sample.condition(), raised)
    };
    wear_after(change_sensor("0"));
    for text in ["flow=2", "calibrating=off", "h2s=1"] {
        wear_after(reading(text, moment(2.0, 0)));
    }
    assert_eq!(wear_after(exposed(1.0, 100.0)), (Wear::Fresh, None, false));
    assert_eq!(wear_after(exposed(1.0, 185.0)), (Wear::Near, Some(Condition::MaintenanceRequired), false));
    assert_eq!(wear_after(exposed(1.0, 200.0)), (Wear::Spent, Some(Condition::OutOfSpecification), true));
    assert_eq!(wear_after(change_sensor("0")), (Wear::Fresh, None, false));
    assert_eq!(wear_after(exposed(1.0, 200.0)), (Wear::Fresh, None, false), "the old sensor's");
}

#[test]
fn a_spent_sensor_stays_spent_over_a_restart_until_the_record_has_been_asked() {
    let plan = plan_with(SensorCare { life: None, ..care() });
    let mut state = State::new(&plan, moment(0.0, 0));
    let fitted = fitted(moment(0.0, 0).wall, moment(0.0, 0).wall);
    let past = [RememberedCare { device: "h2s-1".to_owned(), at: moment(0.0, 0).wall, told: fitted }];
    restore_care(&plan, &mut state, past.clone());
    let told = step(&plan, &mut state, exposed(0.0, 200.0), moment(1.0, 0)).events;
    assert_eq!(told.iter().map(|event| event.kind).collect::<Vec<_>>(), [EventKind::AlarmRaised]);
    let mut state = State::new(&plan, moment(0.0, 100));
    restore(&plan, &mut state, told.iter().filter_map(remembered), 0);
    restore_care(&plan, &mut state, past);
    assert_eq!(snapshot(&plan, &state).devices[0].sensor.as_ref().unwrap().wear, Wear::Spent);
    let mut told = step(&plan, &mut state, Input::Tick, moment(1.0, 100)).events;
    told.extend(step(&plan, &mut state, exposed(0.0, 201.0), moment(2.0, 100)).events);
    assert_eq!(told, [], "neither cleared nor raised");
}

#[test]
fn the_alarm_is_there_unless_it_is_turned_off_or_nothing_can_wear_the_sensor() {
    let has = |sensor: SensorCare| plan_with(sensor).alarms.iter().any(|alarm| alarm.id == DUE);
    assert!(has(care()));
    assert!(has(SensorCare { life: None, ..care() }));
    assert!(!has(SensorCare { due_alarm: false, ..care() }));
    assert!(!has(SensorCare { life: None, exposure_max: None, ..care() }));
}

fn recorded(at: Wall, stage: Stage) -> CareTold {
    CareTold::Recorded(Box::new(Recorded {
        signal: "h2s-1.concentration".to_owned(),
        point: Point::Span,
        stage,
        at,
        session: None,
        by: Who { user: "kim".to_owned(), name: None },
        standard: 16.0,
        standard_id: "CYL-0417".to_owned(),
        expires: None,
        reading: 16.1,
        error_pct: 0.5,
        tolerance_pct: 2.0,
        drift_pct: None,
        doubts: Vec::new(),
    }))
}

fn fitted(since: Wall, at: Wall) -> CareTold {
    CareTold::Fitted(Box::new(Fitted {
        serial: "S-4711".to_owned(),
        since,
        at,
        by: Who { user: "kim".to_owned(), name: None },
        open_to_air: Some(Duration::from_secs(300)),
        settles_until: None,
    }))
}

fn restored(plan: &Plan, past: Vec<(Wall, CareTold)>) -> State {
    let mut state = State::new(plan, moment(1000.0, 0));
    let past = past.into_iter().map(|(at, told)| RememberedCare { device: "h2s-1".to_owned(), at, told });
    restore_care(plan, &mut state, past);
    state
}

#[test]
fn what_was_calibrated_before_tells_nothing_of_it_and_what_came_after_it_was_put_in_does() {
    let mut plan = plan_with(care());
    plan.devices[0].care.every = Some(Duration::from_secs(86_400));
    let at = |second| moment(second, 0).wall;
    let left = (at(100.0), recorded(at(100.0), Stage::AsLeft));
    let known = |since: f64| {
        let change = (at(200.0), fitted(at(since), at(200.0)));
        let state = restored(&plan, vec![left.clone(), change]);
        let snapshot = snapshot(&plan, &state);
        (snapshot.devices[0].calibrations.len(), snapshot.devices[0].calibration_due.is_some())
    };
    assert_eq!(known(200.0), (0, false), "it was put in after the calibration");
    assert_eq!(known(50.0), (1, true), "it had been there already");
}

#[test]
fn only_the_last_readings_as_found_are_kept() {
    let plan = plan_with(care());
    let at = |second| moment(second, 0).wall;
    let count = u32::try_from(DRIFTS_KEPT_MAX).unwrap() + 3;
    let found = |second: u32| {
        let at = at(f64::from(second));
        (at, recorded(at, Stage::AsFound))
    };
    let past = std::iter::once((at(1.0), fitted(at(1.0), at(1.0)))).chain((2..2 + count).map(found));
    let state = restored(&plan, past.collect());
    let kept = snapshot(&plan, &state).devices[0].sensor.clone().unwrap().found;
    assert_eq!(kept.len(), DRIFTS_KEPT_MAX);
    assert_eq!(kept.last().unwrap().at, at(f64::from(count + 1)));
}

#[test]
fn a_journal_begun_anew_is_told_of_the_sensor_and_of_what_was_found_since() {
    let plan = plan_with(care());
    let at = |second| moment(second, 0).wall;
    let past = vec![
        (at(10.0), fitted(at(10.0), at(10.0))),
        (at(20.0), recorded(at(20.0), Stage::AsFound)),
        (at(30.0), recorded(at(30.0), Stage::AsLeft)),
        (at(40.0), recorded(at(40.0), Stage::AsFound)),
    ];
    let told = retell(&plan, &restored(&plan, past));
    let of_care = told.iter().filter(|event| event.subject == "h2s-1");
    let kinds: Vec<_> = of_care.map(|event| (event.kind.word(), event.at.wall)).collect();
    let expected = [
        (10.0, "sensor_changed"),
        (20.0, "calibration_recorded"),
        (30.0, "calibration_recorded"),
        (40.0, "calibration_recorded"),
    ];
    assert_eq!(kinds, expected.map(|(second, kind)| (kind, at(second))));
}

#[test]
fn a_sensor_cannot_have_been_there_since_tomorrow_and_a_device_without_one_has_none_to_change() {
    let refused = |plan: &Plan, since| {
        let mut state = State::new(plan, moment(0.0, 0));
        let (device, serial) = ("h2s-1".to_owned(), "x".to_owned());
        let change = SensorChange { device, serial, open_to_air: None, settle: None, since };
        let output = step(plan, &mut state, work(WorkKind::ChangeSensor(Box::new(change))), moment(1.0, 0));
        output.worked.unwrap().err()
    };
    let plan_with = plan_with(care());
    assert_eq!(refused(&plan_with, Some(moment(86_400.0, 0).wall)), Some(Hindrance::NotYet));
    assert_eq!(refused(&plan_with, None), None);
    assert_eq!(refused(&plan(|_, _| ()), None), Some(Hindrance::NoSensor));
}
