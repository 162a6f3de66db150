//! Averages over time, through the whole monitor: an `average_high` alarm speaks on one side of the
//! published figure and is silent on the other.
//!
//! Sources: 29 CFR 1910.1000(d)(1)(ii): (2 h at 150 + 2 h at 75 + 4 h at 50) / 8 h = 81.25 ppm. It is a
//! rule about air that people breathe; here only its arithmetic counts. The other vectors are
//! arithmetic: each value counts until the next, and time without a measurement counts for nothing.

use std::time::Duration;

use siskin::alarm::{Averaging, Kind, Limit, Over};
use siskin::monitor::EventKind;
use siskin::period::Period;

use crate::one_alarm::play;

const HOUR_S: u64 = 3600;

/// How near to the figure the alarm must tell the two sides apart.
const WITHIN: f64 = 1e-4;

#[test]
fn the_eight_hour_average_of_the_regulations_example_is_81_25() {
    let over = || Over::Rolling(Duration::from_secs(8 * HOUR_S));
    let script = every_minute(&[(0, 150.0), (2 * HOUR_S, 75.0), (4 * HOUR_S, 50.0)], 8 * HOUR_S);
    assert_average(over, 1.0, &script, 8 * HOUR_S, 81.25);
}

/// (2.0 x 900 + 4.0 x 900 + 10.0 x 120 + 3.0 x 1680) / 3600; the plain mean of the samples, 4.75, is wrong.
#[test]
fn a_short_peak_counts_for_as_long_as_it_lasted() {
    let script = [(0, 2.0), (900, 4.0), (1800, 10.0), (1920, 3.0)];
    assert_average(clock_hour, 1.0, &script, HOUR_S, 3.233_333_333);
}

/// (4.0 x 600 + 6.0 x 2400) / 3000 over the 3000 s of 3600 that were measured.
#[test]
fn time_without_a_measurement_counts_for_nothing() {
    assert_average(clock_hour, 0.8333, &WITH_A_GAP, HOUR_S, 5.6);
}

/// 3000 s of 3600 are 83.33 %.
#[test]
fn below_the_least_coverage_the_average_is_not_known() {
    assert!(!exceeds(clock_hour(), 0.8334, &WITH_A_GAP, HOUR_S, 0.0));
}

const WITH_A_GAP: [(u64, f64); 3] = [(0, 4.0), (600, f64::NAN), (1200, 6.0)];

fn clock_hour() -> Over {
    Over::Calendar(Period::ClockHour)
}

/// The average at `end_s` is this, to [`WITHIN`].
#[track_caller]
fn assert_average(
    over: impl Fn() -> Over,
    coverage_min: f64,
    script: &[(u64, f64)],
    end_s: u64,
    figure: f64,
) {
    assert!(exceeds(over(), coverage_min, script, end_s, figure - WITHIN), "it is less than {figure}");
    assert!(!exceeds(over(), coverage_min, script, end_s, figure + WITHIN), "it is more than {figure}");
}

/// Whether the average at `end_s` is above the setpoint. What it was before does not count.
fn exceeds(over: Over, coverage_min: f64, script: &[(u64, f64)], end_s: u64, setpoint: f64) -> bool {
    let limit = Limit { setpoint, deadband: 0.0 };
    let kind = Kind::AverageHigh(limit, Averaging { over, coverage_min });
    let mut script = script.to_vec();
    // One more answer, of the last value: an average is looked at when something comes in.
    script.extend(script.last().map(|(_, value)| (end_s, *value)));
    let events = play(kind, Duration::ZERO, &script, end_s);
    events.last().is_some_and(|(_, kind)| *kind == EventKind::AlarmRaised)
}

/// The same course, told once a minute.
fn every_minute(course: &[(u64, f64)], end_s: u64) -> Vec<(u64, f64)> {
    let at =
        |second| course.iter().rev().find(|(from, _)| *from <= second).map(|(_, value)| (second, *value));
    (0..end_s).step_by(60).filter_map(at).collect()
}
