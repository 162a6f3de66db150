//! A disk that is full, slow, or held by another hand: what waits, what is given up, what is said.

use std::fs;
use std::process::Command;

use rusqlite::Connection;
use rustix::process::{Resource, Rlimit, setrlimit};

use super::*;
use crate::history::queue::Queue;
use crate::history::{HISTORY_FILE, Head, JOURNAL_FILE, JournalEntry, verify};
use crate::signal::SignalIndex;

/// Limits that a test reaches at once.
fn impatient() -> Limits {
    Limits {
        events_queued_max: 5,
        samples_queued_max: 10,
        events_per_commit_max: 2,
        answer_within: Duration::from_millis(1),
        retry_after: (Duration::from_millis(1), Duration::from_millis(20)),
        ..limits()
    }
}

/// Holds a file so that nobody else can write to it until this is dropped.
fn held(dir: &Path, file: &str) -> Connection {
    let hand = Connection::open(dir.join(file)).unwrap();
    hand.execute_batch("BEGIN IMMEDIATE").unwrap();
    hand
}

fn open_impatient(dir: &Path) -> Record {
    open_with(dir, &kept(), clock(), impatient()).unwrap()
}

fn losses(entries: &[JournalEntry]) -> Vec<(f64, f64)> {
    let lost = entries.iter().filter(|entry| entry.kind == "record_lost");
    lost.map(|entry| (entry.detail["events"].as_f64().unwrap(), entry.detail["samples"].as_f64().unwrap()))
        .collect()
}

#[test]
fn who_waits_too_long_is_told_and_the_events_stay_queued() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open_impatient(dir.path());
    let hand = held(dir.path(), JOURNAL_FILE);
    let first = answer(kept.recorder.events(vec![event(1)]));
    let Err(RecordError::Waiting { .. }) = first else { panic!("{first:?}") };
    wait_for(|| kept.recorder.status().last_error.is_some_and(|error| error.contains("locked")));
    drop(kept.recorder.events(vec![event(2)]));
    assert_eq!(kept.recorder.status().events_queued, 2);

    drop(hand);
    wait_for(|| kept.recorder.status().events_queued == 0);
    let entries = kept.journal.read(0, 10).unwrap();
    assert_eq!(
        entries.iter().map(|entry| entry.subject.as_str()).collect::<Vec<_>>(),
        ["device-1", "device-2"]
    );
    assert_eq!(kept.recorder.status().last_error, None);
}

#[test]
fn who_waits_is_told_even_when_the_scribe_hangs() {
    let queue = Queue::new(impatient(), Head::default()); // and nobody who writes
    let receiver = queue.add_events(vec![event(1)]);
    std::thread::sleep(impatient().answer_within);
    queue.status();
    assert_eq!(answer(receiver), Err(RecordError::Waiting { cause: "the disk has not answered".to_owned() }));
}

#[test]
fn events_beyond_the_limit_are_given_up_counted_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open_impatient(dir.path());
    let hand = held(dir.path(), JOURNAL_FILE);
    drop(kept.recorder.events(vec![event(1), event(2), event(3), event(4)]));
    assert_eq!(
        answer(kept.recorder.events(vec![event(5), event(6)])),
        Err(RecordError::QueueFull { queued_max: 5 })
    );
    drop(kept.recorder.events(vec![event(7)]));
    drop(hand);
    wait_for(|| losses(&kept.journal.read(0, 10).unwrap()) == [(2.0, 0.0)]);
    let entries = kept.journal.read(0, 10).unwrap();
    let subjects: Vec<_> = entries.iter().map(|entry| entry.subject.as_str()).collect();
    assert_eq!(subjects, ["device-1", "device-2", "device-3", "device-4", "device-7", "willow-bend"]);
    assert_eq!(kept.recorder.status().events_lost, 2);

    // What is lost after that is told at the latest when the record is closed.
    kept.recorder.samples((0..25).map(|ms| (SignalIndex(0), number(0.5, ms))).collect());
    kept.recorder.close();
    let entries = kept.journal.read(0, 10).unwrap();
    assert_eq!(losses(&entries), [(2.0, 0.0), (0.0, 15.0)]);
    // Each loss is told with its own extent, not with that of the one before.
    let told: Vec<_> = entries.iter().filter(|entry| entry.kind == "record_lost").collect();
    let [first, last] = [0, 14].map(|ms| format!("{:.3}", moment(ms).wall));
    assert_eq!(
        (told[1].detail["from"].as_str(), told[1].detail["to"].as_str()),
        (Some(&*first), Some(&*last))
    );
    assert!(told[0].detail["from"].is_string());
}

#[test]
fn one_transaction_takes_whole_batches_up_to_its_limit_and_at_least_one() {
    let queue = Queue::new(Limits::default(), Head::default());
    for batch in [1, 1, 1, 3] {
        drop(queue.add_events((0..batch).map(event).collect()));
    }
    let sizes = |events_max| -> Vec<usize> {
        queue.lock().first_events(events_max).iter().map(|batch| batch.len()).collect()
    };
    assert_eq!(sizes(2), [1, 1]);
    assert_eq!(sizes(5), [1, 1, 1]);
    queue.lock().events_recorded(vec![vec![1], vec![2], vec![3]], Head::default());
    assert_eq!(sizes(2), [3]);
}

#[test]
fn samples_put_back_stay_the_oldest() {
    let queue = Queue::new(impatient(), Head::default());
    queue.add_samples(vec![(SignalIndex(2), number(0.5, 2))]);
    let failed = [0, 1].map(|signal| (SignalIndex(signal), number(0.5, 0)));
    queue.lock().put_back(failed.into(), 2);
    let left: Vec<_> = queue.lock().samples.iter().map(|(signal, _)| signal.0).collect();
    assert_eq!((left, queue.status().samples_lost), (vec![1, 2], 1));
}

#[test]
fn the_oldest_samples_are_given_up_counted_and_told() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open_impatient(dir.path());
    for ms in 0..25 {
        kept.recorder.samples(vec![(SignalIndex(0), number(0.5, ms))]);
    }
    let status = kept.recorder.status();
    assert_eq!((status.samples_queued, status.samples_lost), (10, 15));
    kept.recorder.close();
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!((samples.len(), samples[0].time), (10, moment(15).wall));
    let entries = kept.journal.read(0, 10).unwrap();
    assert_eq!(losses(&entries), [(0.0, 15.0)]);
    let lost = entries.iter().find(|entry| entry.kind == "record_lost").unwrap();
    let [first, last] = [0, 14].map(|ms| format!("{:.3}", moment(ms).wall));
    assert_eq!((lost.detail["from"].as_str(), lost.detail["to"].as_str()), (Some(&*first), Some(&*last)));
}

#[test]
fn samples_that_could_not_be_written_are_written_later_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let limits = Limits {
        flush_every: Duration::from_millis(1),
        answer_within: Limits::default().answer_within,
        ..impatient()
    };
    let kept = open_with(dir.path(), &super::kept(), clock(), limits).unwrap();
    let hand = held(dir.path(), HISTORY_FILE);
    kept.recorder.samples(vec![(SignalIndex(0), number(0.5, 0))]);
    wait_for(|| kept.recorder.status().last_error.is_some());
    kept.recorder.samples(vec![(SignalIndex(0), number(1.5, 1))]);
    assert_eq!(record(&kept, vec![event(1)]), [1], "the journal does not wait for the history");
    drop(hand);
    wait_for(|| kept.recorder.status().last_error.is_none());
    kept.recorder.close();
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!(samples.iter().filter_map(|sample| sample.value?.number()).collect::<Vec<_>>(), [0.5, 1.5]);
}

#[test]
fn closing_gives_up_what_the_disk_does_not_take_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let patient = Limits { answer_within: Duration::from_secs(3600), ..impatient() };
    let kept = open_with(dir.path(), &super::kept(), clock(), patient).unwrap();
    let _hand = held(dir.path(), JOURNAL_FILE);
    let waiting = kept.recorder.events(vec![event(1)]);
    let other = kept.recorder.clone();
    kept.recorder.close();
    assert_eq!(answer(waiting), Err(RecordError::Closed));
    assert_eq!(answer(other.events(vec![event(2)])), Err(RecordError::Closed));
}

#[test]
fn the_sample_file_stays_within_its_size_and_keeps_the_newest() {
    let dir = tempfile::tempdir().unwrap();
    let small = Kept { bounds: Bounds { max_size_bytes: 512 << 10, ..kept().bounds }, ..kept() };
    let limits = Limits { flush_every: Duration::ZERO, ..limits() };
    let a_day_later: Clock = Arc::new(|| moment(86_400_000));
    let kept = open_with(dir.path(), &small, a_day_later, limits).unwrap();
    // Values that jump about, twenty a second, so that a minute takes several pages.
    let (minutes, every_ms) = (200, 50);
    let jumping = |ms: u64| 0.1 * f64::from(u32::try_from(ms * 7_919 % 60_007).unwrap());
    for minute in 0..minutes {
        let of_minute = (minute * 60_000..(minute + 1) * 60_000).step_by(every_ms);
        kept.recorder.samples(of_minute.map(|ms| (SignalIndex(0), number(jumping(ms), ms))).collect());
        wait_for(|| kept.recorder.status().samples_queued == 0);
    }
    kept.recorder.close();
    assert!(fs::metadata(dir.path().join(HISTORY_FILE)).unwrap().len() <= 512 << 10);
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert!(samples.len() > 30_000, "{} samples were kept", samples.len());
    let all: Vec<u64> = (0..minutes * 60_000).step_by(every_ms).collect();
    let newest = all[all.len() - samples.len()..].iter().map(|ms| moment(*ms).wall);
    assert!(samples.iter().map(|sample| sample.time).eq(newest));
    let told = kept.journal.read(0, 10).unwrap();
    assert_eq!(told.len(), 2, "the first at once, the rest when the day, or siskin, ends");
    assert!(
        told.iter().all(|entry| entry.kind == "samples_made_room" && entry.detail["cause"] == "max_size")
    );
    let [first, oldest] = [0, all[all.len() - samples.len()]].map(|ms| {
        let begin = moment(ms).wall.as_millisecond().div_euclid(60_000) * 60_000;
        format!("{:.3}", Wall::from_millisecond(begin).unwrap())
    });
    assert_eq!(
        (told[0].detail["from"].as_str(), told[1].detail["to"].as_str()),
        (Some(&*first), Some(&*oldest))
    );
}

#[test]
fn samples_past_their_age_are_given_up() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open_with(
        dir.path(),
        &Kept { bounds: Bounds { keep: Duration::from_secs(1800), ..kept().bounds }, ..kept() },
        clock(),
        limits(),
    )
    .unwrap();
    // The clock stands an hour after the start.
    // The minute in which it is 30 minutes ago is still kept: 15:34.
    let at = [0, 1_794_879, 1_794_880, 3_600_000];
    kept.recorder.samples(at.map(|ms| (SignalIndex(0), number(0.5, ms))).into());
    kept.recorder.close();
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!(
        samples.iter().map(|sample| sample.time).collect::<Vec<_>>(),
        [moment(1_794_880).wall, moment(3_600_000).wall]
    );
    assert!(kept.journal.read(0, 10).unwrap().is_empty(), "what is past its age is not lost");
}

/// Names the directory for a test that runs again in a process of its own.
const CHILD: &str = "SISKIN_TEST_FULL_DISK";

#[test]
fn a_full_disk_delays_events_and_loses_none() {
    if let Some(dir) = std::env::var_os(CHILD) {
        return on_a_full_disk(Path::new(&dir));
    }
    let dir = tempfile::tempdir().unwrap();
    // A limit on the size of files stands in for the full disk; with its signal ignored, writing fails.
    let child = Command::new("sh")
        .args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\""])
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "history::tests::waiting::a_full_disk_delays_events_and_loses_none", "--nocapture"])
        .env(CHILD, dir.path())
        .output()
        .unwrap();
    assert!(child.status.success(), "{}", String::from_utf8_lossy(&child.stderr));
    let entries = verify(dir.path(), None).unwrap().entries;
    assert!(entries > 20, "{entries} entries: the child did not do its work");
}

fn on_a_full_disk(dir: &Path) {
    let limits =
        Limits { events_queued_max: 100_000, answer_within: Duration::from_millis(50), ..impatient() };
    let kept = open_with(dir, &kept(), clock(), limits).unwrap();
    record(&kept, vec![event(1)]);
    let log = fs::metadata(dir.join("journal.db-wal")).unwrap().len();
    let disk = |bytes| setrlimit(Resource::Fsize, Rlimit { current: bytes, maximum: None }).unwrap();
    disk(Some(log + 100_000));

    let mut numbers = 2..;
    let filled = numbers.find(|number| answer(kept.recorder.events(vec![event(*number)])).is_err());
    assert!(filled.is_some_and(|number| number > 3), "there was room for some");
    let last = numbers.nth(20).unwrap();
    (filled.unwrap() + 1..=last).for_each(|number| drop(kept.recorder.events(vec![event(number)])));
    assert!(kept.recorder.status().last_error.is_some());

    disk(None);
    wait_for(|| kept.recorder.status().events_queued == 0);
    assert_eq!((kept.recorder.status().last_error, kept.recorder.status().events_lost), (None, 0));
    let subjects = kept.journal.read(0, 10_000).unwrap().into_iter().map(|entry| entry.subject);
    assert!(subjects.eq((1..=last).map(|number| format!("device-{number}"))));
}
