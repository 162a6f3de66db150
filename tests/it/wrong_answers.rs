//! Answers that are late, damaged, foreign or of the wrong length: not one of them may be taken for
//! the answer to another question.
//!
//! RTU has no transaction number, so this is where a poller goes wrong unseen. Each test asks
//! thousands of times, on registers that all hold different numbers, and checks every number that
//! comes out as good. [`a_plain_client_is_fooled_by_the_same_slave`] shows that the slave bites.

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::sync::Arc;
use std::time::{Duration, Instant};

use siskin::config::{DeviceSpec, LineSpec, Port};
use siskin::modbus::{DevicePlan, Learned, LineOutput, LinePlan, SignalPlan};
use siskin::moment::{Clock, Moment, Mono};
use siskin::signal::{
    DeviceIndex, LineIndex, Order, Place, Raw, ReadFault, Reading, SignalIndex, Table, ValueType,
};
use tokio_util::sync::CancellationToken;

use crate::scripted_slave::{Fault, Framing, Script, Slave, register};

/// How long the line waits for an answer: short, so that thousands of late ones can be awaited.
const TIMEOUT: Duration = Duration::from_millis(20);

/// How long it waits where no answer may be missed, however busy the machine is.
const TIMEOUT_LONG: Duration = Duration::from_secs(10);

/// Outcomes that each test waits for.
const READINGS_WANTED: usize = 2_000;

/// A test that has not got its readings by then has failed: the line does not get on.
const GIVE_UP_AFTER: Duration = Duration::from_secs(180);

/// Far enough apart that no two are read together: blocks of equal length, the worst case.
const ADDRESSES: [u16; 6] = [0, 400, 800, 1200, 1600, 2000];
const UNITS: [u8; 2] = [1, 2];

#[test]
fn a_line_without_faults_has_none() {
    let slave = Slave::on_a_terminal(Vec::new(), 1);
    let tally = read_through(&slave, TIMEOUT_LONG);
    assert_eq!(tally.faults, 0, "{tally:?}");
}

#[test]
fn a_late_answer_is_never_taken_for_the_next_one() {
    let late = |halves| Fault::Late(TIMEOUT * halves / 2);
    let script = || vec![(late(1), 20), (late(2), 20), (late(3), 20), (late(5), 20), (late(7), 20)];
    for seed in 1..=2 {
        never_wrong(Slave::on_a_terminal(script(), seed), &[late(3), late(7)]);
    }
    never_wrong(Slave::on_tcp(Framing::Rtu, script(), 3), &[late(3), late(7)]);
    never_wrong(Slave::on_tcp(Framing::Tcp, script(), 4), &[late(3), late(7)]);
}

#[test]
fn a_flipped_bit_costs_one_reading_and_falsifies_none() {
    let script = || vec![(Fault::FlippedBit, 100)];
    never_wrong(Slave::on_a_terminal(script(), 5), &[Fault::FlippedBit]);
    never_wrong(Slave::on_tcp(Framing::Rtu, script(), 6), &[Fault::FlippedBit]);
}

#[test]
fn an_answer_from_a_foreign_unit_is_never_taken() {
    let script = || vec![(Fault::ForeignUnit, 50), (Fault::OtherFunction, 50)];
    never_wrong(Slave::on_a_terminal(script(), 7), &[Fault::ForeignUnit, Fault::OtherFunction]);
    never_wrong(Slave::on_tcp(Framing::Tcp, script(), 8), &[Fault::ForeignUnit, Fault::OtherFunction]);
}

#[test]
fn an_answer_of_the_wrong_length_is_never_taken() {
    let script = || vec![(Fault::OneRegisterMore, 50), (Fault::OneRegisterLess, 50), (Fault::CutShort, 50)];
    let faults = [Fault::OneRegisterMore, Fault::OneRegisterLess, Fault::CutShort];
    never_wrong(Slave::on_a_terminal(script(), 9), &faults);
    never_wrong(Slave::on_tcp(Framing::Tcp, script(), 10), &faults);
}

#[test]
fn an_echoed_question_is_never_taken_for_the_answer() {
    let script = vec![(Fault::Echo, 300), (Fault::NoiseBefore, 50), (Fault::Twice, 50)];
    never_wrong(Slave::on_a_terminal(script, 11), &[Fault::Echo, Fault::NoiseBefore, Fault::Twice]);
}

#[test]
fn all_of_it_at_once_makes_no_number_wrong() {
    let script = || -> Script {
        vec![
            (Fault::Late(TIMEOUT * 3 / 2), 20),
            (Fault::Late(TIMEOUT * 3), 10),
            (Fault::FlippedBit, 30),
            (Fault::ForeignUnit, 10),
            (Fault::OneRegisterMore, 10),
            (Fault::Echo, 20),
            (Fault::NoiseBefore, 20),
            (Fault::Twice, 20),
            (Fault::CutShort, 10),
            (Fault::Silence, 20),
        ]
    };
    never_wrong(Slave::on_a_terminal(script(), 12), &[Fault::FlippedBit, Fault::Silence]);
    never_wrong(Slave::on_tcp(Framing::Rtu, script(), 13), &[Fault::FlippedBit, Fault::Silence]);
}

/// Asks, waits for as many bytes as the answer should have, checks unit, function, length and CRC:
/// the obvious client. It is fooled.
#[test]
fn a_plain_client_is_fooled_by_the_same_slave() {
    let slave = Slave::on_tcp(Framing::Rtu, vec![(Fault::Late(TIMEOUT * 3 / 2), 100)], 14);
    let Port::Tcp { address, .. } = &slave.port else { panic!("asked for TCP") };
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(TIMEOUT)).unwrap();
    let mut wrong = 0;
    for at in 0..300 {
        let address = ADDRESSES[at % ADDRESSES.len()];
        let mut frame = [1, 3, (address >> 8) as u8, address as u8, 0, 1, 0, 0];
        let sum = crate::scripted_slave::crc(&frame[..6]);
        frame[6..].copy_from_slice(&sum.to_le_bytes());
        stream.write_all(&frame).unwrap();
        let mut answer = [0; 7];
        let whole = stream.read_exact(&mut answer).is_ok();
        if whole && answer[..3] == [1, 3, 2] && crate::scripted_slave::crc(&answer) == 0 {
            let number = u16::from_be_bytes([answer[3], answer[4]]);
            wrong += usize::from(number != register(1, 3, address));
        }
    }
    assert!(wrong > 0, "the slave fools nobody, so the other tests prove nothing");
}

/// Reads through the slave's faults, and checks that the faults that the test is about were met.
fn never_wrong(slave: Slave, met: &[Fault]) {
    let tally = read_through(&slave, TIMEOUT);
    for fault in met {
        assert!(slave.played(*fault) > 0, "{fault:?} was never played: {tally:?}");
    }
    assert!(tally.good > READINGS_WANTED / 10, "hardly a reading came through: {tally:?}");
}

#[derive(Debug, Default)]
struct Tally {
    good: usize,
    faults: usize,
}

/// Polls the slave until [`READINGS_WANTED`] outcomes have come. Fails on the first wrong number.
fn read_through(slave: &Slave, timeout: Duration) -> Tally {
    let places = places();
    let (sender, mut outputs) = tokio::sync::mpsc::channel(64);
    let stop = CancellationToken::new();
    let plan = plan(slave.port.clone(), timeout, &places);
    let thread = siskin::modbus::spawn(plan, clock(), sender, stop.clone()).unwrap();
    let mut tally = Tally::default();
    let began = Instant::now();
    while tally.good + tally.faults < READINGS_WANTED {
        assert!(began.elapsed() < GIVE_UP_AFTER, "the line does not get on: {tally:?}");
        match outputs.blocking_recv() {
            Some(LineOutput::Readings(readings)) => {
                readings.iter().for_each(|reading| tally.count(reading, &places));
            }
            Some(LineOutput::Report(_) | LineOutput::Learned { .. }) => {}
            None => panic!("the line has ended by itself"),
        }
    }
    stop.cancel();
    drop(outputs);
    thread.join().unwrap();
    tally
}

/// Every register that is asked for; no two hold the same number.
fn places() -> Vec<(u8, Place)> {
    let of_unit = |unit: u8| ADDRESSES.map(|address| (unit, place(address)));
    let places: Vec<(u8, Place)> = UNITS.into_iter().flat_map(of_unit).collect();
    let number = |(unit, place): &(u8, Place)| register(*unit, place.table.function(), place.address);
    let distinct: BTreeSet<u16> = places.iter().map(number).collect();
    assert_eq!(distinct.len(), places.len(), "two registers hold the same number");
    places
}

impl Tally {
    fn count(&mut self, reading: &Reading, places: &[(u8, Place)]) {
        let (unit, place) = places[reading.signal.0];
        match reading.outcome {
            Ok(Raw::Number(number)) => {
                let right = register(unit, place.table.function(), place.address);
                assert_eq!(number, f64::from(right), "unit {unit}, {place:?}");
                self.good += 1;
            }
            Ok(Raw::Flag(flag)) => panic!("{flag} from a register"),
            Err(ReadFault::NoAnswer | ReadFault::Garbled) => self.faults += 1,
            Err(fault @ (ReadFault::Exception(_) | ReadFault::LineDown)) => {
                panic!("{fault:?} from a slave that is there and knows no exceptions")
            }
        }
    }
}

fn place(address: u16) -> Place {
    Place {
        table: if address.is_multiple_of(800) { Table::Holding } else { Table::Input },
        address,
        bit: None,
        value_type: ValueType::U16,
        word_order: Order::HighFirst,
        byte_order: Order::HighFirst,
    }
}

fn plan(port: Port, timeout: Duration, places: &[(u8, Place)]) -> LinePlan {
    let poll_every = Duration::from_millis(5);
    let device = |(index, unit): (usize, &u8)| {
        let on_it = places.iter().enumerate().filter(|(_, (owner, _))| owner == unit);
        let signals: Vec<SignalPlan> = on_it
            .map(|(signal, (_, place))| SignalPlan { signal: SignalIndex(signal), place: *place, poll_every })
            .collect();
        let (device, spec) = (DeviceIndex(index), device_spec(*unit, &signals));
        DevicePlan { device, spec, signals, learned: Learned::default() }
    };
    LinePlan {
        line: LineIndex(0),
        spec: LineSpec {
            id: "bench".to_owned(),
            port,
            response_timeout: timeout,
            retries: 0,
            silence_max: timeout,
        },
        devices: UNITS.iter().enumerate().map(device).collect(),
    }
}

fn device_spec(unit_id: u8, signals: &[SignalPlan]) -> DeviceSpec {
    DeviceSpec {
        id: format!("unit-{unit_id}"),
        name: format!("Unit {unit_id}"),
        line: LineIndex(0),
        unit_id,
        signals: signals.iter().map(|plan| plan.signal).collect(),
        max_registers: 125,
        turnaround: None,
        quiet: Duration::ZERO,
        care: siskin::calibration::Care::default(),
    }
}

fn clock() -> Clock {
    let began = Instant::now();
    Arc::new(move || Moment { mono: Mono::new(began.elapsed()), wall: jiff::Timestamp::now() })
}
