//! siskin's simulated devices, read by a Modbus master that siskin did not write, over each kind of
//! line. They stand in for devices before the hardware comes, so another's software must find them
//! in order too.

use std::time::Instant;

use serde_json::{Value, json};
use siskin::signal::Table;
use siskin::simulate::{Bus, BusFraming, BusPort, Device, Line, Pace};

use crate::peer::Peer;

const UNIT: u8 = 17;
const BAUD: u32 = 19_200;
const BITS_PER_CHARACTER: u32 = 10;

/// What the master asks for, and what it must be told.
fn questions() -> Vec<(&'static str, Value)> {
    vec![
        ("coil 19 10", json!([true, false, true, true, false, false, true, true, true, false])),
        ("discrete 196 3", json!([false, true, true])),
        ("holding 107 3", json!([555, 0, 100])),
        ("input 0 125", json!((0..125).map(|address| address * 7).collect::<Vec<u16>>())),
        ("input 8 1", json!([56])),
        ("holding 110 1", json!({ "exception": 2 })),
        ("holding 108 3", json!({ "exception": 2 })),
    ]
}

#[test]
fn a_python_master_reads_them_over_a_serial_line() {
    let bus = Bus::on_pty(line(), Pace::of(BAUD, BITS_PER_CHARACTER), Instant::now()).unwrap();
    master_is_told_what_they_hold("serial", &bus);
}

#[test]
fn a_python_master_reads_them_in_rtu_frames_on_tcp() {
    let framing = BusFraming::Rtu(Pace::of(BAUD, BITS_PER_CHARACTER));
    let bus = Bus::on_tcp(line(), "127.0.0.1:0".parse().unwrap(), framing, Instant::now()).unwrap();
    master_is_told_what_they_hold("rtu-over-tcp", &bus);
}

#[test]
fn a_python_master_reads_them_over_modbus_tcp() {
    let bus = Bus::on_tcp(line(), "127.0.0.1:0".parse().unwrap(), BusFraming::Tcp, Instant::now()).unwrap();
    master_is_told_what_they_hold("tcp", &bus);
}

fn line() -> Line {
    let inputs: Vec<u16> = (0..125).map(|address| address * 7).collect();
    let device = Device::new(UNIT)
        .with(Table::Coil, 19, &[1, 0, 1, 1, 0, 0, 1, 1, 1, 0])
        .with(Table::Discrete, 196, &[0, 1, 1])
        .with(Table::Holding, 107, &[555, 0, 100])
        .with(Table::Input, 0, &inputs);
    Line::new(vec![device], 1)
}

fn master_is_told_what_they_hold(kind: &str, bus: &Bus) {
    let (port, unit, baud) = (port(bus), UNIT.to_string(), BAUD.to_string());
    let arguments: Vec<&str> =
        if kind == "serial" { vec![kind, &port, &baud, &unit] } else { vec![kind, &port, &unit] };
    let Some(mut master) = Peer::start("master.py", &arguments) else { return };
    assert_eq!(master.manifest, json!({ "connected": true }));
    for (question, answer) in questions() {
        assert_eq!(master.ask(question), answer, "{kind}: {question}");
    }
    let counts = bus.counts();
    assert_eq!((counts.damaged, counts.unknown_units), (0, 0), "{counts:?}");
}

fn port(bus: &Bus) -> String {
    match bus.port() {
        BusPort::Serial(path) => path.to_str().unwrap().to_owned(),
        BusPort::Tcp(address) => address.to_string(),
    }
}
