//! The page of one signal, and the page of one alarm.

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::response::Response;

use serde::Deserialize;

use crate::serve::Face;
use crate::serve::page::row::{AlarmRow, DeviceRow, Here, SignalRow};
use crate::serve::page::trend::{self, Span, Subject, Trend};
use crate::serve::page::{Frame, rendered};
use crate::serve::problem::{Named, Problem};
use crate::view::words::{
    circumstances_text, date_and_time, due_text, label, recorded_text, sensor_facts, standing,
    value_with_quality_text,
};
use crate::view::{Alarm, Calibration, Device, Instant, Signal};

#[derive(Template)]
#[template(path = "signal.html", config = "src/serve/page/askama.toml")]
struct SignalPage {
    frame: Frame,
    row: SignalRow,
    read: String,
    device: Option<DeviceRow>,
    /// What was recorded of its calibrations, oldest first, and when the next is due.
    calibrations: Vec<(String, String)>,
    /// What is known of the sensor that measures it.
    sensor: Vec<(&'static str, String)>,
    /// The alarms that watch it.
    alarms: Vec<AlarmRow>,
    /// What it has been, or why that cannot be told.
    trend: Result<Trend, String>,
}

/// What may be asked of a signal's page.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignalQuery {
    /// How far back it looks.
    #[serde(default)]
    span: Span,
}

#[derive(Template)]
#[template(path = "alarm.html", config = "src/serve/page/askama.toml")]
struct AlarmPage {
    frame: Frame,
    row: AlarmRow,
    deadband: String,
    latching: bool,
    /// Each named point of its life with its time.
    times: Vec<(&'static str, String)>,
}

/// `/signals/{id}?span=24h`
pub async fn signal(
    State(face): State<Face>,
    Named(id): Named,
    query: Result<Query<SignalQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(SignalQuery { span }) = query.map_err(|why| Problem::in_query(&why))?;
    let status = face.status();
    let here = Here { now: face.handle.now().into(), zone: &face.settings.time_zone };
    let unknown = || Problem::unknown("signal", &id, status.signals.iter().map(|signal| signal.id.as_str()));
    let signal = status.signals.iter().find(|signal| signal.id == id).ok_or_else(unknown)?;
    let device = status.devices.iter().find(|device| device.id == signal.device());
    let watching: Vec<&Alarm> =
        status.alarms.iter().filter(|alarm| alarm.signal.as_ref() == Some(&signal.id)).collect();
    let trend = trend(&face, signal, &watching, span).await;
    rendered(&SignalPage {
        frame: Frame::new(&face, &signal_news(signal), true),
        row: SignalRow::of(signal, here),
        read: signal.time.map_or_else(|| "never".to_owned(), |time| date_and_time(time, here.zone)),
        device: device.map(|device| DeviceRow::of(device, &[], here)),
        calibrations: device.map_or_else(Vec::new, |device| calibrations(device, &signal.id, here)),
        sensor: device.map_or_else(Vec::new, |device| sensor(device, &signal.id, here)),
        alarms: watching.iter().map(|alarm| AlarmRow::of(alarm, &status.signals, here)).collect(),
        trend,
    })
}

/// What was recorded of a signal's calibrations, each with what it comes to.
fn calibrations(device: &Device, signal: &str, here: Here<'_>) -> Vec<(String, String)> {
    let told = |record: &Calibration| (recorded_text(record), circumstances_text(record, here.zone));
    let own = device.calibrations.iter().filter(|record| record.signal == signal);
    let mut all: Vec<_> = own.map(told).collect();
    if !all.is_empty() {
        all.extend(due_text(device, here.now, here.zone).map(|due| (due, String::new())));
    }
    all
}

fn sensor(device: &Device, signal: &str, here: Here<'_>) -> Vec<(&'static str, String)> {
    let own = device.sensor.as_ref().filter(|sensor| sensor.signal == signal);
    own.map_or_else(Vec::new, |sensor| sensor_facts(sensor, here.zone))
}

async fn trend(face: &Face, signal: &Signal, alarms: &[&Alarm], span: Span) -> Result<Trend, String> {
    let to = face.handle.now().wall;
    let from = to.checked_sub(span.length()).map_err(|error| error.to_string())?;
    let buckets =
        face.buckets(&signal.id, from, to, trend::POINTS).await.map_err(|problem| problem.detail)?;
    Ok(Trend::of(&Subject {
        signal: &signal.id,
        label: label(signal),
        unit: signal.unit.as_deref().unwrap_or_default(),
        span,
        from,
        to,
        buckets: &buckets,
        alarms: alarms.to_vec(),
        zone: &face.settings.time_zone,
    }))
}

/// `/alarms/{id}`
pub async fn alarm(State(face): State<Face>, Named(id): Named) -> Result<Response, Problem> {
    let status = face.status();
    let here = Here { now: face.handle.now().into(), zone: &face.settings.time_zone };
    let unknown = || Problem::unknown("alarm", &id, status.alarms.iter().map(|alarm| alarm.id.as_str()));
    let alarm = status.alarms.iter().find(|alarm| alarm.id == id).ok_or_else(unknown)?;
    rendered(&AlarmPage {
        frame: Frame::new(&face, &format!("{}: {}", alarm.name, standing(alarm)), true),
        row: AlarmRow::of(alarm, &status.signals, here),
        deadband: alarm.deadband.map_or_else(String::new, |deadband| deadband.to_string()),
        latching: alarm.latching,
        times: times(alarm, here),
    })
}

fn signal_news(signal: &Signal) -> String {
    format!("{}: {}", label(signal), value_with_quality_text(signal))
}

fn times(alarm: &Alarm, here: Here<'_>) -> Vec<(&'static str, String)> {
    let told = |at: Option<Instant>| at.map_or_else(|| "–".to_owned(), |at| date_and_time(at, here.zone));
    vec![
        ("last raised", told(alarm.raised)),
        ("acknowledged", told(alarm.acknowledged)),
        ("condition gone", told(alarm.cleared)),
    ]
}
