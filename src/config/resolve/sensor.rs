//! A device's sensor: which of its signals it measures, and what it can bear.

use super::Directory;
use crate::calibration::SensorCare;
use crate::config::DeviceSpec;
use crate::config::problem::Problem;
use crate::config::raw::{At, Device, Field, Root, Sensor, Signal};
use crate::signal::{SignalIndex, SignalSpec, ValueType};

/// What the file says of the sensor of a device whose first signal is number `first`: `Some(None)` when it
/// says nothing, `None` when something was reported.
pub(super) fn sensor(
    device: &Device,
    first: usize,
    problems: &mut Vec<Problem>,
) -> Option<Option<SensorCare>> {
    device.sensor.make(|At { value: table, .. }| {
        let signal = measured(device, table, first, problems);
        report_what_has_no_effect(table, problems);
        Some(SensorCare {
            signal: signal?,
            life: table.life.make(|life| Some(life.value.0))?,
            exposure_max: table.exposure_max.make(|most| Some(most.value.0))?,
            warn_left_pct: table.warn_left.get()?.0,
            settle: table.settle.get()?.0,
            due_alarm: *table.due_alarm.get()?,
        })
    })
}

/// The signal that it measures; its name may be written with the device's or without.
fn measured(
    device: &Device,
    table: &Sensor,
    first: usize,
    problems: &mut Vec<Problem>,
) -> Option<SignalIndex> {
    let At { value: name, span } = table.signal.given()?;
    let signals = device.signal.items();
    let named = |(index, signal): (usize, &At<Signal>)| Some((signal.value.id.get()?.0.clone(), index));
    let entries: Vec<_> = signals.iter().enumerate().filter_map(named).collect();
    let whole = entries.len() == signals.len() && !matches!(device.signal, Field::Broken);
    let prefix = device.id.get().map_or_else(String::new, |id| format!("{}.", id.0));
    let bare = name.0.strip_prefix(&prefix).unwrap_or(&name.0);
    let index = Directory { entries, whole }.look_up("signal of this device", bare, *span, problems)?;
    Some(SignalIndex(first + index))
}

/// Reports the sensors that would measure a state.
pub(super) fn report_states(
    root: &Root,
    devices: &[Option<DeviceSpec>],
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) {
    for (At { value: device, .. }, spec) in root.device.items().iter().zip(devices) {
        let measured = spec.as_ref().and_then(|spec| spec.care.sensor.as_ref()).map(|sensor| sensor.signal);
        let Some(signal) = measured.and_then(|index| signals.get(index.0)?.as_ref()) else { continue };
        let is_state = signal.place.value_type == ValueType::Bool || !signal.states.0.is_empty();
        let name = device.sensor.get().and_then(|table| table.signal.given());
        problems.extend(name.filter(|_| is_state).map(|name| {
            Problem::new(name.span, "a sensor measures a number", format!("`{}` is a state", name.value.0))
                .help("name the concentration that the sensor measures")
        }));
    }
}

/// Without a life or an exposure nothing is ever due.
fn report_what_has_no_effect(table: &Sensor, problems: &mut Vec<Problem>) {
    if table.life.is_there() || table.exposure_max.is_there() {
        return;
    }
    let (warn_left, due_alarm) = (table.warn_left.given(), table.due_alarm.given());
    let given = [("warn_left", warn_left.map(|at| at.span)), ("due_alarm", due_alarm.map(|at| at.span))];
    for (key, span) in given.into_iter().filter_map(|(key, span)| Some((key, span?))) {
        problems.push(
            Problem::new(span, format!("`{key}` without `life` and `exposure_max`"), "would have no effect")
                .help("say how long the sensor lasts, or how much gas it can bear"),
        );
    }
}
