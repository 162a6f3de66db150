//! Doubts about alarms beside each other: deadbands that reach the next setpoint, limits that cross,
//! alarms that say the same.
//!
//! The four inequalities that the setpoints and deadbands of one signal must keep are those of OPC UA
//! Part 9, section 5.8.18: HighHigh - deadband > High, High - deadband > Low, Low + deadband < High,
//! LowLow + deadband < Low. Each says that an alarm must clear before the next setpoint is reached.

use crate::alarm::{AlarmSpec, Kind, Limit};
use crate::config::problem::Problem;
use crate::config::raw::{Alarm, At};

/// An alarm of the file, as it stands there and as it was understood.
type Told<'a> = (&'a At<Alarm>, &'a AlarmSpec);

/// Every doubt about alarms beside each other.
pub(super) fn about(alarms: &[Told]) -> Vec<Problem> {
    let mut doubts = Vec::new();
    for (index, one) in alarms.iter().enumerate() {
        doubts.extend(about_deadband(one, alarms));
        for other in alarms.iter().take(index).filter(|(_, other)| other.signal == one.1.signal) {
            doubts.extend(about_crossing(one, other));
            doubts.extend(about_the_same(one, other));
        }
    }
    doubts
}

/// A level at which an alarm is raised, and which way its value comes back: -1 down, 1 up.
fn level(spec: &AlarmSpec) -> Option<(Limit, f64)> {
    let back = if matches!(spec.kind, Kind::Low(_)) { 1.0 } else { -1.0 };
    spec.kind.value_limit().map(|limit| (limit, back))
}

/// The next setpoint on the way back must lie beyond the deadband.
fn about_deadband((alarm, spec): &Told, alarms: &[Told]) -> Option<Problem> {
    let (limit, back) = level(spec)?;
    let way_to = |(_, other): &&Told| {
        let (next, _) = level(other).filter(|_| other.signal == spec.signal)?;
        Some((next.setpoint - limit.setpoint) * back).filter(|way| *way > 0.0)
    };
    let ways = alarms.iter().filter_map(|told| Some((way_to(&told)?, told)));
    let (way, (next, next_spec)) = ways.min_by(|(one, _), (other, _)| one.total_cmp(other))?;
    (limit.deadband >= way).then(|| {
        let clears_at = limit.setpoint + back * limit.deadband;
        let label = format!("`{}` clears only at {clears_at:?}, where `{}` is raised", spec.id, next_spec.id);
        let span = alarm.value.deadband.span_or(alarm.span);
        Problem::new(span, "a deadband that reaches the next setpoint", label)
            .also(next.value.setpoint.span_or(next.span), "the next setpoint")
            .help("OPC UA Part 9, section 5.8.18: an alarm clears before the next setpoint is reached")
    })
}

/// A high limit below a low one: whatever the value, one of the two is raised.
fn about_crossing((alarm, spec): &Told, (other, other_spec): &Told) -> Option<Problem> {
    let ((limit, back), (other_limit, other_back)) = (level(spec)?, level(other_spec)?);
    let crosses = back != other_back && (other_limit.setpoint - limit.setpoint) * back <= 0.0;
    crosses.then(|| {
        let label = format!("at every value `{}` or `{}` is raised", other_spec.id, spec.id);
        Problem::new(
            alarm.value.setpoint.span_or(alarm.span),
            "a high limit that is not above the low one",
            label,
        )
        .also(other.value.setpoint.span_or(other.span), "the other limit")
        .help("OPC UA Part 9, section 5.8.18: the high limit lies above the low one")
    })
}

/// With another delay an alarm says something else: that it still stands.
fn about_the_same((alarm, spec): &Told, (other, other_spec): &Told) -> Option<Problem> {
    let is_the_same = match (level(spec), level(other_spec)) {
        (Some((limit, back)), Some((other_limit, other_back))) => {
            (limit.setpoint, back) == (other_limit.setpoint, other_back)
        }
        (_, _) => spec.kind == other_spec.kind,
    };
    let is_told_alike =
        spec.on_delay == other_spec.on_delay && spec.suppress_when == other_spec.suppress_when;
    (is_the_same && is_told_alike).then(|| {
        let label = format!("`{}` and `{}` are raised together", other_spec.id, spec.id);
        Problem::new(alarm.value.id.span_or(alarm.span), "two alarms that say the same", label)
            .also(other.value.id.span_or(other.span), "the other one")
            .help("one event, one alarm (IEC 62682, from memory): keep one of them")
    })
}
