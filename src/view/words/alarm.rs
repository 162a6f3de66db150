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

/// What a limit asks: `above 4 ppmv`. `None` for an alarm without a setpoint.
pub fn limit_text(alarm: &Alarm, signal: Option<&Signal>) -> Option<String> {
    let side = match alarm.kind.as_str() {
        "high" => "above",
        "low" => "below",
        other => other,
    };
    let unit = signal.and_then(|signal| signal.unit.as_deref()).unwrap_or_default();
    alarm.setpoint.map(|setpoint| format!("{side} {} {unit}", number(setpoint)).trim_end().to_owned())
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
