//! Doubts: what a site can be run with, but was hardly meant. Told by `siskin check`, never by the
//! daemon, and only about a site that has no problem.

use super::problem::{Problem, Span};
use super::raw::{Alarm, At, Field, Line, Listen, Root, Signal};
use super::{LineSpec, Site};
use crate::alarm::{AlarmSpec, Kind, Limit};
use crate::signal::{CurrentLoop, LineIndex, SignalIndex, SignalSpec, ValueType};

/// Every doubt about `site`, which was made of `root`.
pub(super) fn about(root: &Root, site: &Site) -> Vec<Problem> {
    let mut doubts = Vec::new();
    doubts.extend(root.http.get().and_then(|http| about_listening(&http.listen)));
    for (index, (line, spec)) in root.line.items().iter().zip(&site.lines).enumerate() {
        doubts.extend(about_line(line, spec, LineIndex(index), site));
    }
    let signals = root.device.items().iter().flat_map(|device| device.value.signal.items());
    for (signal, spec) in signals.zip(&site.signals) {
        doubts.extend(about_range(&signal.value, spec));
        doubts.extend(about_loop(&signal.value, spec));
        doubts.extend(about_settling(&signal.value));
    }
    for (alarm, spec) in root.alarm.items().iter().zip(&site.alarms) {
        about_alarm(&alarm.value, spec, site, &mut doubts);
    }
    about_silence(root, site, &mut doubts);
    doubts
}

fn about_listening(listen: &Field<Listen>) -> Option<Problem> {
    let At { value: Listen::On(address), span } = listen.given()? else { return None };
    let label = "everybody who reaches this address can read everything here";
    (!address.ip().is_loopback()).then(|| {
        Problem::new(*span, "HTTP is open to the network", label)
            .help("it is read-only but has no password: keep it on 127.0.0.1, or behind a firewall or proxy")
    })
}

fn about_line(line: &At<Line>, spec: &LineSpec, index: LineIndex, site: &Site) -> Option<Problem> {
    let is_used = site.devices.iter().any(|device| device.line == index);
    let label = format!("no device is on the line \"{}\"", spec.id);
    (!is_used).then(|| Problem::new(line.span, "a line without devices", label))
}

fn about_range(signal: &Signal, spec: &SignalSpec) -> Option<Problem> {
    let is_float = matches!(spec.place.value_type, ValueType::F32 | ValueType::F64);
    let unit = signal.unit.given().filter(|_| is_float && spec.range.is_none())?;
    let label = "nonsense that happens to be a number would pass for a measurement";
    Some(
        Problem::new(unit.span, "a measurement without a range", label)
            .help("give the measuring range, for example `range = [0.0, 20.0]`"),
    )
}

/// A module whose counts are full at 20 mA shows 20 mA for every current above: a failure of 21 mA
/// and more (NAMUR NE 43) looks like a measurement at the top of the range.
fn about_loop(signal: &Signal, spec: &SignalSpec) -> Option<Problem> {
    let current = signal.current.given()?;
    let milliamps = spec.current.as_ref()?.milliamps;
    let [first, second] = milliamps.from;
    let top = first.max(second);
    let is_full = raw_max(spec.place.value_type).is_some_and(|max| top >= max) || is_all_ones(top);
    let sees_failure = milliamps.apply(top) >= CurrentLoop::FAILURE_HIGH_MA;
    (is_full && !sees_failure).then(|| {
        let label = format!("the counts seem to end at {:?} mA", milliamps.apply(top));
        Problem::new(current.span, "a loop failure of 21 mA and more cannot be seen", label)
            .help("use an input that measures to 22 mA or more, or let the analyzer fail low (3.6 mA)")
    })
}

/// The greatest value an integer type holds.
fn raw_max(value_type: ValueType) -> Option<f64> {
    match value_type {
        ValueType::U16 => Some(f64::from(u16::MAX)),
        ValueType::I16 => Some(f64::from(i16::MAX)),
        ValueType::U32 => Some(f64::from(u32::MAX)),
        ValueType::I32 => Some(f64::from(i32::MAX)),
        ValueType::Bool | ValueType::U64 | ValueType::I64 | ValueType::F32 | ValueType::F64 => None,
    }
}

/// Whether a count is the fullest that 8 to 24 bits can hold, as a converter's full scale is.
fn is_all_ones(count: f64) -> bool {
    (8..=24).any(|bits| f64::from((1_u32 << bits) - 1) == count)
}

fn about_settling(signal: &Signal) -> Option<Problem> {
    let settle = signal.settle.given()?;
    signal.valid_when.items().is_empty().then(|| {
        Problem::new(settle.span, "`settle` without `valid_when`", "has no effect")
            .help("say when the sample is valid, for example that the sample flows")
    })
}

fn about_alarm(alarm: &Alarm, spec: &AlarmSpec, site: &Site, doubts: &mut Vec<Problem>) {
    let span = alarm.id.span_or(alarm.span);
    if spec.action.is_none() {
        doubts.push(
            Problem::new(span, "an alarm without an action", "the operator is not told what to do")
                .help("give it an `action`; what needs none is not an alarm (IEC 62682)"),
        );
    }
    if spec.consequence.is_none() {
        doubts.push(
            Problem::new(span, "an alarm without a consequence", "the operator is not told what it is about")
                .help("give it a `consequence`: what happens when nobody acts"),
        );
    }
    let (Limit { setpoint, deadband }, back) = match spec.kind {
        Kind::High(limit) => (limit, -1.0),
        Kind::Low(limit) => (limit, 1.0),
        Kind::Rise(..)
        | Kind::Fall(..)
        | Kind::AverageHigh(..)
        | Kind::AverageLow(..)
        | Kind::State { .. }
        | Kind::Deviation { .. }
        | Kind::Frozen { .. }
        | Kind::Lost
        | Kind::Vote { .. }
        | Kind::Fault(_) => return,
    };
    let clears_at = setpoint + back * deadband;
    if !alarm.on_delay.is_there() {
        doubts.push(
            Problem::new(span, "a limit alarm without on-delay", "one reading beyond the limit raises it")
                .help("give it an `on_delay`; say \"0s\" if that is meant"),
        );
    }
    if deadband == 0.0 {
        let label = "a value that wavers around the limit raises and clears it again and again";
        doubts.push(Problem::new(alarm.deadband.span_or(span), "an alarm without a deadband", label));
    }
    let range = spec.signal.and_then(|signal| site.signals.get(signal.0)?.range);
    let Some(range) = range else { return };
    let inside = |value: f64| (range.low..=range.high).contains(&value);
    let place = |field: &Field<f64>| field.span_or(span);
    let range = format!("the range of the signal is {:?} to {:?}", range.low, range.high);
    if !inside(setpoint) {
        doubts.push(Problem::new(place(&alarm.setpoint), "the setpoint is outside the range", range));
    } else if !inside(clears_at) {
        let title = format!("the alarm clears only at {clears_at:?}, outside the range");
        doubts.push(Problem::new(place(&alarm.deadband), title, range).help("make the deadband smaller"));
    }
}

/// *Measurement lost* alarms that are turned off.
fn about_silence(root: &Root, site: &Site, doubts: &mut Vec<Problem>) {
    let Some(lost) = root.measurement_lost.get() else { return };
    for At { value: name, span } in lost.off_for.items() {
        let index = site.signals.iter().position(|signal| signal.id == name.0).map(SignalIndex);
        let bears_alarm = site.alarms.iter().any(|alarm| alarm.signal.is_some() && alarm.signal == index);
        doubts.push(silence(*span, bears_alarm));
    }
}

fn silence(span: Span, bears_alarm: bool) -> Problem {
    if bears_alarm {
        let label = "nobody is told when this is no longer measured";
        Problem::new(span, "a measurement whose loss is silent", label)
            .help("while it is lost, its other alarms cannot speak either")
    } else {
        Problem::new(span, "nothing to turn off", "this signal bears no alarm, so it has none for its loss")
    }
}
