//! What the daemon says of the machine it runs on: whether its clock can be believed, and what the record
//! takes on its disk.

use std::sync::Arc;

use serde_json::Value;
use siskin::history::open;
use siskin::moment::{Clock, Moment, Mono};
use siskin::monitor::{Event, EventKind};

use crate::bench::{CLEAN, set, site, wait_for_alarm};
use crate::home::Home;
use crate::record;
use crate::scripted_slave::{Framing, Slave};

#[test]
fn a_start_with_a_clock_before_the_record_is_journaled_and_told_on_every_face() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, CLEAN);
    let home = Home::new(&site(&slave));
    // Another daemon had recorded here, by a clock that is far ahead of this machine's.
    let ahead = Moment { mono: Mono::ZERO, wall: "2199-01-01T00:00:00Z".parse().unwrap() };
    let clock: Clock = Arc::new(move || ahead);
    let before = open(&home.data(), &record::site(), clock).unwrap();
    let (kind, subject) = (EventKind::Stopped, "bench".to_owned());
    let event = Event { at: ahead, kind, subject, who: None, detail: Default::default() };
    before.recorder.events(vec![event]).blocking_recv().unwrap().unwrap();
    before.recorder.close();

    let daemon = home.start();
    let journal = daemon.wait_for_journal("the start", |journal| {
        journal.iter().any(|entry| entry["kind"] == "clock_behind_record")
    });
    let event = journal.iter().find(|entry| entry["kind"] == "clock_behind_record").unwrap();
    assert_eq!(event["detail"]["recorded_until"], "2199-01-01T00:00:00.000Z");
    assert!(event["detail"]["behind_s"].as_f64().unwrap() > 1e9, "{event}");
    let status = daemon.json("/api/v1/status");
    assert_eq!(status["clock"]["behind_record_until"], "2199-01-01T00:00:00.000Z");
    let words = "before what was recorded last (2199-01-01 00:00:00 UTC)";
    let page = daemon.get("/").1;
    assert!(page.contains(words), "{page}");
    let told = home.run(&["status"]);
    let told = String::from_utf8(told.stdout).unwrap().replace('\n', " ");
    assert!(told.contains(words), "{told}");
    // It goes on watching all the same.
    wait_for_alarm(&daemon, &["normal"]);
}

#[test]
fn what_the_record_takes_is_measured_and_told_by_the_daemon() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, CLEAN);
    let home = Home::new(&site(&slave));
    let daemon = home.start();
    let storage = daemon.wait_for("what the record takes", |status| {
        Some(status["storage"].clone()).filter(|storage| !storage.is_null())
    });
    let length = |name: &str| std::fs::metadata(home.data().join(name)).map_or(0, |file| file.len());
    let journal_now = length("journal.db") + length("journal.db-wal");
    let told = storage["journal_bytes"].as_u64().unwrap();
    assert!(told > 0 && told <= journal_now, "{told} of {journal_now}");
    assert!(storage["free_bytes"].as_u64().unwrap() > 0 && storage["written_bytes"].is_u64(), "{storage}");
    // Of a daemon that has just begun nothing is extrapolated.
    for rate in ["growth_bytes_per_day", "written_bytes_per_day", "lasts_s"] {
        assert_eq!(storage[rate], Value::Null, "{rate}");
    }
    let json = home.run(&["status", "--disk", "--json"]);
    assert!(json.status.success(), "{json:?}");
    let json: Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(json["history_bytes_max"], storage["history_bytes_max"]);
    let text = home.run(&["status", "--disk"]);
    let text = String::from_utf8(text.stdout).unwrap();
    for words in ["journal", "history", "of at most 7.20 GiB", "growth    not known yet", "free", "written"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(daemon.get("/").1.contains("Record: journal"));
}
