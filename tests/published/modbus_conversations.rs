//! Whole conversations with a device, byte for byte as the standards print them.
//!
//! Sources: the worked examples of MODBUS Application Protocol V1.1b3 (sections 6.1 to 6.4 and 7) for
//! the PDUs; MODBUS over Serial Line V1.02 section 6.2.2 for the CRC, on which its algorithm coded by
//! hand and three independent libraries agreed for every frame here; the open Modbus/TCP
//! specification of 1999 for the frame with offset 4, unit 9. A line of siskin is set to work on a
//! device that knows only these questions and gives only these answers.

mod frames;

use std::sync::Arc;
use std::time::{Duration, Instant};

use siskin::config::{DeviceSpec, Framing, LineSpec, Port};
use siskin::modbus::{DevicePlan, Learned, LineOutput, LinePlan, SignalPlan};
use siskin::moment::{Clock, Moment, Mono};
use siskin::signal::{DeviceIndex, LineIndex, Order, Place, Raw, ReadFault, SignalIndex, Table, ValueType};
use tokio_util::sync::CancellationToken;

use frames::{Conversation, Device, rtu, tcp};

/// A line that has no outcome by then has failed.
const GIVE_UP_AFTER: Duration = Duration::from_secs(20);

type Outcome = Result<Raw, ReadFault>;

/// V1.1b3 section 6.1: of the coils 20 to 38, those that are on. Numbers count from one.
const COILS_ON: [u16; 12] = [20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38];

/// V1.1b3 section 6.2: of the discrete inputs 197 to 218, those that are on.
const INPUTS_ON: [u16; 14] = [199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218];

#[test]
fn coils_20_to_38_are_asked_for_and_read_as_in_section_6_1() {
    let wanted = places(Table::Coil, 19, 19);
    let outcomes = bits(20..=38, &COILS_ON);
    check(&wanted, &outcomes, "01 00 13 00 13", "01 03 CD 6B 05", [("8C 02", "42 82"), ("8E 92", "40 12")]);
}

#[test]
fn discrete_inputs_197_to_218_are_asked_for_and_read_as_in_section_6_2() {
    let wanted = places(Table::Discrete, 196, 22);
    let outcomes = bits(197..=218, &INPUTS_ON);
    check(&wanted, &outcomes, "02 00 C4 00 16", "02 03 AC DB 35", [("B8 39", "22 88"), ("BA A9", "20 18")]);
}

#[test]
fn holding_registers_108_to_110_are_asked_for_and_read_as_in_section_6_3() {
    let wanted = places(Table::Holding, 107, 3);
    let outcomes = [555.0, 0.0, 100.0].map(|number| Ok(Raw::Number(number)));
    let crcs = [("74 17", "05 7A"), ("76 87", "C8 BA")];
    check(&wanted, &outcomes, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", crcs);
}

#[test]
fn input_register_9_is_asked_for_and_read_as_in_section_6_4() {
    let wanted = places(Table::Input, 8, 1);
    let crcs = [("B0 08", "39 37"), ("B2 98", "F8 F4")];
    check(&wanted, &[Ok(Raw::Number(10.0))], "04 00 08 00 01", "04 02 00 0A", crcs);
}

#[test]
fn a_refused_coil_is_an_exception_2_as_in_section_7() {
    let wanted = places(Table::Coil, 0x04A1, 1);
    let crcs = [("AD 18", "C1 91"), ("AF 88", "C0 54")];
    check(&wanted, &[Err(ReadFault::Exception(2))], "01 04 A1 00 01", "81 02", crcs);
}

/// Section 7, code 0B: "usually means that the device is not present on the network". It is the
/// gateway that speaks; of the device nothing was heard.
#[test]
fn a_gateway_that_speaks_for_a_silent_device_is_no_answer() {
    let wanted = places(Table::Input, 8, 1);
    let crcs = [("B0 08", "02 C7"), ("B2 98", "03 02")];
    check(&wanted, &[Err(ReadFault::NoAnswer)], "04 00 08 00 01", "84 0B", crcs);
}

#[test]
fn the_register_at_offset_4_of_unit_9_is_read_as_in_the_specification_of_1999() {
    let wanted = places(Table::Holding, 4, 1);
    let conversation = tcp("00 00 00 00 00 06 09 03 00 04 00 01", "00 00 00 00 00 05 09 03 02 00 05");
    converse(9, Framing::Tcp, conversation, &wanted, &[Ok(Raw::Number(5.0))]);
}

/// Units 1 and 17 in RTU frames with these CRCs (of question and answer), and unit 17 in Modbus TCP.
fn check(wanted: &[Place], outcomes: &[Outcome], question: &str, answer: &str, crcs: [(&str, &str); 2]) {
    for (unit, (question_crc, answer_crc)) in [0x01, 0x11].into_iter().zip(crcs) {
        let conversation = rtu(unit, (question, question_crc), (answer, answer_crc));
        converse(unit, Framing::Rtu, conversation, wanted, outcomes);
    }
    let header = |pdu: &str| format!("00 01 00 00 00 {:02X} 11 {pdu}", pdu.split(' ').count() + 1);
    converse(0x11, Framing::Tcp, tcp(&header(question), &header(answer)), wanted, outcomes);
}

/// Has a line ask a device that knows this conversation only, until every place has an outcome.
fn converse(unit: u8, framing: Framing, known: Conversation, wanted: &[Place], outcomes: &[Outcome]) {
    let device = Device::start(framing, known);
    let (sender, mut outputs) = tokio::sync::mpsc::channel(64);
    let stop = CancellationToken::new();
    let plan = plan(unit, framing, &device.address, wanted);
    let thread = siskin::modbus::spawn(plan, clock(), sender, stop.clone()).unwrap();
    let mut found: Vec<Option<Outcome>> = vec![None; wanted.len()];
    let began = Instant::now();
    while found.contains(&None) {
        assert!(began.elapsed() < GIVE_UP_AFTER, "no outcome: {found:?}");
        match outputs.blocking_recv().expect("the line has ended by itself") {
            LineOutput::Readings(readings) => {
                readings.iter().for_each(|reading| found[reading.signal.0] = Some(reading.outcome));
            }
            LineOutput::Report(_) | LineOutput::Learned { .. } => {}
        }
        assert_eq!(device.unknown_questions(), Vec::<String>::new(), "asked, but not in the standard");
    }
    stop.cancel();
    drop(outputs);
    thread.join().unwrap();
    let expected: Vec<_> = outcomes.iter().copied().map(Some).collect();
    assert_eq!(found, expected, "unit {unit}, {framing:?}");
}

/// `count` neighbours of one table: bits of a bit table, 16-bit numbers of a register table.
fn places(table: Table, first: u16, count: u16) -> Vec<Place> {
    let value_type = if table.is_registers() { ValueType::U16 } else { ValueType::Bool };
    let (word_order, byte_order) = (Order::HighFirst, Order::HighFirst);
    let place = |address| Place { table, address, bit: None, value_type, word_order, byte_order };
    (first..first + count).map(place).collect()
}

fn bits(numbers: std::ops::RangeInclusive<u16>, on: &[u16]) -> Vec<Outcome> {
    numbers.map(|number| Ok(Raw::Flag(on.contains(&number)))).collect()
}

fn plan(unit_id: u8, framing: Framing, address: &str, wanted: &[Place]) -> LinePlan {
    let poll_every = Duration::from_millis(50);
    let signal_plan = |(index, place): (usize, &Place)| SignalPlan {
        signal: SignalIndex(index),
        place: *place,
        poll_every,
    };
    let signals: Vec<SignalPlan> = wanted.iter().enumerate().map(signal_plan).collect();
    let device = DeviceSpec {
        id: "example".to_owned(),
        name: "The standard's example".to_owned(),
        line: LineIndex(0),
        unit_id,
        signals: signals.iter().map(|plan| plan.signal).collect(),
        max_registers: 125,
        turnaround: None,
        quiet: Duration::ZERO,
        care: siskin::calibration::Care::default(),
    };
    let spec = LineSpec {
        id: "example".to_owned(),
        port: Port::Tcp { address: address.to_owned(), framing, settings: None },
        response_timeout: Duration::from_secs(2),
        retries: 0,
        silence_max: Duration::from_secs(2),
    };
    let devices =
        vec![DevicePlan { device: DeviceIndex(0), spec: device, signals, learned: Learned::default() }];
    LinePlan { line: LineIndex(0), spec, devices }
}

fn clock() -> Clock {
    let began = Instant::now();
    Arc::new(move || Moment { mono: Mono::new(began.elapsed()), wall: jiff::Timestamp::now() })
}
