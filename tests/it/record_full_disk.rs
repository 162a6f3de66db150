//! A disk that others have filled to the last byte: every event still goes in, samples wait, and all is
//! as before once there is room, without a restart.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::fs::{FallocateFlags, fallocate, statvfs};
use siskin::history::{Record, open, verify};
use siskin::moment::Wall;
use siskin::signal::{Reasons, Sample, SignalIndex, Value};

use crate::record::{CHILD, clock, event};
use crate::record_samples::{H2S, site_with_signals};
use crate::skip::skip;

/// Events that have to go in although no byte is left.
const EVENTS: usize = 2_000;

#[test]
fn a_disk_without_a_byte_left_takes_every_event() {
    if let Some(dir) = std::env::var_os(CHILD) {
        return on_a_full_disk(Path::new(&dir));
    }
    let dir = tempfile::tempdir().unwrap();
    let name = "record_full_disk::a_disk_without_a_byte_left_takes_every_event";
    // A small file system of its own, which goes away with the process.
    let child = Command::new("unshare")
        .args(["--mount", "sh", "-c", r#"mount -t tmpfs -o size=80m tmpfs "$0" || exit 77; exec "$@""#])
        .arg(dir.path())
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env(CHILD, dir.path())
        .output();
    match child {
        Ok(child) if child.status.success() => {}
        Ok(child) if matches!(child.status.code(), Some(1 | 77)) && child.stdout.is_empty() => {
            skip("a full disk", "this user may not mount a file system");
        }
        Ok(child) => {
            panic!("{}{}", String::from_utf8_lossy(&child.stdout), String::from_utf8_lossy(&child.stderr))
        }
        Err(error) => skip("a full disk", &format!("unshare does not start: {error}")),
    }
}

fn on_a_full_disk(dir: &Path) {
    let record = open(dir, &site_with_signals(), clock()).unwrap();
    recorded(&record, 1);
    wait_for("the reserve", || dir.join("reserve").exists());
    let others = dir.join("others");
    fill(dir, &others);

    for _ in 0..EVENTS / 10 {
        recorded(&record, 10);
    }
    assert!(!dir.join("reserve").exists(), "the events went in without the reserve: the disk was not full");
    record.recorder.samples(vec![(SignalIndex(0), sample())]);
    recorded_alarm(&record);
    wait_for("the samples to be held back", || {
        record.recorder.status().last_error.is_some_and(|error| error.contains("kept for events"))
    });

    fs::remove_file(others).unwrap();
    wait_for("recovery", || {
        let status = record.recorder.status();
        status.last_error.is_none() && status.samples_queued == 0 && dir.join("reserve").exists()
    });
    assert_eq!(record.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap().len(), 1);
    assert_eq!(record.recorder.status().events_lost, 0);
    record.recorder.close();
    assert_eq!(verify(dir, None).unwrap().entries, u64::try_from(EVENTS + 2).unwrap());
}

/// Takes every byte that is left.
fn fill(dir: &Path, path: &Path) {
    let file = fs::File::create(path).unwrap();
    let mut filled = 0;
    for step in [1 << 20, 4096] {
        while fallocate(&file, FallocateFlags::empty(), filled, step).is_ok() {
            filled += step;
        }
    }
    assert_eq!(statvfs(dir).unwrap().f_bavail, 0);
}

fn recorded(record: &Record, events: u64) {
    let events = (0..events).map(|number| event(siskin::monitor::EventKind::DeviceLost, number)).collect();
    record.recorder.events(events).blocking_recv().unwrap().unwrap();
}

fn recorded_alarm(record: &Record) {
    let raised = event(siskin::monitor::EventKind::AlarmRaised, 0);
    record.recorder.events(vec![raised]).blocking_recv().unwrap().unwrap();
}

fn sample() -> Sample {
    Sample::new(Some(Value::Number(3.2)), Reasons::NONE, clock()())
}

fn wait_for(what: &str, mut happened: impl FnMut() -> bool) {
    let given_up = Instant::now() + Duration::from_secs(30);
    while !happened() {
        assert!(Instant::now() < given_up, "waited for {what} in vain");
        std::thread::sleep(Duration::from_millis(5));
    }
}
