//! From a raw value to a value in its unit with the reasons that speak against it.
//!
//! Only what the value itself tells is judged here: numbers that are none, loop currents outside
//! NE 43, values outside the measuring range, codes without a name. Age, validity conditions and
//! settling need other signals and time; the monitor adds those.

use crate::signal::{CurrentLoop, LoopBand, Raw, Reason, Reasons, SignalSpec, Value, code_as_number};

/// The scaled value and the reasons the value itself gives. The value is there even when a reason
/// is bad, so that a face may show what was read; [`crate::signal::Sample`] drops it.
pub fn assess(spec: &SignalSpec, raw: Raw) -> (Option<Value>, Reasons) {
    match raw {
        Raw::Flag(flag) => (Some(Value::Flag(flag)), Reasons::NONE),
        Raw::Number(number) => assess_number(spec, number),
    }
}

fn assess_number(spec: &SignalSpec, raw: f64) -> (Option<Value>, Reasons) {
    let mut reasons = Reasons::NONE;
    let input = match &spec.current {
        Some(current) => {
            let milliamps = current.milliamps.apply(raw);
            if let Some(reason) = loop_reason(milliamps) {
                reasons.insert(reason);
            }
            milliamps
        }
        None => raw,
    };
    let value = spec.scale.map_or(input, |scale| scale.apply(input));
    if !value.is_finite() || unnamed_code(spec, value) {
        return (None, Reasons::one(Reason::InvalidNumber));
    }
    if let Some(range) = spec.range {
        if value < range.low {
            reasons.insert(Reason::BelowRange);
        } else if value > range.high {
            reasons.insert(Reason::AboveRange);
        }
    }
    (Some(Value::Number(value)), reasons)
}

fn loop_reason(milliamps: f64) -> Option<Reason> {
    match CurrentLoop::band(milliamps) {
        LoopBand::Measurement => None,
        LoopBand::FailureLow => Some(Reason::LoopFailureLow),
        LoopBand::FailureHigh => Some(Reason::LoopFailureHigh),
        LoopBand::Between => Some(Reason::LoopOutOfRange),
    }
}

/// Whether the signal has named codes and this value is none of them.
fn unnamed_code(spec: &SignalSpec, value: f64) -> bool {
    let named = |(code, _): &(i64, String)| code_as_number(*code) == value;
    !spec.states.0.is_empty() && !spec.states.0.iter().any(named)
}
