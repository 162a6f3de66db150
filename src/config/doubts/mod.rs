//! Doubts: what a site can be run with, but was hardly meant. Told by `siskin check`, never by the
//! daemon, and only about a site that has no problem.

mod alarm;
mod pair;

use std::time::Duration;

use super::problem::{Problem, Span};
use super::raw::{At, Field, Http, Line, Listen, PushButton, Root, Signal, spell_duration};
use super::{LineSpec, PushButtonSpec, Site};
use crate::signal::{CurrentLoop, LineIndex, SignalIndex, SignalSpec, ValueType};

/// Every doubt about `site`, which was made of `root`.
pub(super) fn about(root: &Root, site: &Site) -> Vec<Problem> {
    let mut doubts = Vec::new();
    doubts.extend(root.http.get().and_then(about_listening));
    doubts.extend(root.scada.get().and_then(|scada| about_masters(&scada.listen)));
    for (index, (line, spec)) in root.line.items().iter().zip(&site.lines).enumerate() {
        doubts.extend(about_line(line, spec, LineIndex(index), site));
    }
    let signals = root.device.items().iter().flat_map(|device| device.value.signal.items());
    for (signal, spec) in signals.zip(&site.signals) {
        doubts.extend(about_range(&signal.value, spec));
        doubts.extend(about_loop(&signal.value, spec));
        doubts.extend(about_settling(&signal.value));
    }
    let alarms: Vec<_> = root.alarm.items().iter().zip(&site.alarms).collect();
    for (described, spec) in &alarms {
        doubts.extend(alarm::about(&described.value, spec, site));
    }
    doubts.extend(pair::about(&alarms));
    for (button, spec) in root.push_button.items().iter().zip(&site.push_buttons) {
        doubts.extend(about_button(&button.value, *spec, site));
    }
    about_silence(root, site, &mut doubts);
    doubts
}

/// People hold a push-button for about half a second. Common practice, no source.
const PRESS: Duration = Duration::from_millis(500);

/// A press between two polls is not seen.
fn about_button(button: &PushButton, spec: PushButtonSpec, site: &Site) -> Option<Problem> {
    let (signal, poll_every) = (button.signal.given()?, site.signals.get(spec.signal.0)?.poll_every);
    (poll_every > PRESS).then(|| {
        let label = format!("its signal is asked for only every \"{}\"", spell_duration(poll_every));
        Problem::new(signal.span, "a push-button that must be held", label)
            .help("a short press between two polls is not seen: set `poll_every = \"250ms\"` at its signal")
    })
}

fn about_listening(http: &Http) -> Option<Problem> {
    let At { value: Listen::On(address), span } = http.listen.given()? else { return None };
    if address.ip().is_loopback() || http.tokens.is_there() {
        return None;
    }
    let label = "everybody who reaches this address can read everything here";
    let help = "it is read-only, but asks nobody who they are: keep it on 127.0.0.1, behind a firewall or a proxy, \
                or give `tokens` with `certificate` and `key`";
    Some(Problem::new(*span, "HTTP is open to the network", label).help(help))
}

/// A master sits elsewhere, so an address on a network is meant; every network of the box hardly is.
fn about_masters(listen: &Field<Listen>) -> Option<Problem> {
    let At { value: Listen::On(address), span } = listen.given()? else { return None };
    let label = "everybody on every network of this box can read everything here";
    address.ip().is_unspecified().then(|| {
        Problem::new(*span, "SCADA is open to every network", label)
            .help("Modbus has no password: give this box's address on the control network")
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
        Problem::new(settle.span, "`settle` without `valid_when`", "acts after a function check alone")
            .help("say when the sample is valid too, for example that the sample flows")
    })
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
