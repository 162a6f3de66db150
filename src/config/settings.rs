//! Every setting in effect as path and value, so that the next start can say what has changed.
//!
//! Defaults are among them: a default that a new version changes is a change of the site.

use super::raw::{At, Field, Id, Root};

type Settings = Vec<(&'static str, String)>;

/// The settings, sorted by path. Paths name things by their ids: `alarm.h2s-high.setpoint`,
/// `signal.h2s-1.concentration.range`.
pub(super) fn settings(root: &Root) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let mut add = |path: String, settings: Settings| {
        all.extend(settings.into_iter().map(|(key, value)| (format!("{path}{key}"), value)));
    };
    add_single(root, &mut add);
    for At { value: line, .. } in root.line.items() {
        add(format!("line.{}.", id(&line.id)), line.settings());
    }
    for At { value: device, .. } in root.device.items() {
        let mut own = device.settings();
        own.retain(|(key, _)| !["signal", "calibration", "sensor"].contains(key));
        add(format!("device.{}.", id(&device.id)), own);
        if let Some(calibration) = device.calibration.get() {
            add(format!("device.{}.calibration.", id(&device.id)), calibration.settings());
        }
        if let Some(sensor) = device.sensor.get() {
            add(format!("device.{}.sensor.", id(&device.id)), sensor.settings());
        }
        for At { value: signal, .. } in device.signal.items() {
            add(format!("signal.{}.{}.", id(&device.id), id(&signal.id)), signal.settings());
        }
    }
    for At { value: alarm, .. } in root.alarm.items() {
        add(format!("alarm.{}.", id(&alarm.id)), alarm.settings());
    }
    for At { value: button, .. } in root.push_button.items() {
        let signal = button.signal.get().map_or("", |signal| signal.0.as_str());
        add(format!("push_button.{signal}."), button.settings());
    }
    all.sort();
    all
}

fn add_single(root: &Root, add: &mut impl FnMut(String, Settings)) {
    if let Some(site) = root.site.get() {
        add("site.".to_owned(), site.settings());
    }
    if let Some(gas) = root.gas_reference.get() {
        add("gas_reference.".to_owned(), gas.settings());
    }
    if let Some(history) = root.history.get() {
        add("history.".to_owned(), history.settings());
    }
    if let Some(http) = root.http.get() {
        add("http.".to_owned(), http.settings());
    }
    if let Some(scada) = root.scada.get() {
        add("scada.".to_owned(), scada.settings());
    }
    if let Some(control) = root.control.get() {
        add("control.".to_owned(), control.settings());
    }
    if let Some(lost) = root.measurement_lost.get() {
        add("measurement_lost.".to_owned(), lost.settings());
    }
    if let Some(shelving) = root.shelving.get() {
        add("shelving.".to_owned(), shelving.settings());
    }
}

fn id(field: &Field<Id>) -> &str {
    field.get().map_or("", |id| id.0.as_str())
}
