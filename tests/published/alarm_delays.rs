//! Deadband, on-delay and off-delay, through the whole monitor.
//!
//! Source of the definitions: OPC UA Part 9 (OPC 10000-9) v1.05, section B.1.5: once active, a high
//! alarm stays until the value has dropped below the limit by the deadband; the condition must
//! persist for the on-delay before it activates, and be clear for the off-delay before it clears. The
//! vectors are worked out from these by hand. On which side a value *at* the limit falls is not fixed
//! by any source; siskin's choice ("not more than" is allowed, so only more raises) stands at the end.

use std::time::Duration;

use siskin::alarm::{Kind, Limit};
use siskin::monitor::EventKind;

use crate::one_alarm::play;

const DELAY: Duration = Duration::from_secs(10);

/// Long after the last thing that can happen.
const END_S: u64 = 1000;

const RAISED: EventKind = EventKind::AlarmRaised;
const CLEARED: EventKind = EventKind::AlarmCleared;

/// Above 4.0, back below it by 0.2.
const HIGH: Kind = Kind::High(Limit { setpoint: 4.0, deadband: 0.2 });

/// The same mirrored: below 4.0, back above it by 0.2.
const LOW: Kind = Kind::Low(Limit { setpoint: 4.0, deadband: 0.2 });

#[test]
fn nine_seconds_beyond_the_limit_are_not_ten() {
    check(&[(0, 4.1), (9, 3.9)], &[]);
}

#[test]
fn ten_seconds_beyond_the_limit_raise_it() {
    check(&[(0, 4.1)], &[(10, RAISED)]);
}

#[test]
fn within_the_deadband_it_stays_however_long() {
    check(&[(0, 4.1), (10, 3.85), (70, 3.85)], &[(10, RAISED)]);
}

#[test]
fn nine_seconds_of_clear_are_not_ten() {
    check(&[(0, 4.1), (10, 3.85), (70, 3.79), (79, 3.85)], &[(10, RAISED)]);
}

#[test]
fn ten_seconds_of_clear_end_it() {
    let script = [(0, 4.1), (10, 3.85), (70, 3.79), (79, 3.85), (100, 3.79)];
    check(&script, &[(10, RAISED), (110, CLEARED)]);
}

#[test]
fn siskins_own_choice_a_value_at_the_limit_raises_nothing() {
    check(&[(0, 4.0)], &[]);
}

#[test]
fn siskins_own_choice_a_value_at_the_deadbands_end_counts_as_back() {
    check(&[(0, 4.1), (20, 3.8)], &[(10, RAISED), (30, CLEARED)]);
}

/// Plays `(second, value)`, and the mirror image on a low alarm, and compares the events with what
/// is expected of both.
#[track_caller]
fn check(script: &[(u64, f64)], expected: &[(u64, EventKind)]) {
    // The mirror stands at the limit, 4.0.
    let mirrored = script.iter().map(|(second, value)| (*second, 8.0 - value)).collect::<Vec<_>>();
    assert_eq!(play(HIGH, DELAY, script, END_S), expected, "high: {script:?}");
    assert_eq!(play(LOW, DELAY, &mirrored, END_S), expected, "low: {mirrored:?}");
}
