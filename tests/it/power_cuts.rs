//! The power is cut at any moment, and again while the record recovers from the last cut: every acknowledged
//! event is there, samples are lost no further back than was promised, and nothing is taken for damage.
//!
//! A shim under the C library (`power_cuts/disk.c`) writes down what the recorder does to its files. Of that
//! a prefix is replayed onto a disk as it may be found after a cut: what was synced is there; of what was
//! not, each write is there, is not, or is torn between sectors; of the names that were made, changed and
//! removed since the directory was synced, the first few. Disks that say that they have written what they
//! have not are beyond this, as they are beyond SQLite.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use siskin::config::Site;
use siskin::history::{SampleReader, open, verify};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::EventKind;
use siskin::signal::{Reasons, Sample, SignalIndex, Value};

use crate::record::{self, CHILD};
use crate::record_samples::{H2S, site_with_signals};
use crate::scripted_slave::Random;
use crate::skip::skip;

/// How often the power is cut; `SISKIN_POWER_CUTS` asks for another number, for a long run.
const CUTS: u64 = 8;

/// A life ends when so much at the most has been written.
const LIFE_BYTES_MAX: usize = 1 << 20;

/// Names the life that a process lives, so that each has its own hours.
const LIFE: &str = "SISKIN_TEST_LIFE";

/// What is written whole or not at all.
const SECTOR_BYTES: usize = 512;

/// Behind the newest samples by no more than `flush_every`, this for the last to come, and one for the poll.
const LATE_S: u64 = 3;

#[test]
fn nothing_promised_is_missing_after_a_power_cut() {
    if let Some(dir) = std::env::var_os(CHILD) {
        return record_until_killed(Path::new(&dir));
    }
    let cuts = std::env::var("SISKIN_POWER_CUTS").map_or(CUTS, |cuts| cuts.parse().unwrap());
    let scratch = tempfile::tempdir().unwrap();
    let scratch = scratch.path().canonicalize().unwrap();
    let Some(shim) = shim(&scratch) else {
        return skip("power cuts", "there is no C compiler");
    };
    let mut random = Random(0x0ff_5eed);
    let mut promised = Promised::default();
    let mut disk = scratch.join("life-0");
    fs::create_dir(&disk).unwrap();
    let (mut operations, mut torn) = (0, 0);
    for life in 0..cuts {
        let log = scratch.join("log");
        let _ = fs::remove_file(&log);
        let mut found = Disk::found_at(&disk);
        live(&shim, &disk, &log, life, random.below(LIFE_BYTES_MAX) as u64);
        let log = fs::read(&log).unwrap_or_default();
        let done: Vec<Operation<'_>> = Operations(&log).collect();
        let until = random.below(done.len() + 1);
        for operation in &done[..until] {
            match operation.what {
                b'a' => promised.told(life, &String::from_utf8_lossy(operation.data)),
                _ => found.take(operation),
            }
        }
        operations += until;
        torn += found.unsynced();
        let next = scratch.join(format!("life-{}", life + 1));
        let looked_at = scratch.join("looked-at");
        found.cut(&mut random);
        found.lay_down(&next);
        found.lay_down(&looked_at);
        promised.check(&looked_at, life);
        fs::remove_dir_all(looked_at).unwrap();
        fs::remove_dir_all(std::mem::replace(&mut disk, next)).unwrap();
    }
    promised.check_all(&disk);
    let Promised { entries, kept, .. } = promised;
    let seconds: u64 = kept.values().sum();
    assert!(entries > cuts && seconds > cuts, "{entries} events and {seconds} s: too little to lose");
    eprintln!(
        "{cuts} power cuts in {operations} operations, {torn} of them not synced: {entries} events and {seconds} s of \
         samples were promised, none missing"
    );
}

/// The shim, made from its source; `None` where that cannot be done.
fn shim(scratch: &Path) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/power_cuts/disk.c");
    let shim = scratch.join("disk.so");
    let made =
        Command::new("cc").args(["-shared", "-fPIC", "-O1", "-o"]).arg(&shim).arg(source).status().ok()?;
    assert!(made.success(), "the shim does not compile");
    Some(shim)
}

/// Lets a process record on the disk, and kills it when so many bytes have been written down.
fn live(shim: &Path, disk: &Path, log: &Path, life: u64, bytes: u64) {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "power_cuts::nothing_promised_is_missing_after_a_power_cut", "--nocapture"])
        .env("LD_PRELOAD", shim)
        .env("SISKIN_TEST_DISK", disk)
        .env("SISKIN_TEST_DISK_LOG", log)
        .env(CHILD, disk)
        .env(LIFE, life.to_string())
        .stdout(Stdio::null())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap();
    while fs::metadata(log).map_or(0, |log| log.len()) < bytes {
        let ended = child.try_wait().unwrap();
        assert!(ended.is_none(), "life {life}: it ended by itself, {ended:?}");
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

/// What the process does: it records events and samples on a time that runs as fast as the disk, and tells
/// what is then promised.
fn record_until_killed(dir: &Path) {
    let life: u64 = std::env::var(LIFE).unwrap().parse().unwrap();
    let second = Arc::new(AtomicU64::new(0));
    let clock_second = Arc::clone(&second);
    let clock: Clock = Arc::new(move || at(life, clock_second.load(Ordering::Relaxed)));
    let record = open(dir, &site(life), clock).unwrap();
    let recorder = &record.recorder;
    let mut out = std::io::stdout();
    for now in 0.. {
        second.store(now, Ordering::Relaxed);
        let samples = site(life).signals.len();
        recorder
            .samples((0..samples).map(|signal| (SignalIndex(signal), sample(life, signal, now))).collect());
        if now % 3 == 0 {
            let kind = if now % 60 == 30 { EventKind::AlarmRaised } else { EventKind::DeviceLost };
            recorder.events(vec![record::event(kind, now)]).blocking_recv().unwrap().unwrap();
            let head = recorder.status().journal_head;
            writeln!(out, "\nhead {} {}", head.seq, head.hash).unwrap();
        }
        let behind_s = site(life).history.flush_every.as_secs() + LATE_S;
        while recorder.status().samples_queued as u64 > samples as u64 * behind_s {
            std::thread::sleep(Duration::from_micros(200));
        }
        writeln!(out, "\nkept {}", now.saturating_sub(behind_s)).unwrap();
    }
}

/// Every other life has its samples staged within a minute.
fn site(life: u64) -> Site {
    let mut site = site_with_signals();
    site.history.flush_every = Duration::from_secs(if life.is_multiple_of(2) { 5 } else { 60 });
    site
}

/// Each life has three hours of its own.
fn at(life: u64, second: u64) -> Moment {
    let mono = Mono::from_millis(1_000 * second);
    let begins: Wall = "2026-03-02T00:00:30Z".parse().unwrap();
    Moment { mono, wall: begins + Duration::from_secs(3 * 3_600 * life) + mono.since_start() }
}

fn sample(life: u64, signal: usize, second: u64) -> Sample {
    let value = match signal {
        0 => Value::Number(((7 * second + life) % 300) as f64 / 10.0),
        1 => Value::Flag(second % 90 < 10),
        _ => Value::Number(f64::from((second as f32).sqrt())),
    };
    Sample::new(Some(value), Reasons::NONE, at(life, second))
}

/// What was told to be on the disk before the power was cut.
#[derive(Default)]
struct Promised {
    entries: u64,
    hash: Option<String>,
    /// For each life the seconds whose samples are kept.
    kept: BTreeMap<u64, u64>,
}

impl Promised {
    fn told(&mut self, life: u64, told: &str) {
        for line in told.lines() {
            match line.split(' ').collect::<Vec<_>>()[..] {
                ["head", seq, hash] => {
                    (self.entries, self.hash) = (seq.parse().unwrap(), Some(hash.to_owned()))
                }
                ["kept", seconds] => drop(self.kept.insert(life, seconds.parse().unwrap())),
                _ => {}
            }
        }
    }

    /// Opens the record as a daemon does, and goes on with it.
    fn check(&self, disk: &Path, life: u64) {
        if let Some(hash) = &self.hash {
            let whole = verify(disk, Some(hash)).unwrap_or_else(|error| panic!("life {life}: {error}"));
            assert!(
                whole.entries >= self.entries,
                "life {life}: {} of {} events",
                whole.entries,
                self.entries
            );
        }
        let clock: Clock = Arc::new(move || at(life, 10_000));
        let record = open(disk, &site(life), clock).unwrap_or_else(|error| panic!("life {life}: {error}"));
        assert!(record.replaced.is_empty(), "life {life}: {:?}", record.replaced);
        self.check_samples(disk, life);
        record
            .recorder
            .events(vec![record::event(EventKind::DeviceLost, 0)])
            .blocking_recv()
            .unwrap()
            .unwrap();
        record.recorder.close();
        self.check_samples(disk, life);
        assert!(verify(disk, self.hash.as_deref()).unwrap().entries > self.entries);
    }

    fn check_all(&self, disk: &Path) {
        self.kept.keys().for_each(|life| self.check_samples(disk, *life));
    }

    fn check_samples(&self, disk: &Path, life: u64) {
        let Some(seconds) = self.kept.get(&life).copied() else { return };
        let reader = SampleReader::new(disk);
        for (index, signal) in site(life).signals.iter().enumerate() {
            let read = reader.samples(&signal.id, at(life, 0).wall, at(life, seconds).wall).unwrap();
            let read = read.iter().map(|sample| (sample.time, sample.value));
            let recorded = (0..seconds).map(|second| sample(life, index, second));
            assert!(
                read.eq(recorded.map(|sample| (sample.at.wall, sample.value()))),
                "life {life}: {}",
                signal.id
            );
        }
        assert_eq!(site(life).signals[0].id, H2S);
    }
}

/// One thing that was done to the disk.
struct Operation<'a> {
    what: u8,
    name: &'a str,
    at: usize,
    data: &'a [u8],
}

/// What the shim has written down. A record that was cut off by the kill ends it.
struct Operations<'a>(&'a [u8]);

impl<'a> Iterator for Operations<'a> {
    type Item = Operation<'a>;

    fn next(&mut self) -> Option<Operation<'a>> {
        let (what, rest) = self.0.split_first()?;
        let (head, rest) = rest.split_at_checked(24)?;
        let number = |nth: usize| usize::from_ne_bytes(head[8 * nth..][..8].try_into().unwrap());
        let (name, rest) = rest.split_at_checked(number(1))?;
        let (data, rest) = rest.split_at_checked(number(2))?;
        self.0 = rest;
        Some(Operation { what: *what, name: std::str::from_utf8(name).unwrap(), at: number(0), data })
    }
}

/// A directory on a disk, and what has not come there yet.
struct Disk {
    files: Vec<File>,
    /// As programs see them, and as they are on the disk.
    names: BTreeMap<String, usize>,
    names_synced: BTreeMap<String, usize>,
    /// How the names were after each change since the directory was synced.
    names_since: Vec<BTreeMap<String, usize>>,
}

#[derive(Default)]
struct File {
    synced: Vec<u8>,
    since: Vec<Change>,
}

enum Change {
    Bytes(usize, Vec<u8>),
    Length(usize),
}

impl Disk {
    /// As it lies there, all of it on the disk.
    fn found_at(dir: &Path) -> Disk {
        let mut disk = Disk {
            files: Vec::new(),
            names: BTreeMap::new(),
            names_synced: BTreeMap::new(),
            names_since: Vec::new(),
        };
        for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
            let name = entry.file_name().into_string().unwrap();
            disk.names.insert(name, disk.files.len());
            disk.files.push(File { synced: fs::read(entry.path()).unwrap(), since: Vec::new() });
        }
        disk.names_synced = disk.names.clone();
        disk
    }

    fn take(&mut self, operation: &Operation<'_>) {
        let Operation { what, name, at, data } = *operation;
        let file = self.names.get(name).copied();
        match (what, file) {
            (b'c', _) => {
                self.names.insert(name.to_owned(), self.files.len());
                self.files.push(File::default());
                self.names_since.push(self.names.clone());
            }
            (b'w', Some(file)) => self.files[file].since.push(Change::Bytes(at, data.to_vec())),
            (b't', Some(file)) => self.files[file].since.push(Change::Length(at)),
            (b's', Some(file)) => self.files[file].sync(),
            (b'd', _) => {
                self.names_synced = self.names.clone();
                self.names_since.clear();
            }
            (b'u' | b'r', Some(file)) => {
                self.names.remove(name);
                if what == b'r' {
                    self.names.insert(String::from_utf8(data.to_vec()).unwrap(), file);
                }
                self.names_since.push(self.names.clone());
            }
            (b'w' | b't' | b's' | b'u' | b'r', None) => {} // of a file that has no name any more
            (what, _) => panic!("{}", char::from(what)),
        }
    }

    fn unsynced(&self) -> usize {
        self.names_since.len() + self.files.iter().map(|file| file.since.len()).sum::<usize>()
    }

    /// Leaves on the disk what a cut may leave there.
    fn cut(&mut self, random: &mut Random) {
        let changes = random.below(self.names_since.len() + 1);
        if let Some(names) = changes.checked_sub(1).and_then(|last| self.names_since.get(last)) {
            self.names_synced = names.clone();
        }
        // Sometimes the disk had time for everything, sometimes for nothing.
        let lost_percent = [0, 30, 70, 100][random.below(4)];
        self.files.iter_mut().for_each(|file| file.cut(random, lost_percent));
    }

    fn lay_down(&self, dir: &Path) {
        fs::create_dir(dir).unwrap();
        for (name, file) in &self.names_synced {
            fs::write(dir.join(name), &self.files[*file].synced).unwrap();
        }
    }
}

impl File {
    fn sync(&mut self) {
        for change in std::mem::take(&mut self.since) {
            self.apply(change);
        }
    }

    fn apply(&mut self, change: Change) {
        match change {
            Change::Length(length) => self.synced.resize(length, 0),
            Change::Bytes(at, data) => {
                self.synced.resize(self.synced.len().max(at + data.len()), 0);
                self.synced[at..at + data.len()].copy_from_slice(&data);
            }
        }
    }

    fn cut(&mut self, random: &mut Random, lost_percent: usize) {
        for change in std::mem::take(&mut self.since) {
            if random.below(100) < lost_percent {
                let (Change::Bytes(at, data), true) = (change, random.below(2) == 0) else { continue };
                // Torn: each of its sectors is there or is not.
                let mut from = 0;
                while from < data.len() {
                    let to = data.len().min(from + SECTOR_BYTES - (at + from) % SECTOR_BYTES);
                    if random.below(2) == 0 {
                        self.apply(Change::Bytes(at + from, data[from..to].to_vec()));
                    }
                    from = to;
                }
            } else {
                self.apply(change);
            }
        }
    }
}
