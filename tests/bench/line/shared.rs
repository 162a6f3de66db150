//! Thirty-two devices on one line: how close a whole round comes to the least the wire allows, and
//! how evenly each device is asked when the line has room.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use siskin::config::Port;
use siskin::modbus::timing::Timing;
use siskin::modbus::{self, LineOutput};
use siskin::moment::Mono;
use siskin::monitor::Counters;
use siskin::signal::Table;
use siskin::simulate::{Bus, BusPort, Device, Line, Pace};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

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
    let timing = Timing::serial(settings(BAUD));
    let least = timing.transaction(Table::Holding, SIGNALS, timing.t3_5()) * u32::from(DEVICES);
    let period = least.div_f64(LOAD);
    println!();
    let rows = [("as fast as it can", AT_ONCE), ("at 80 % load", period)].map(|(name, poll_every)| {
        let heard = listen(poll_every, per_row * TIMES);
        let mut rounds: Vec<f64> = heard.intervals().collect();
        let mean = rounds.iter().sum::<f64>() / rounds.len() as f64;
        let stray = |interval: &f64| (interval - period.as_secs_f64()).abs() / period.as_secs_f64();
        let mut strays: Vec<f64> = rounds.iter().map(stray).collect();
        let jitter = if poll_every == AT_ONCE {
            ["-", "-"].map(str::to_owned)
        } else {
            [0.5, 0.99].map(|share| percent(quantile(&mut strays, share)))
        };
        let mut row = vec![
            name.to_owned(),
            format!("{:.1} ms", mean * 1e3),
            format!("{:.1} ms", quantile(&mut rounds, 0.99) * 1e3),
            format!("{:.3}", mean / least.as_secs_f64()),
        ];
        row.extend(jitter);
        row.extend([heard.faults.to_string(), heard.short_gaps.to_string(), heard.missed().to_string()]);
        row
    });
    let title = format!(
        "{DEVICES} devices of {SIGNALS} signals on one line, {BAUD} 8N1; least round {:.1} ms, period at 80 % load {:.1} ms",
        least.as_secs_f64() * 1e3,
        period.as_secs_f64() * 1e3
    );
    let head = [
        "asked",
        "round, mean",
        "p99",
        "round / least",
        "jitter / period, p50",
        "p99",
        "faults",
        "gaps too short",
        "missed polls",
    ];
    table::print(&title, &head, &rows);
}

/// What a line told.
#[derive(Default)]
struct Heard {
    /// When each device answered, from its second poll on.
    at: BTreeMap<usize, Vec<Mono>>,
    faults: usize,
    short_gaps: u64,
    counters: Counters,
}

impl Heard {
    /// From one answer of a device to its next, in seconds.
    fn intervals(&self) -> impl Iterator<Item = f64> + '_ {
        let of_one = |at: &'_ Vec<Mono>| {
            at.windows(2).map(|pair| pair[1].since(pair[0]).as_secs_f64()).collect::<Vec<_>>()
        };
        self.at.values().flat_map(of_one)
    }

    fn missed(&self) -> u64 {
        self.counters.missed_polls
    }
}

fn listen(poll_every: Duration, time: Duration) -> Heard {
    let devices = (1..=DEVICES)
        .map(|unit| Device::new(unit).with(Table::Holding, 0, &[u16::from(unit); SIGNALS as usize]))
        .collect();
    let bus = Bus::on_pty(Line::new(devices, 1), Pace::of(BAUD, 10), Instant::now()).unwrap();
    let BusPort::Serial(path) = bus.port().clone() else { panic!("a pseudo-terminal has a path") };
    let device = |index: usize| plan::device(index, index as u8 + 1, usize::from(SIGNALS), poll_every);
    let devices = (0..usize::from(DEVICES)).map(device).collect();
    let plan = plan::line(Port::Serial { path, settings: settings(BAUD) }, devices);
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
        }
    }
    stop.cancel();
    thread.join().unwrap();
    // The first round learns how fast the devices answer, and all fall due at once.
    heard.at.values_mut().for_each(|at| drop(at.drain(..at.len().min(2))));
    heard.short_gaps = bus.counts().short_gaps;
    heard
}
