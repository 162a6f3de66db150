//! Many reads on a line where everything goes wrong at times: how many wrong values are told as
//! good, by siskin and by a plain client beside it.
//!
//! The time is not real: a day's reading on a 19200 line takes a minute. Each value is two
//! registers: which one it is, and the number of the question it answers. So a value from another
//! place shows, and so does one from the right place that was asked for earlier.
//!
//! In the second table faults come in every other round only, so that it shows whether what went
//! wrong in one round is over by the next, late answers to it included.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

use siskin::modbus::bare::run_over;
use siskin::modbus::{LineOutput, LinePlan};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::Counters;
use siskin::signal::{Place, Raw, Reading, Table, ValueType};
use siskin::simulate::{Device, Fault, Line, Pace, RtuWire, Rule, Wire};
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::sync::mpsc;
use tokio::task::LocalSet;
use tokio::time::{Instant, interval_at, sleep_until, timeout};
use tokio_modbus::client::{Client, rtu};
use tokio_modbus::slave::SlaveContext;
use tokio_modbus::{Request, Response, Slave};

use crate::plan::{self, RESPONSE_TIMEOUT};
use crate::table::{self, percent};

const BAUD: u32 = 19_200;
/// Not neighbours: a foreign frame comes from the unit id above, and is foreign only if that one is
/// never asked. What a unit that is asked sends unasked, no master can tell from its answer.
const UNITS: [u8; 2] = [1, 3];
/// Blocks too far apart to be read in one, all of one length: an answer to any fits any other.
const STARTS: [u16; 4] = [0, 400, 800, 1200];
/// Values in each block, of two registers each.
const VALUES: u16 = 5;
/// Longer than the latest answer is late: what has gone wrong can be over by the next poll.
const POLL_EVERY: Duration = Duration::from_secs(2);
const SEED: u64 = 0x5EED;

/// When faults happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Faulty {
    /// At any time.
    Always,
    /// In the first of every two rounds.
    EveryOtherRound,
}

/// Prints what came of so many reads.
pub fn measure(reads: u64) {
    let what = format!(
        "{BAUD} 8N1, time-out {} ms: 2 % of answers late by up to four time-outs, bit error rate 3e-4 both ways, \
         0.5 % behind a foreign frame, 0.5 % cut short, 0.2 % missing, 1 % of questions echoed",
        RESPONSE_TIMEOUT.as_millis()
    );
    compare(&format!("Reads under faults, {what}"), reads, Faulty::Always);
    println!();
    compare(
        &format!("The same faults in every other round of {} s only", POLL_EVERY.as_secs()),
        reads,
        Faulty::EveryOtherRound,
    );
}

fn compare(title: &str, reads: u64, faulty: Faulty) {
    let (siskin, counters) = in_time_that_is_not_real(ask_with_siskin(reads, faulty));
    let plain = in_time_that_is_not_real(ask_plainly(reads, faulty));
    let row = |name: &str, tally: &Tally| {
        vec![
            name.to_owned(),
            tally.questions.to_string(),
            tally.good.to_string(),
            tally.wrong.to_string(),
            tally.faults.to_string(),
            percent(tally.recovered as f64 / tally.faults.max(1) as f64),
            tally.longest.to_string(),
        ]
    };
    let head = [
        "asker",
        "reads",
        "right",
        "wrong, told as good",
        "told as bad",
        "right at the next poll",
        "longest run not right",
    ];
    table::print(title, &head, &[row("siskin", &siskin), row("tokio-modbus loop", &plain)]);
    println!(
        "\nsiskin counted {} time-outs, {} damaged, {} foreign, {} late; asked again {}, brought into step {}",
        counters.timeouts,
        counters.crc_errors,
        counters.foreign_frames,
        counters.late_responses,
        counters.retries,
        counters.resynchronisations
    );
}

fn faults() -> Vec<Rule> {
    let late = |halves: u32| Rule::line(Fault::Late(RESPONSE_TIMEOUT * halves / 2)).with_chance(0.004);
    let mut rules: Vec<Rule> = [1, 2, 3, 5, 8].map(late).to_vec();
    rules.extend([
        Rule::line(Fault::Noise(3e-4)),
        Rule::line(Fault::Foreign).with_chance(0.005),
        Rule::line(Fault::Truncated(11)).with_chance(0.005),
        Rule::line(Fault::Silent).with_chance(0.002),
        Rule::line(Fault::Echo).with_chance(0.01),
    ]);
    rules
}

/// What was told.
#[derive(Debug, Default)]
struct Tally {
    questions: u64,
    good: u64,
    wrong: u64,
    faults: u64,
    /// Faults after which the same block was right at its next poll.
    recovered: u64,
    longest: u64,
    /// How many times in a row each block has not been right.
    running: BTreeMap<(u8, u16), u64>,
}

impl Tally {
    fn count(&mut self, block: (u8, u16), told: Option<bool>) {
        let running = self.running.entry(block).or_default();
        match told {
            Some(true) => {
                self.good += 1;
                self.recovered += u64::from(*running == 1);
                *running = 0;
            }
            Some(false) => self.wrong += 1,
            None => self.faults += 1,
        }
        if told != Some(true) {
            *running += 1;
            self.longest = self.longest.max(*running);
        }
    }
}

async fn ask_with_siskin(reads: u64, faulty: Faulty) -> (Tally, Counters) {
    let (stream, latest) = devices(faulty);
    let plan = line_plan();
    let (out, mut outputs) = mpsc::channel(64);
    let line = tokio::task::spawn_local(run_over(stream, plan, clock(), out));
    let (mut tally, mut counters) = (Tally::default(), Counters::default());
    while tally.questions < reads
        && let Some(output) = outputs.recv().await
    {
        match output {
            LineOutput::Readings(readings) => tell(&readings, latest.get(), &mut tally),
            LineOutput::Report(report) => {
                counters = report.counters;
                tally.questions = counters.requests;
            }
            LineOutput::Learned { .. } => {}
        }
    }
    line.abort();
    (tally, counters)
}

/// Sorts readings by blocks; a block is right when all of its values are.
fn tell(readings: &[Reading], latest: u16, tally: &mut Tally) {
    let mut blocks: BTreeMap<(u8, u16), Option<bool>> = BTreeMap::new();
    for reading in readings {
        let (unit, place) = where_is(reading.signal.0);
        let right = reading.outcome.ok().map(|raw| raw == expected(unit, place.address, latest));
        let block = blocks.entry((unit, place.address / 400 * 400)).or_insert(Some(true));
        *block = match (*block, right) {
            (Some(so_far), Some(right)) => Some(so_far && right),
            (None, _) | (_, None) => None,
        };
    }
    blocks.into_iter().for_each(|(block, told)| tally.count(block, told));
}

/// Asks each block once a round; without pauses where faults may come at any time.
async fn ask_plainly(reads: u64, faulty: Faulty) -> Tally {
    let (stream, latest) = devices(faulty);
    let mut client = rtu::attach(stream);
    let mut tally = Tally::default();
    let mut rounds = interval_at(Instant::now() + RESPONSE_TIMEOUT, POLL_EVERY);
    while tally.questions < reads {
        if faulty == Faulty::EveryOtherRound {
            rounds.tick().await;
        }
        for (unit, start) in UNITS.into_iter().flat_map(|unit| STARTS.map(|start| (unit, start))) {
            client.set_slave(Slave(unit));
            let question = Request::ReadHoldingRegisters(start, VALUES * 2);
            let told = match timeout(RESPONSE_TIMEOUT, client.call(question)).await {
                Ok(Ok(Ok(Response::ReadHoldingRegisters(words)))) => {
                    let expected = (0..VALUES).flat_map(|at| [which(unit, start + at * 2), latest.get()]);
                    Some(words.into_iter().eq(expected))
                }
                _ => None,
            };
            tally.questions += 1;
            tally.count((unit, start), told);
        }
    }
    tally
}

/// A line with its devices on the other end of the stream, and the number of the latest question
/// that began to arrive there, whole or not.
fn devices(faulty: Faulty) -> (DuplexStream, Rc<Cell<u16>>) {
    let line = Line::new(UNITS.map(Device::new).to_vec(), SEED);
    let (ours, theirs) = duplex(4096);
    let latest = Rc::new(Cell::new(0));
    tokio::task::spawn_local(serve(theirs, line, Rc::clone(&latest), faulty));
    (ours, latest)
}

/// As behind a device server: it keeps the silence, and hands on whatever comes, however late.
async fn serve(mut stream: DuplexStream, mut line: Line, latest: Rc<Cell<u16>>, faulty: Faulty) {
    let mut wire = RtuWire::behind_device_server(Pace::of(BAUD, 10));
    let began = Instant::now();
    let mut bytes = [0; 256];
    let mut first_asked = None;
    number_next(&mut line, &latest);
    loop {
        let due = wire.take_due(Mono::new(began.elapsed()), &mut line);
        number_next(&mut line, &latest);
        if !due.is_empty() && stream.write_all(&due).await.is_err() {
            return;
        }
        let next = wire.next_due().map(|due| began + due.since_start());
        tokio::select! {
            read = stream.read(&mut bytes) => match read {
                Ok(count) if count > 0 => {
                    let first = *first_asked.get_or_insert(Instant::now() - POLL_EVERY / 8);
                    let rounds = first.elapsed().div_duration_f64(POLL_EVERY);
                    let harmed = faulty == Faulty::Always || rounds % 2.0 < 1.0;
                    line.set_faults(if harmed { faults() } else { Vec::new() });
                    wire.hear(&bytes[..count], Mono::new(began.elapsed()), &mut line);
                    number_next(&mut line, &latest);
                }
                _ => return,
            },
            () = sleep_until(next.unwrap_or(began)), if next.is_some() => {}
        }
    }
}

/// Has the devices hold the number that the next question will have.
fn number_next(line: &mut Line, latest: &Cell<u16>) {
    let counts = line.counts();
    let heard = (counts.questions + counts.damaged + counts.unknown_units + counts.short_gaps) as u16;
    if heard == latest.get() && heard != 0 {
        return;
    }
    latest.set(heard);
    for unit in UNITS {
        let Some(device) = line.device(unit) else { continue };
        for address in STARTS.into_iter().flat_map(|start| (0..VALUES).map(move |at| start + at * 2)) {
            device.memory().store(Table::Holding, address, &[which(unit, address), heard.wrapping_add(1)]);
        }
    }
}

/// What tells one place from all others.
fn which(unit: u8, address: u16) -> u16 {
    u16::from(unit) << 12 | address
}

fn expected(unit: u8, address: u16, latest: u16) -> Raw {
    Raw::Number(f64::from(u32::from(which(unit, address)) << 16 | u32::from(latest)))
}

fn places() -> Vec<Place> {
    let of_block = |start: u16| (0..VALUES).map(move |at| plan::place(start + at * 2, ValueType::U32));
    STARTS.into_iter().flat_map(of_block).collect()
}

fn where_is(signal: usize) -> (u8, Place) {
    let places = places();
    (UNITS[signal / places.len()], places[signal % places.len()])
}

fn line_plan() -> LinePlan {
    let devices = UNITS
        .into_iter()
        .enumerate()
        .map(|(at, unit)| plan::device_of(at, unit, places(), POLL_EVERY))
        .collect();
    plan::line(plan::serial(Path::new("/dev/none"), BAUD), devices)
}

/// A clock that goes with the runtime's time.
fn clock() -> Clock {
    let began = Instant::now();
    Arc::new(move || Moment { mono: Mono::ZERO, wall: Wall::UNIX_EPOCH }.at(Mono::new(began.elapsed())))
}

fn in_time_that_is_not_real<T>(work: impl Future<Output = T>) -> T {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
    LocalSet::new().block_on(&runtime, work)
}
