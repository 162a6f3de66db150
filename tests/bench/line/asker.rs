//! Those who ask: siskin's line, and plain loops around other people's software.
//!
//! A plain loop is what anybody would write first: ask, wait for the answer or the time-out, ask
//! again. Each is counted from its first answer on, so that starting up costs nobody anything.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use siskin::modbus::{self, LineOutput};
use tokio::sync::mpsc;
use tokio::time::timeout;
use tokio_modbus::client::{Client, rtu};
use tokio_modbus::{Request, Response, Slave};
use tokio_serial::SerialStream;
use tokio_util::sync::CancellationToken;

use crate::plan::{self, AT_ONCE, RESPONSE_TIMEOUT};

/// How many registers each question asks for, from address 0 on.
pub const REGISTERS: u16 = 10;

/// What came of asking.
pub struct Asked {
    /// Whole answers after the first.
    pub good: u64,
    /// Questions without one.
    pub failed: u64,
    /// From the first answer to the end.
    pub took: Duration,
}

/// Asks unit 1 on a serial port at a speed for some time.
type Ask = fn(&Path, u32, Duration) -> Result<Asked, String>;

/// All of them, by what they are called in the tables.
pub const ASKERS: &[(&str, Ask)] = &[
    ("siskin", siskin),
    ("tokio-modbus loop", tokio_modbus),
    ("pymodbus loop", pymodbus),
    ("libmodbus loop", libmodbus),
];

fn siskin(path: &Path, baud: u32, time: Duration) -> Result<Asked, String> {
    let plan =
        plan::line(plan::serial(path, baud), vec![plan::device(0, 1, usize::from(REGISTERS), AT_ONCE)]);
    let (out, mut outputs) = mpsc::channel(64);
    let stop = CancellationToken::new();
    let thread = modbus::spawn(plan, plan::clock(), out, stop.clone()).map_err(|error| error.to_string())?;
    let mut asked = Asked { good: 0, failed: 0, took: Duration::ZERO };
    let mut began = None;
    while let Some(output) = outputs.blocking_recv() {
        let LineOutput::Readings(readings) = output else { continue };
        let good = readings.iter().all(|reading| reading.outcome.is_ok());
        match began {
            None if good => began = Some(Instant::now()),
            None => {}
            Some(began) => {
                (asked.good, asked.failed) = (asked.good + u64::from(good), asked.failed + u64::from(!good));
                asked.took = began.elapsed();
                if asked.took >= time {
                    break;
                }
            }
        }
    }
    stop.cancel();
    thread.join().map_err(|_| "the line's thread failed".to_owned())?;
    Ok(asked)
}

fn tokio_modbus(path: &Path, baud: u32, time: Duration) -> Result<Asked, String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    runtime.map_err(|error| error.to_string())?.block_on(async {
        let port = SerialStream::open(&tokio_serial::new(path.to_string_lossy(), baud))
            .map_err(|error| error.to_string())?;
        let mut client = rtu::attach_slave(port, Slave(1));
        let mut asked = Asked { good: 0, failed: 0, took: Duration::ZERO };
        let mut began = None;
        loop {
            let answer = timeout(RESPONSE_TIMEOUT, client.call(Request::ReadHoldingRegisters(0, REGISTERS))).await;
            let good = matches!(answer, Ok(Ok(Ok(Response::ReadHoldingRegisters(words)))) if words.len() == usize::from(REGISTERS));
            let Some(began) = began else {
                began = good.then(Instant::now);
                continue;
            };
            (asked.good, asked.failed) = (asked.good + u64::from(good), asked.failed + u64::from(!good));
            asked.took = began.elapsed();
            if asked.took >= time {
                return Ok(asked);
            }
        }
    })
}

fn pymodbus(path: &Path, baud: u32, time: Duration) -> Result<Asked, String> {
    let python = root().join("target/peers/bin/python");
    if !python.exists() {
        return Err("no target/peers; tests/run sets it up".to_owned());
    }
    report_of(Command::new(python).arg(root().join("tests/bench/peers/pymodbus_loop.py")), path, baud, time)
}

fn libmodbus(path: &Path, baud: u32, time: Duration) -> Result<Asked, String> {
    let program = root().join("target/bench/libmodbus_loop");
    std::fs::create_dir_all(root().join("target/bench")).map_err(|error| error.to_string())?;
    let source = root().join("tests/bench/peers/libmodbus_loop.c");
    let compiled = Command::new("cc").arg("-O2").arg("-o").arg(&program).arg(source).arg("-lmodbus").output();
    if !compiled.is_ok_and(|output| output.status.success()) {
        return Err("it does not compile; Debian has it as libmodbus-dev".to_owned());
    }
    report_of(&mut Command::new(program), path, baud, time)
}

/// Runs a program that asks, and takes its report: good answers, failures, seconds.
fn report_of(program: &mut Command, path: &Path, baud: u32, time: Duration) -> Result<Asked, String> {
    let arguments =
        [baud.to_string(), time.as_secs_f64().to_string(), RESPONSE_TIMEOUT.as_millis().to_string()];
    let output = program.arg(path).args(arguments).output().map_err(|error| error.to_string())?;
    let report = String::from_utf8_lossy(&output.stdout);
    let figures: Vec<&str> = report.split_whitespace().collect();
    let parsed = match figures[..] {
        [good, failed, seconds] => (good.parse().ok()).zip(failed.parse().ok()).zip(seconds.parse().ok()),
        _ => None,
    };
    let complaint =
        || String::from_utf8_lossy(&output.stderr).lines().last().unwrap_or("no report").to_owned();
    let ((good, failed), seconds) = parsed.ok_or_else(complaint)?;
    Ok(Asked { good, failed, took: Duration::from_secs_f64(seconds) })
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}
