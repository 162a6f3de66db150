//! A thousand Modbus TCP devices of twenty signals, each asked once a second: what it costs when
//! each is a line of its own, and when a few gateways stand before them.
//!
//! The devices are a process of their own, so that their cost is not counted as siskin's. What is
//! measured is the lines alone: judging and recording are measured elsewhere.

use std::io::Read;
use std::time::{Duration, Instant};

use siskin::config::{Framing, Port};
use siskin::modbus::{self, LineOutput, LinePlan};
use siskin::moment::Mono;
use siskin::signal::Reading;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc::{self, Receiver};
use tokio_util::sync::CancellationToken;

use crate::table::{self, percent, quantile};
use crate::{plan, process};

/// The argument that makes this program the devices.
pub const DEVICES: &str = "devices";

const SIGNALS: usize = 20;
const PERIOD: Duration = Duration::from_secs(1);
/// Not measured: connecting, and learning how fast the devices answer, until all are polled at their
/// period; but no longer than this.
const WARM_UP_MAX: Duration = Duration::from_secs(120);
/// So much of all polls must come within a period before it is measured.
const SETTLED_SHARE: f64 = 0.99;

/// Prints cost and punctuality for several ways to reach a thousand devices.
pub fn measure(per_row: Duration) {
    process::allow_many_files();
    let rows: Vec<Vec<String>> = [(1000, 1), (100, 10), (5, 200)]
        .into_iter()
        .map(|(lines, units)| {
            let mut row = vec![format!("{lines} x {units}")];
            row.extend(listen(lines, units, per_row));
            row
        })
        .collect();
    let title = format!(
        "1,000 Modbus TCP devices of {SIGNALS} signals at 1 Hz on {} cores, {} s each; the lines alone, devices in \
         another process",
        std::thread::available_parallelism().map_or(0, usize::from),
        per_row.as_secs()
    );
    let head = [
        "lines x units",
        "processor, one core = 100 %",
        "devices' processor",
        "resident",
        "threads",
        "settled after",
        "polls/s",
        "faults",
        "missed polls",
        "jitter / period, p50",
        "p99",
    ];
    table::print(&title, &head, &rows);
}

fn listen(lines: usize, units: usize, time: Duration) -> Vec<String> {
    let (mut devices, _said, address) = process::another(DEVICES);
    let (out, mut outputs) = mpsc::channel(4096);
    let stop = CancellationToken::new();
    let clock = plan::clock();
    let start = |line| {
        let plan = line_plan(line, units, &address);
        modbus::spawn(plan, clock.clone(), out.clone(), stop.clone()).ok()
    };
    let threads: Vec<_> = (0..lines).map_while(start).collect();
    drop(out);
    let mut heard = Heard::new(lines, units);
    let settled_after = heard.settle(&mut outputs);
    let processes = ["self".to_owned(), devices.id().to_string()];
    let before = processes.each_ref().map(|id| process::processor(id));
    let took = heard.listen(&mut outputs, time);
    let after = processes.each_ref().map(|id| process::processor(id));
    let (resident, all_threads) = (process::figure("self", "VmRSS:"), process::figure("self", "Threads:"));
    stop.cancel();
    drop(outputs);
    let refused = lines - threads.len();
    threads.into_iter().for_each(|thread| drop(thread.join()));
    drop(devices.stdin.take());
    let _ = devices.wait();
    let mut row = vec![
        percent((after[0] - before[0]) / took.as_secs_f64()),
        percent((after[1] - before[1]) / took.as_secs_f64()),
        format!("{:.1} MB", resident as f64 / 1024.0),
        if refused == 0 {
            all_threads.to_string()
        } else {
            format!("{all_threads}; {refused} lines refused")
        },
        format!("{:.0} s", settled_after.as_secs_f64()),
    ];
    row.extend(heard.figures(took));
    row
}

/// What the lines told.
struct Heard {
    /// When each device was last told of.
    last: Vec<Option<Mono>>,
    /// How many polls each line has missed in all.
    missed: Vec<u64>,
    missed_before: u64,
    polls: u64,
    faults: u64,
    /// By how much of a period each poll came too early or too late.
    strays: Vec<f64>,
}

impl Heard {
    fn new(lines: usize, units: usize) -> Heard {
        let (last, missed) = (vec![None; lines * units], vec![0; lines]);
        Heard { last, missed, missed_before: 0, polls: 0, faults: 0, strays: Vec::new() }
    }

    /// Listens until all devices are polled at their period; returns how long that took.
    fn settle(&mut self, outputs: &mut Receiver<LineOutput>) -> Duration {
        let began = Instant::now();
        let enough = self.last.len() as f64 * SETTLED_SHARE;
        while began.elapsed() < WARM_UP_MAX && (self.polls as f64) < enough {
            self.polls = 0;
            self.listen(outputs, PERIOD);
        }
        self.missed_before = self.missed.iter().sum();
        (self.polls, self.faults) = (0, 0);
        self.strays.clear();
        began.elapsed()
    }

    fn listen(&mut self, outputs: &mut Receiver<LineOutput>, time: Duration) -> Duration {
        let began = Instant::now();
        while began.elapsed() < time
            && let Some(output) = outputs.blocking_recv()
        {
            match output {
                LineOutput::Readings(readings) => self.take(&readings),
                LineOutput::Report(report) => self.missed[report.line.0] = report.counters.missed_polls,
                LineOutput::Learned { .. } => {}
            }
        }
        began.elapsed()
    }

    fn take(&mut self, readings: &[Reading]) {
        let Some(first) = readings.first() else { return };
        self.polls += 1;
        self.faults += u64::from(first.outcome.is_err());
        let last = &mut self.last[first.signal.0 / SIGNALS];
        self.strays.extend(last.map(|last| (first.at.mono.since(last).div_duration_f64(PERIOD) - 1.0).abs()));
        *last = Some(first.at.mono);
    }

    fn figures(&mut self, took: Duration) -> [String; 5] {
        let missed = self.missed.iter().sum::<u64>() - self.missed_before;
        let [half, most] = [0.5, 0.99].map(|share| percent(quantile(&mut self.strays, share)));
        let per_second = self.polls as f64 / took.as_secs_f64();
        [format!("{per_second:.1}"), self.faults.to_string(), missed.to_string(), half, most]
    }
}

fn line_plan(line: usize, units: usize, address: &str) -> LinePlan {
    let device = |at: usize| plan::device(line * units + at, at as u8 + 1, SIGNALS, PERIOD);
    let port = Port::Tcp { address: address.to_owned(), framing: Framing::Tcp, settings: None };
    let mut plan = plan::line(port, (0..units).map(device).collect());
    plan.line.0 = line;
    plan.spec.id = format!("{line}");
    plan
}

/// The devices: every unit on every connection holds the same registers. Ends with standard input.
pub fn serve() {
    process::allow_many_files();
    std::thread::spawn(|| {
        let _ = std::io::stdin().read(&mut [0]);
        std::process::exit(0);
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        println!("{}", listener.local_addr().unwrap());
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            tokio::spawn(answer(stream));
        }
    });
}

async fn answer(mut stream: TcpStream) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let mut question = [0; 12];
    loop {
        stream.read_exact(&mut question).await?;
        let [t0, t1, _, _, _, _, unit, function, _, _, _, count] = question;
        let mut frame = vec![t0, t1, 0, 0, 0, 3 + 2 * count, unit, function, 2 * count];
        (0..count).for_each(|at| frame.extend([unit, at]));
        stream.write_all(&frame).await?;
    }
}
