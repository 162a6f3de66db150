//! A signal in words.

use jiff::tz::TimeZone;

use crate::signal::{Condition, Quality};
use crate::view::words::{clock_time, duration, number};
use crate::view::{Instant, Signal, Value};

/// What a person calls it: its name, else its id.
pub fn label(signal: &Signal) -> &str {
    signal.name.as_deref().unwrap_or(&signal.id)
}

/// The value with its unit, the name of its state, or `not measured`. Never a past value.
pub fn value_text(signal: &Signal) -> String {
    match (&signal.state, signal.value) {
        (_, None) => "not measured".to_owned(),
        (Some(state), Some(_)) => state.clone(),
        (None, Some(value)) => with_unit(value, signal),
    }
}

/// The value where its quality does not stand beside it: `3.210 ppmv (use with care)`.
pub fn value_with_quality_text(signal: &Signal) -> String {
    let value = value_text(signal);
    match signal.quality.0 {
        // That a bad one is not measured is said in the value's place.
        Quality::Good | Quality::Bad => value,
        quality @ Quality::Uncertain => format!("{value} ({})", quality_text(quality)),
    }
}

/// The last good value, told as the past: `3.210 ppmv, 4 min ago (09:00:12)`.
pub fn last_good_text(signal: &Signal, now: Instant, zone: &TimeZone) -> Option<String> {
    let last = signal.last_good?;
    let ago = duration(last.age_s.0);
    Some(format!("{}, {ago} ago ({})", with_unit(last.value, signal), clock_time(last.time, now, zone)))
}

/// The quality as one says it of a value.
pub const fn quality_text(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Uncertain => "use with care",
        Quality::Bad => "bad",
    }
}

/// An NE 107 status in words.
pub const fn condition_text(condition: Condition) -> &'static str {
    match condition {
        Condition::Failure => "failure",
        Condition::FunctionCheck => "function check",
        Condition::OutOfSpecification => "out of specification",
        Condition::MaintenanceRequired => "maintenance required",
    }
}

/// Why the signal is not good, as one sentence; empty when it is.
pub fn reasons_text(signal: &Signal) -> String {
    let sentences: Vec<&str> = signal.reasons.iter().map(|reason| reason.sentence()).collect();
    sentences.join("; ")
}

fn with_unit(value: Value, signal: &Signal) -> String {
    match (value, &signal.unit) {
        (Value::Flag(true), _) => "on".to_owned(),
        (Value::Flag(false), _) => "off".to_owned(),
        (Value::Number(value), Some(unit)) => format!("{} {unit}", number(value)),
        (Value::Number(value), None) => number(value),
    }
}
