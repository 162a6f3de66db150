//! Each kind of condition, on the H2S reading.

use super::*;

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

/// When a clock-hour alarm with ten seconds of on-delay is raised and cleared, in seconds: the first hour is
/// beyond its limit, the second is not. At `at_s` the wall clock is stepped by `step_s`.
fn hourly_alarm_with_a_step(at_s: u32, step_s: i64) -> Vec<(u32, &'static str)> {
    let over = crate::alarm::Over::Calendar(crate::period::Period::ClockHour);
    let averaging = crate::alarm::Averaging { over, coverage_min: 0.99 };
    let plan = plan(|_, high| {
        high.kind = Kind::AverageHigh(limit(4.0, 0.0), averaging.clone());
        high.off_delay = Duration::ZERO;
    });
    let mut state = State::new(&plan, moment(0.0, 0));
    let mut told = Vec::new();
    for seconds in 0..8000 {
        let now = moment(f64::from(seconds), if seconds >= at_s { step_s } else { 0 });
        let text = if seconds < 3590 { "h2s=9" } else { "h2s=1" };
        for text in ["flow=2", "calibrating=off", text] {
            let events = step(&plan, &mut state, reading(text, now), now).events;
            told.extend(
                events.iter().filter(|event| event.subject == "high").map(|event| (seconds, event.kind)),
            );
        }
    }
    told.into_iter().map(|(seconds, kind)| (seconds, kind.word())).collect()
}

#[test]
fn a_step_of_the_wall_clock_at_the_end_of_an_hour_loses_no_alarm() {
    let usual = [(3610, "alarm_raised"), (7200, "alarm_cleared")];
    assert_eq!(hourly_alarm_with_a_step(0, 0), usual);
    for (at_s, step_s) in [(3597, 4), (3602, -8), (3605, -30), (3590, 60), (3599, -5)] {
        let told = hourly_alarm_with_a_step(at_s, step_s);
        assert_eq!(told.len(), 2, "{step_s} s at {at_s} s: {told:?}");
        for ((found_s, found), (usual_s, wanted)) in told.iter().zip(&usual) {
            assert_eq!(found, wanted);
            assert!(u64::from(found_s.abs_diff(*usual_s)) <= step_s.unsigned_abs(), "{step_s} s: {told:?}");
        }
    }
}

#[test]
fn a_step_of_hours_makes_and_clears_no_clock_hour_alarm() {
    for step_s in [-50_000, 50_000] {
        let told = hourly_alarm_with_a_step(3700, step_s);
        assert_eq!(told[0], (3610, "alarm_raised"), "{step_s} s");
        // It stands until an hour has been measured that keeps the limit.
        assert!(told.iter().skip(1).all(|(seconds, _)| *seconds > 7200), "{step_s} s: {told:?}");
    }
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
        "10 h2s=2\n 60 h2s=2.005\n 90 h2s=2.02\n 189 h2s=2.02\n 195 show\n 200 h2s=2.5\n 201 show",
        "190 alarm_raised high -> unacknowledged
         195 h2s 2.02 uncertain [frozen], high unacknowledged active true
         200 alarm_cleared high -> returned_unacknowledged
         201 h2s 2.5 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn a_break_in_the_measurement_sets_no_frozen_value_free() {
    let frozen = of_kind(Kind::Frozen { resolution: 0.01, window: Duration::from_secs(100) });
    check(
        &frozen,
        "0.5 show\n 10 h2s=2\n 100 h2s=2\n 110 show\n 120 h2s=exception\n 130 h2s=2\n 131 show\n 230 show\n 240 h2s=2.1\n 241 show",
        "0.5 h2s 1 good [], high normal active null
         110 alarm_raised high -> unacknowledged
         110 h2s 2 uncertain [frozen], high unacknowledged active true
         131 h2s 2 uncertain [frozen], high unacknowledged active null
         230 h2s 2 uncertain [frozen], high unacknowledged active true
         240 alarm_cleared high -> returned_unacknowledged
         241 h2s 2.1 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn two_alarms_that_watch_one_signal_stand_still_agree_on_it() {
    let frozen = |seconds| Kind::Frozen { resolution: 0.01, window: Duration::from_secs(seconds) };
    let plan = of_kind(frozen(50));
    let later = alarm("later", H2S, frozen(100));
    let (signals, devices) = (plan.signals.clone(), plan.devices.clone());
    let alarms = plan.alarms[..2].iter().cloned().chain([later]).collect();
    let plan = Plan::new(("site".into(), "Site".into()), vec!["east".into()], devices, signals, alarms);
    check(
        &plan,
        "10 h2s=2\n 70 show\n 80 h2s=2\n 120 show\n 130 h2s=3\n 131 show",
        "60 alarm_raised high -> unacknowledged
         70 h2s 2 uncertain [frozen], high unacknowledged active true
         110 alarm_raised later -> unacknowledged
         120 h2s 2 uncertain [frozen], high unacknowledged active true
         130 alarm_cleared high -> returned_unacknowledged
         130 alarm_cleared later -> returned_unacknowledged
         131 h2s 3 good [], high returned_unacknowledged active false",
    );
}

#[test]
fn a_vote_that_stands_before_its_voters_is_counted_after_them() {
    let plan = prompt(|_| ());
    let vote = |id: &str, of| AlarmSpec::new(id, id, None, Kind::Vote { at_least: 1, of });
    let index = crate::alarm::AlarmIndex;
    let alarms = vec![vote("of-a-vote", vec![index(1)]), vote("any", vec![index(2)]), plan.alarms[0].clone()];
    let (signals, devices) = (plan.signals.clone(), plan.devices.clone());
    let plan = Plan::new(("site".into(), "Site".into()), vec!["east".into()], devices, signals, alarms);
    let mut state = State::new(&plan, moment(0.0, 0));
    for text in ["flow=2", "calibrating=off", "h2s=5"] {
        step(&plan, &mut state, reading(text, moment(1.0, 0)), moment(1.0, 0));
    }
    state.known.active.fill(None);
    state.recalled(&plan);
    assert_eq!(state.known.active[..3], [Some(true); 3]);
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
fn low_fall_and_a_low_average_are_the_mirror_of_their_like() {
    let over = crate::alarm::Over::Rolling(Duration::from_secs(60));
    let averaging = crate::alarm::Averaging { over, coverage_min: 0.75 };
    check(
        &of_kind(Kind::Low(limit(0.5, 0.2))),
        "10 h2s=0.5\n 20 h2s=0.49\n 30 h2s=0.69\n 40 h2s=0.7",
        "20 alarm_raised high -> unacknowledged
         40 alarm_cleared high -> returned_unacknowledged",
    );
    let ramp: String = (0..=60).map(|s| format!("{} h2s={}\n", 100 + s, 5.0 - 0.05 * f64::from(s))).collect();
    check(
        &of_kind(Kind::Fall(limit(2.0, 0.5), Duration::from_secs(60))),
        &ramp,
        "130 alarm_raised high -> unacknowledged",
    );
    check(
        &of_kind(Kind::AverageLow(limit(0.5, 0.0), averaging)),
        "10 h2s=0\n 39 h2s=0\n 60 h2s=0\n 61 h2s=2\n 80 h2s=2",
        "60 alarm_raised high -> unacknowledged
         80 alarm_cleared high -> returned_unacknowledged",
    );
}

#[test]
fn a_state_is_a_bit_or_one_of_several_codes_and_unknown_without_a_measurement() {
    check(
        &of_kind(Kind::State { codes: vec![2, 7] }),
        "10 h2s=7\n 20 h2s=3\n 30 h2s=2\n 40 flow=0\n 41 show",
        "10 alarm_raised high -> unacknowledged
         20 alarm_cleared high -> returned_unacknowledged
         30 alarm_raised high -> unacknowledged
         41 h2s - bad [sample_condition], high unacknowledged active null",
    );
    let mut on_bit =
        prompt(|high| (high.kind, high.signal) = (Kind::State { codes: vec![1] }, Some(CALIBRATING)));
    on_bit = Plan::new(
        ("site".into(), "Site".into()),
        vec!["east".into()],
        on_bit.devices,
        on_bit.signals,
        on_bit.alarms[..1].to_vec(),
    );
    check(
        &on_bit,
        "10 calibrating=on\n 20 calibrating=off",
        "10 alarm_raised high -> unacknowledged
         20 alarm_cleared high -> returned_unacknowledged",
    );
}

#[test]
fn a_gas_day_is_judged_when_it_is_over() {
    // The clock starts at 08:00 UTC. A gas day from 09:00 is an hour away, and the next a day more.
    let zone = jiff::tz::TimeZone::UTC;
    let over = crate::alarm::Over::Calendar(crate::period::Period::GasDay {
        zone,
        start: jiff::civil::time(9, 0, 0, 0),
    });
    let daily =
        of_kind(Kind::AverageHigh(limit(4.0, 0.0), crate::alarm::Averaging { over, coverage_min: 0.75 }));
    check(
        &daily,
        "3600 h2s=3\n 40000 h2s=9\n 89999 show\n 90001 show",
        "89999 h2s 9 good [], high normal active null
         90000 alarm_raised high -> unacknowledged
         90001 h2s 9 good [], high unacknowledged active true",
    );
}
