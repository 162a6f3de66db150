//! Thirty-two devices on one line: how close a whole round comes to the least the wire allows, and
//! how evenly each device is asked when the line has room.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use siskin::modbus::timing::Timing;
use siskin::modbus::{self, LineOutput};
use siskin::moment::Mono;
use siskin::monitor::Counters;
use siskin::signal::Table;
use siskin::simulate::{Bus, BusPort, Device, Line, Pace};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::awake::Awake;
use crate::plan::{self, AT_ONCE, settings};
use crate::table::{self, percent, quantile};

const DEVICES: u8 = 32;
const SIGNALS: u16 = 20;
const BAUD: u32 = 19_200;

/// A round takes a second: each row is measured for this many times as long as others.
const TIMES: u32 = 3;

/// How full the line is when the evenness is measured.
const LOAD: f64 = 0.8;

/// Prints the length of a round, and how far polls stray from their period.
pub fn measure(per_row: Duration) {
    let _awake = Awake::keep();
    let timing = Timing::serial(settings(BAUD));
    let least = timing.transaction(Table::Holding, SIGNALS, timing.t3_5()) * u32::from(DEVICES);
    let period = least.div_f64(LOAD);
    let told = Some(timing.t3_5());
    let cases = [
        ("as fast as it can", AT_ONCE, told),
        ("at 80 % load", period, told),
        ("at 80 % load, response time to be learned", period, None),
    ];
    let rows = cases.map(|(name, poll_every, turnaround)| {
        let heard = listen(poll_every, turnaround, per_row * TIMES);
        let mut row = vec![name.to_owned()];
        row.extend(heard.rounds(least));
        row.extend(heard.strays(poll_every));
        row.extend([heard.faults.to_string(), heard.short_gaps.to_string()]);
        row
    });
    let title = format!(
        "{DEVICES} devices of {SIGNALS} signals on one line, {BAUD} 8N1: least round {:.1} ms, period at 80 % load {:.1} ms; {} s each",
        least.as_secs_f64() * 1e3,
        period.as_secs_f64() * 1e3,
        (per_row * TIMES).as_secs()
    );
    let head = [
        "asked",
        "round, mean",
        "p99",
        "round / least",
        "jitter / period, p50",
        "p99",
        "missed polls",
        "faults",
        "gaps too short",
    ];
    table::print(&title, &head, &rows);
}

/// What a line told.
#[derive(Default)]
struct Heard {
    /// When each device answered.
    at: BTreeMap<usize, Vec<Mono>>,
    faults: usize,
    short_gaps: u64,
    counters: Counters,
}

impl Heard {
    /// From one answer of a device to its next, in seconds.
    fn intervals(&self) -> Vec<f64> {
        let since = |pair: &[Mono]| pair[1].since(pair[0]).as_secs_f64();
        self.at.values().flat_map(|at| at.windows(2).map(since)).collect()
    }

    fn rounds(&self, least: Duration) -> [String; 3] {
        let mut rounds = self.intervals();
        let mean = rounds.iter().sum::<f64>() / rounds.len() as f64;
        let longest = quantile(&mut rounds, 0.99);
        let share = mean / least.as_secs_f64();
        [format!("{:.1} ms", mean * 1e3), format!("{:.1} ms", longest * 1e3), format!("{share:.3}")]
    }

    /// How far polls stray from their period, and how many were missed: where there is one to keep.
    fn strays(&self, period: Duration) -> [String; 3] {
        if period == AT_ONCE {
            return ["-", "-", "-"].map(str::to_owned);
        }
        let stray = |interval: f64| (interval - period.as_secs_f64()).abs() / period.as_secs_f64();
        let mut strays: Vec<f64> = self.intervals().into_iter().map(stray).collect();
        let [half, most] = [0.5, 0.99].map(|share| percent(quantile(&mut strays, share)));
        [half, most, self.counters.missed_polls.to_string()]
    }
}

fn listen(poll_every: Duration, turnaround: Option<Duration>, time: Duration) -> Heard {
    let devices = (1..=DEVICES)
        .map(|unit| Device::new(unit).with(Table::Holding, 0, &[u16::from(unit); SIGNALS as usize]))
        .collect();
    let bus = Bus::on_pty(Line::new(devices, 1), Pace::of(BAUD, 10), Instant::now()).unwrap();
    let BusPort::Serial(path) = bus.port().clone() else { panic!("a pseudo-terminal has a path") };
    let device = |index: usize| {
        let device = plan::device(index, index as u8 + 1, usize::from(SIGNALS), poll_every);
        match turnaround {
            Some(turnaround) => plan::answering_after(device, turnaround),
            None => device,
        }
    };
    let devices = (0..usize::from(DEVICES)).map(device).collect();
    let plan = plan::line(plan::serial(&path, BAUD), devices);
    let (out, mut outputs) = mpsc::channel(64);
    let stop = CancellationToken::new();
    let thread = modbus::spawn(plan, plan::clock(), out, stop.clone()).unwrap();
    let mut heard = Heard::default();
    let began = Instant::now();
    while began.elapsed() < time
        && let Some(output) = outputs.blocking_recv()
    {
        match output {
            LineOutput::Readings(readings) => {
                heard.faults += readings.iter().filter(|reading| reading.outcome.is_err()).count();
                if let Some(first) = readings.first().filter(|first| first.outcome.is_ok()) {
                    heard.at.entry(first.signal.0 / usize::from(SIGNALS)).or_default().push(first.at.mono);
                }
            }
            LineOutput::Report(report) => heard.counters = report.counters,
            LineOutput::Learned { .. } => {}
        }
    }
    stop.cancel();
    thread.join().unwrap();
    heard.short_gaps = bus.counts().short_gaps;
    heard
}
