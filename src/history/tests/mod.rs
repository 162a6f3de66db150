//! Tests of the record as a whole: on real files, with a daemon that is killed and disks that fail.
//!
//! Here is what they share.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bad_input;
mod damage;
mod days;
mod doubted;
mod held_otherwise;
mod keeping;
mod minutes;
mod recomputed;
mod salvaging;
mod second_layout;
mod tampering;
mod waiting;

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use crate::history::queue::Limits;
use crate::history::recorder::{Kept, open_with};
use crate::history::samples::{Bounds, KeptSignal};
use crate::history::{OpenError, Record, RecordError};
use crate::moment::{Clock, Moment, Mono, Wall};
use crate::monitor::{Detail, Event, EventKind, Who};
use crate::signal::{DeviceIndex, Place, Reasons, Sample, SignalSpec, Table, Value, ValueType};

const H2S: &str = "h2s-1.concentration";
const DOOR: &str = "door.open";

fn start() -> Wall {
    "2026-03-02T15:04:05.120Z".parse().unwrap()
}

fn moment(after_ms: u64) -> Moment {
    let mono = Mono::from_millis(after_ms);
    Moment { mono, wall: start() + mono.since_start() }
}

fn clock() -> Clock {
    Arc::new(|| moment(3_600_000))
}

fn kept() -> Kept {
    Kept {
        site_id: "willow-bend".to_owned(),
        signals: [signal(H2S, ValueType::U16), signal(DOOR, ValueType::Bool)]
            .iter()
            .map(KeptSignal::of)
            .collect(),
        bounds: Bounds { keep: Duration::from_secs(3 * 365 * 86_400), max_size_bytes: 1 << 30 },
    }
}

/// A signal of a site, read once a second and stale after five.
fn signal(id: &str, value_type: ValueType) -> SignalSpec {
    SignalSpec::new(id, DeviceIndex(0), Place::new(Table::Input, 0, value_type))
}

/// Limits with which nothing but close, a full queue or an alarm writes samples.
fn limits() -> Limits {
    Limits { flush_every: Duration::from_secs(3600), ..Limits::default() }
}

fn open(dir: &Path) -> Record {
    try_open(dir).unwrap()
}

fn try_open(dir: &Path) -> Result<Record, OpenError> {
    open_with(dir, &kept(), clock(), limits())
}

fn event(number: u64) -> Event {
    Event {
        at: moment(number),
        kind: EventKind::DeviceOnline,
        subject: format!("device-{number}"),
        who: None,
        detail: [("number", Detail::Text(number.to_string()))].into(),
    }
}

fn alarm(kind: EventKind, subject: &str) -> Event {
    let detail = [
        ("value", Detail::Number(0.1 + 0.2)),
        ("state", Detail::Text("unacknowledged".to_owned())),
        ("reasons", Detail::List(vec!["settling".to_owned()])),
        ("latched", Detail::Flag(true)),
    ];
    let who = Who { user: "mvega".to_owned(), name: Some("Mar\u{ed}a \"Vega\"\n\u{1}".to_owned()) };
    Event { at: moment(12), kind, subject: subject.to_owned(), who: Some(who), detail: detail.into() }
}

fn number(number: f64, after_ms: u64) -> Sample {
    Sample::new(Some(Value::Number(number)), Reasons::NONE, moment(after_ms))
}

/// Records the events and waits until they are on the disk.
fn record(record: &Record, events: Vec<Event>) -> Vec<u64> {
    answer(record.recorder.events(events)).unwrap()
}

fn answer(mut receiver: oneshot::Receiver<Result<Vec<u64>, RecordError>>) -> Result<Vec<u64>, RecordError> {
    let mut answer = None;
    wait_for(|| {
        answer = receiver.try_recv().ok();
        answer.is_some()
    });
    answer.unwrap()
}

/// Waits for the thing itself; a test that would hang fails instead.
fn wait_for(mut happened: impl FnMut() -> bool) {
    let given_up = Instant::now() + Duration::from_secs(60);
    while !happened() {
        assert!(Instant::now() < given_up, "waited for in vain");
        std::thread::sleep(Duration::from_millis(1));
    }
}
