//! What the history costs and how fast it answers, on real files: `cargo bench --bench record [-- DAYS]`.
//!
//! Fills a history through the recorder as the daemon does, time running as fast as the disk goes along,
//! and prints bytes per sample on the disk and written to it (of this process, as Linux counts them in
//! /proc/self/io: the file system's own journal is not in it). Then asks what faces and reports ask. The
//! data are invented: noisy registers and loops, binary32 as devices have them, states; each device's polls
//! tremble by some milliseconds. Figures, not a test: nothing here can fail.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, clippy::as_conversions)]

mod figure;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use figure::say;
use siskin::alarm::{AlarmSpec, Averaging, Kind, Limit, Over};
use siskin::config::{ControlSpec, HistorySpec, Site};
use siskin::history::{HISTORY_FILE, SampleReader, open};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::Plan;
use siskin::replay::Trial;
use siskin::signal::{
    DeviceIndex, Place, Reasons, Sample, Scale, SignalIndex, SignalSpec, Table, Value, ValueType,
};

const DEVICE_SIGNALS: usize = 4;
const DAY_S: u64 = 86_400;

fn main() {
    let given: Option<f64> = std::env::args().skip(1).find_map(|arg| arg.parse().ok());
    let days = |usual: f64| Duration::from_secs_f64(given.unwrap_or(usual) * DAY_S as f64);
    println!("signals  samples      file B/sample  written B/sample  written MB/day  filled in");
    let dir = tempfile::tempdir().unwrap();
    measure(dir.path(), 48, days(2.0), Duration::from_secs(60), Binary32::Unrounded);
    ask(dir.path(), 48, days(2.0));
    let cases = [
        (48, 1.0, 60, Binary32::Decimal),
        (640, 0.1, 60, Binary32::Decimal),
        (640, 0.1, 60, Binary32::Unrounded),
        (48, 0.25, 30, Binary32::Unrounded),
        (48, 0.25, 10, Binary32::Unrounded),
        (48, 0.25, 5, Binary32::Unrounded),
    ];
    for (signals, usual_days, flush_every_s, binary32) in cases {
        println!("-- {signals} signals, at the latest after {flush_every_s} s, binary32 {binary32:?}");
        let dir = tempfile::tempdir().unwrap();
        measure(dir.path(), signals, days(usual_days), Duration::from_secs(flush_every_s), binary32);
    }
}

fn start() -> Wall {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

/// What a device that sends binary32 makes of what it measures.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Binary32 {
    /// All the bits that its arithmetic leaves.
    Unrounded,
    /// Hundredths, as its display shows.
    Decimal,
}

fn measure(dir: &Path, signals: usize, lasting: Duration, flush_every: Duration, binary32: Binary32) {
    let site = site(signals, flush_every);
    let ms = Arc::new(AtomicU64::new(0));
    let clock_ms = Arc::clone(&ms);
    let clock: Clock = Arc::new(move || at(clock_ms.load(Ordering::Relaxed)));
    let record = open(dir, &site, clock).unwrap();
    let mut random = Random(7);
    let (began, written) = (Instant::now(), bytes_written());
    let mut samples = 0;
    let waiting_max = signals * (usize::try_from(flush_every.as_secs()).unwrap() + 3);
    for second in 0..lasting.as_secs() {
        for device in 0..signals / DEVICE_SIGNALS {
            let poll_ms = 1_000 * second + 70 * (device as u64 % 12) + random.below(9);
            ms.store(poll_ms.max(ms.load(Ordering::Relaxed)), Ordering::Relaxed);
            let of_device = (0..DEVICE_SIGNALS).map(|nth| {
                let signal = device * DEVICE_SIGNALS + nth;
                let value = value(&site.signals[signal], signal, second, binary32, &mut random);
                (SignalIndex(signal), Sample::new(Some(value), Reasons::NONE, at(poll_ms)))
            });
            record.recorder.samples(of_device.collect());
            samples += DEVICE_SIGNALS;
        }
        // Time goes no faster than the disk: what is due is written before it goes on.
        while record.recorder.status().samples_queued > waiting_max {
            std::thread::sleep(Duration::from_micros(200));
        }
    }
    record.recorder.close();
    let written = bytes_written() - written;
    let per_sample = |bytes: u64| bytes as f64 / samples as f64;
    println!(
        "{signals:7}  {samples:11}  {:13.2}  {:16.2}  {:14.1}  {:.1} s",
        per_sample(fs::metadata(dir.join(HISTORY_FILE)).unwrap().len()),
        per_sample(written),
        written as f64 / 1e6 / (lasting.as_secs_f64() / DAY_S as f64),
        began.elapsed().as_secs_f64(),
    );
}

fn ask(dir: &Path, signals: usize, lasting: Duration) {
    let reader = SampleReader::new(dir);
    let (from, to) = (start(), start() + jiff::SignedDuration::try_from(lasting).unwrap());
    let a_day = from..(from + jiff::SignedDuration::from_hours(24)).min(to);
    let id = "device-1.signal-1"; // tenths, noisy
    say("a day of samples", || reader.samples(id, a_day.start, a_day.end).unwrap().len());
    say("a day in 500 buckets", || reader.buckets(id, a_day.start, a_day.end, 500).unwrap().len());
    say("everything in 500 buckets", || reader.buckets(id, from, to, 500).unwrap().len());
    say("hourly figures of every signal", || {
        let hours = lasting.as_secs() as usize / 3_600;
        (0..signals).map(|signal| reader.buckets(&name(signal), from, to, hours).unwrap().len()).sum()
    });
    for limit in [0.0, 1_025.0, 1_060.0, 1_000_000.0] {
        say(&format!("time above {limit}"), || {
            reader.time_above(id, from, to, limit).unwrap().as_secs() as usize
        });
    }
    let names: Vec<String> = (0..signals).map(name).collect();
    let began = Instant::now();
    let replayed = reader.replay(&names, from, to).unwrap().map(Result::unwrap).count();
    let took = began.elapsed().as_secs_f64();
    println!(
        "replay of {replayed} samples: {took:.2} s, {:.1} million a second",
        replayed as f64 / took / 1e6
    );
    try_alarms(&reader, &names, from, to);
}

/// What `siskin replay` does: the record read, and the alarms tried on it by the core.
fn try_alarms(reader: &SampleReader, names: &[String], from: Wall, to: Wall) {
    let signals: Vec<SignalSpec> = (0..names.len()).map(signal).collect();
    let alarms: Vec<AlarmSpec> = (0..names.len()).flat_map(alarms_on).collect();
    let how_many = alarms.len();
    let plan = Plan::new(("bench".to_owned(), String::new()), Vec::new(), Vec::new(), signals, alarms);
    let began = Instant::now();
    let mut trial = Trial::new(plan, from);
    let mut samples = 0_u64;
    for item in reader.replay(names, from, to).unwrap() {
        let (signal, sample) = item.unwrap();
        trial.take(signal, sample);
        samples += 1;
    }
    let spells = trial.finish(to).len();
    let per_second = samples as f64 / began.elapsed().as_secs_f64();
    println!(
        "{how_many} alarms tried on {samples} samples ({spells} spells): {:.2} million a second; \
         a month of 48 signals at 1 Hz ({:.0} million) would take {:.0} s",
        per_second / 1e6,
        MONTH_SAMPLES / 1e6,
        MONTH_SAMPLES / per_second
    );
}

/// Thirty days of 48 signals, once a second.
const MONTH_SAMPLES: f64 = 30.0 * 48.0 * DAY_S as f64;

/// A measurement-lost alarm on each signal; two limits on each number, a trend on every fourth and an
/// average over a day on every eighth signal.
fn alarms_on(signal: usize) -> Vec<AlarmSpec> {
    let limit = |setpoint, deadband| Limit { setpoint, deadband };
    let day = Averaging { over: Over::Rolling(Duration::from_secs(DAY_S)), coverage_min: 0.75 };
    let mut kinds = vec![Kind::Lost];
    match signal % DEVICE_SIGNALS {
        0 | 1 => kinds.extend([Kind::High(limit(1_030.0, 5.0)), Kind::Low(limit(28.0, 0.5))]),
        2 => kinds.extend([
            Kind::High(limit(-9.5, 0.2)),
            Kind::Low(limit(-14.5, 0.2)),
            Kind::Rise(limit(0.5, 0.1), Duration::from_secs(60)),
        ]),
        _ => kinds.push(Kind::State { codes: vec![1] }),
    }
    if signal.is_multiple_of(8) {
        kinds.push(Kind::AverageHigh(limit(34.0, 0.5), day));
    }
    let spec = |(index, kind)| {
        let id = format!("{}-{index}", name(signal));
        let spec = AlarmSpec::new(id, "", Some(SignalIndex(signal)), kind);
        AlarmSpec { on_delay: Duration::from_secs(10), off_delay: Duration::from_secs(10), ..spec }
    };
    kinds.into_iter().enumerate().map(spec).collect()
}

fn at(after_ms: u64) -> Moment {
    let mono = Mono::from_millis(after_ms);
    Moment { mono, wall: start() + mono.since_start() }
}

/// Four kinds of signal a device: tenths, a loop's counts, a binary32, a state.
fn value(spec: &SignalSpec, signal: usize, second: u64, binary32: Binary32, random: &mut Random) -> Value {
    let slow = ((second as f64) / (600.0 + signal as f64)).sin();
    let noise = random.below(1_000) as f64 / 1_000.0 + random.below(1_000) as f64 / 1_000.0 - 1.0;
    let scaled = |count: f64| {
        let milliamps = spec.current.map_or(count, |current| current.milliamps.apply(count));
        Value::Number(spec.scale.map_or(milliamps, |scale| scale.apply(milliamps)))
    };
    match signal % DEVICE_SIGNALS {
        0 => scaled((320.0 + 40.0 * slow + 6.0 * noise).round()),
        1 => scaled((10_250.0 + 300.0 * slow + 20.0 * noise).round()),
        2 => {
            let measured = -12.0 + 3.0 * slow + 0.05 * noise;
            let sent =
                if binary32 == Binary32::Decimal { (measured * 100.0).round() / 100.0 } else { measured };
            Value::Number(f64::from(sent as f32))
        }
        _ => Value::Flag(second % 1_800 < 60),
    }
}

fn name(signal: usize) -> String {
    format!("device-{}.signal-{}", signal / DEVICE_SIGNALS, signal % DEVICE_SIGNALS)
}

fn site(signals: usize, flush_every: Duration) -> Site {
    let size = HistorySpec {
        keep_samples: Duration::from_secs(3_650 * DAY_S),
        max_size_bytes: 64 << 30,
        flush_every,
    };
    Site {
        id: "bench".to_owned(),
        name: "Bench".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        gas_day_start: jiff::civil::time(9, 0, 0, 0),
        history: size,
        http: None,
        scada: None,
        control: ControlSpec { socket: PathBuf::from("control.sock") },
        lines: Vec::new(),
        devices: Vec::new(),
        signals: (0..signals).map(signal).collect(),
        substances: Vec::new(),
        alarms: Vec::new(),
        gas_reference: siskin::units::GasReference::NORMAL,
        ambient_pa: None,
        push_buttons: Vec::new(),
        shelve_max: Duration::from_secs(12 * 3600),
        sha256: String::new(),
        settings: Vec::new(),
    }
}

fn signal(signal: usize) -> SignalSpec {
    let value_type = match signal % DEVICE_SIGNALS {
        0 | 1 => ValueType::U16,
        2 => ValueType::F32,
        _ => ValueType::Bool,
    };
    let place = Place::new(Table::Input, 0, value_type);
    let scale = (value_type == ValueType::U16).then_some(Scale { from: [0.0, 10.0], to: [0.0, 1.0] });
    SignalSpec { scale, ..SignalSpec::new(name(signal), DeviceIndex(signal / DEVICE_SIGNALS), place) }
}

/// Bytes that this process has caused to be sent to storage.
fn bytes_written() -> u64 {
    let io = fs::read_to_string("/proc/self/io").unwrap();
    io.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap().parse().unwrap()
}

/// Marsaglia's xorshift64: the same data in every run.
struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}
