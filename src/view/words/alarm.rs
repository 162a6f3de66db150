//! An alarm, and the state of the gas, in words.

use crate::alarm::Life;
use crate::view::words::number;
use crate::view::{Alarm, Signal, Verdict};

/// Where an alarm is in its life cycle, and what it waits for.
pub const fn alarm_state(life: Life) -> &'static str {
    match life {
        Life::Normal => "normal",
        Life::Unacknowledged => "active, not acknowledged",
        Life::Acknowledged => "active, acknowledged",
        Life::ReturnedUnacknowledged => "gone again, not acknowledged",
        Life::LatchedUnacknowledged => "gone again, to be acknowledged and reset",
        Life::LatchedAcknowledged => "gone again, to be reset",
    }
}

/// What it watches for: `above 4 ppmv`, `no valid measurement`.
pub fn condition_of(alarm: &Alarm, signal: Option<&Signal>) -> String {
    let what = match alarm.kind.as_str() {
        "high" => "above",
        "low" => "below",
        "lost" => "no valid measurement",
        "state" => "in a state it should not be in",
        "fault" => "something is wrong with siskin itself",
        other => other,
    };
    let setpoint = alarm.setpoint.map(number);
    let unit = signal.and_then(|signal| signal.unit.clone()).filter(|_| setpoint.is_some());
    [Some(what.to_owned()), setpoint, unit].into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// The answer to "does the gas keep its limits?".
pub const fn verdict_text(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::WithinLimits => "Within limits",
        Verdict::OutsideLimits => "Outside limits",
        Verdict::NotKnown => "Not known",
        Verdict::NoLimits => "No limits set",
    }
}
