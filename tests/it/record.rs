//! The record survives what happens to a daemon, and others can check it: killed at random, not one
//! acknowledged event is missing; the hash chain is proven by a program that shares nothing with ours.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use siskin::config::{ControlSpec, HistorySpec, Site};
use siskin::history::{Record, open, verify};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::{Detail, Event, EventKind, Who};

use crate::skip::skip;

/// Names the data directory for a test that runs again in a process of its own.
pub const CHILD: &str = "SISKIN_TEST_DATA";

/// How often the recorder is killed; `SISKIN_KILLS` asks for another number, for a long run.
const KILLS: u32 = 100;

#[test]
fn nothing_acknowledged_is_missing_after_a_hundred_kills() {
    if let Some(dir) = std::env::var_os(CHILD) {
        return record_until_killed(Path::new(&dir));
    }
    let kills = std::env::var("SISKIN_KILLS").map_or(KILLS, |kills| kills.parse().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let mut random = Random(0x5eed_0f51_5c1a_0001);
    let mut acknowledged = 0;
    for kill in 0..kills {
        let mut child = again("record::nothing_acknowledged_is_missing_after_a_hundred_kills", dir.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let told = BufReader::new(child.stdout.take().unwrap());
        let killer = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_micros(random.next() % 60_000));
            child.kill().unwrap();
            child.wait().unwrap();
            random
        });
        for line in told.lines().map_while(Result::ok) {
            acknowledged = line.strip_prefix("recorded ").map_or(acknowledged, |seq| seq.parse().unwrap());
        }
        random = killer.join().unwrap();
        let whole = verify(dir.path(), None);
        if acknowledged > 0 {
            assert!(whole.unwrap().entries >= acknowledged, "kill {kill}: {acknowledged} were acknowledged");
        }
    }
    assert!(acknowledged > u64::from(kills), "only {acknowledged} events in {kills} lives");
    eprintln!("{kills} kills, {acknowledged} events acknowledged, none missing");
    assert_eq!(
        std::fs::read_dir(dir.path()).unwrap().filter(is_moved_aside).count(),
        0,
        "a kill is no damage"
    );
}

/// What the killed process does: record, and say so once it is on the disk.
fn record_until_killed(dir: &Path) {
    let record = open(dir, &site(), clock()).unwrap();
    let mut out = std::io::stdout();
    for number in 0.. {
        let batch = (0..number % 4 + 1).map(|_| event(EventKind::DeviceLost, number)).collect();
        let numbers = record.recorder.events(batch).blocking_recv().unwrap().unwrap();
        writeln!(out, "\nrecorded {}", numbers.last().unwrap()).unwrap();
    }
}

#[test]
fn a_program_of_other_make_proves_the_same_chain() {
    let dir = tempfile::tempdir().unwrap();
    let record = open(dir.path(), &site(), clock()).unwrap();
    fill(&record);
    let checker = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/verify_journal.py");
    let check = |dir: &Path| Command::new("python3").arg(&checker).arg(dir.join("journal.db")).output();
    let Ok(beside_the_daemon) = check(dir.path()) else {
        return skip("proving the chain with Python", "there is no python3");
    };
    let head = record.recorder.status().journal_head;
    let expected = format!("{} entries, head {}\n", head.seq, head.hash);
    assert_eq!(String::from_utf8_lossy(&beside_the_daemon.stdout), expected);
    record.recorder.close();
    assert_eq!(String::from_utf8_lossy(&check(dir.path()).unwrap().stdout), expected);

    let db = rusqlite::Connection::open(dir.path().join("journal.db")).unwrap();
    db.execute_batch(
        "DROP TRIGGER event_never_changed; UPDATE event SET text = replace(text, '4.5', '4.4') WHERE seq = 3",
    )
    .unwrap();
    let broken = check(dir.path()).unwrap();
    assert_eq!(broken.status.code(), Some(1));
    assert_eq!(String::from_utf8_lossy(&broken.stdout), "broken at entry 3: the hash does not match\n");
}

#[test]
fn a_directory_that_may_not_be_written_is_refused_with_what_to_do() {
    if let Some(dir) = std::env::var_os(CHILD) {
        let refused = open(Path::new(&dir), &site(), clock()).err().map(|error| error.to_string());
        return writeln!(std::io::stdout(), "\nrefused: {}", refused.unwrap()).unwrap();
    }
    let dir = tempfile::tempdir().unwrap();
    // A copy, because whom the test becomes may not be let in to where it was built.
    let program = dir.path().join("test");
    std::fs::copy(std::env::current_exe().unwrap(), &program).unwrap();
    std::fs::set_permissions(dir.path(), PermissionsExt::from_mode(0o555)).unwrap();
    let test = "record::a_directory_that_may_not_be_written_is_refused_with_what_to_do";
    let mut child = program_again(&program, test, dir.path());
    if rustix::process::geteuid().is_root() {
        child.uid(65_534).gid(65_534); // Permissions do not bind root; they bind nobody.
    }
    let Ok(child) = child.output() else {
        return skip("a directory that may not be written", "nobody may not run this test");
    };
    let told = String::from_utf8_lossy(&child.stdout);
    let expected = format!("refused: {}/record.lock: cannot be written", dir.path().display());
    assert!(told.contains(&expected), "{told}{}", String::from_utf8_lossy(&child.stderr));
}

/// One event of every kind, with everything in them that could be written in more than one way.
fn fill(record: &Record) {
    let who = Who { user: "mvega".to_owned(), name: Some("Mar\u{ed}a \"M\" \\ Vega \u{1f426}".to_owned()) };
    let numbers = [4.5, -0.0, 1e21, 1e-7, f64::MAX, f64::MIN_POSITIVE, 0.1 + 0.2, 9_007_199_254_740_993.0];
    let mut events: Vec<Event> =
        (0..).zip(EventKind::ALL).map(|(number, kind)| event(kind, number)).collect();
    for (event, number) in events.iter_mut().skip(2).zip(numbers) {
        event.who = Some(who.clone());
        event.detail.insert("value", Detail::Number(number));
        event
            .detail
            .insert("remark", Detail::Text("\0\u{1}\u{8}\t\n\u{c}\r\u{1b}\u{7f}\u{2028} / é".to_owned()));
        event.detail.insert("reasons", Detail::List(vec!["settling".to_owned(), String::new()]));
        event.detail.insert("latched", Detail::Flag(false));
    }
    record.recorder.events(events).blocking_recv().unwrap().unwrap();
}

pub fn event(kind: EventKind, number: u64) -> Event {
    let at = clock()();
    Event { at, kind, subject: format!("device-{number}"), who: None, detail: [].into() }
}

/// This test again, alone and in a process of its own.
fn again(test: &str, dir: &Path) -> Command {
    program_again(&std::env::current_exe().unwrap(), test, dir)
}

fn program_again(program: &Path, test: &str, dir: &Path) -> Command {
    let mut command = Command::new(program);
    command.args(["--exact", test, "--nocapture"]).env(CHILD, dir);
    command
}

fn is_moved_aside(entry: &std::io::Result<std::fs::DirEntry>) -> bool {
    entry.as_ref().unwrap().file_name().to_string_lossy().contains("damaged")
}

pub fn clock() -> Clock {
    let began = Instant::now();
    Arc::new(move || Moment { mono: Mono::new(began.elapsed()), wall: Wall::now() })
}

/// The smallest site that can have a record.
pub fn site() -> Site {
    Site {
        id: "willow-bend".to_owned(),
        name: "Willow Bend Interconnect".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        gas_day_start: jiff::civil::time(9, 0, 0, 0),
        gas_reference: siskin::units::GasReference::NORMAL,
        ambient_pa: None,
        history: HistorySpec {
            keep_samples: Duration::from_secs(86_400),
            max_size_bytes: 1 << 30,
            flush_every: Duration::from_secs(60),
        },
        http: None,
        scada: None,
        control: ControlSpec { socket: PathBuf::from("control.sock") },
        lines: Vec::new(),
        devices: Vec::new(),
        signals: Vec::new(),
        substances: Vec::new(),
        alarms: Vec::new(),
        push_buttons: Vec::new(),
        shelve_max: Duration::from_secs(12 * 3600),
        sha256: String::new(),
        settings: Vec::new(),
    }
}

/// Marsaglia's xorshift64: the same kills in every run, as far as the machine goes along.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }
}
