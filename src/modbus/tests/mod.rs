//! Whole lines against scripted devices, over in-memory streams in time that is not real.
//!
//! Every word on the line is made from the address it was asked for ([`slave::word`]), so a value
//! taken from the answer to another question cannot hide.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod certainty;
mod line;
mod port;
pub mod pty;
mod slave;
mod visitor;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::DuplexStream;
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::config::{DeviceSpec, Framing, LineSpec, Parity, Port, SerialSettings};
use crate::modbus::line::Line;
use crate::modbus::pause::Pause;
use crate::modbus::rtu::{Patience, RtuLine};
use crate::modbus::timing::Timing;
use crate::modbus::wire::Wire;
use crate::modbus::{DevicePlan, Learned, LineOutput, LinePlan, SignalPlan};
use crate::moment::{Clock, Moment, Mono, Wall};
use crate::monitor::LineReport;
use crate::signal::{
    DeviceIndex, LineIndex, Order, Place, Raw, ReadFault, Reading, SignalIndex, Table, ValueType,
};

/// The response time-out of these lines.
pub const TIMEOUT: Duration = Duration::from_millis(100);
pub const SETTINGS: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };

/// A value at an address: unsigned, one register or one bit.
pub fn value(signal: usize, table: Table, address: u16, poll_every: Duration) -> SignalPlan {
    let value_type = if table.is_registers() { ValueType::U16 } else { ValueType::Bool };
    let (word_order, byte_order) = (Order::HighFirst, Order::HighFirst);
    let place = Place { table, address, bit: None, value_type, word_order, byte_order };
    SignalPlan { signal: SignalIndex(signal), place, poll_every }
}

pub fn device(index: usize, unit_id: u8, signals: Vec<SignalPlan>) -> DevicePlan {
    let spec = DeviceSpec {
        id: format!("device-{index}"),
        name: String::new(),
        line: LineIndex(0),
        unit_id,
        signals: signals.iter().map(|signal| signal.signal).collect(),
        max_registers: 125,
        turnaround: None,
        quiet: Duration::ZERO,
        care: crate::calibration::Care::default(),
    };
    DevicePlan { device: DeviceIndex(index), spec, signals, learned: Learned::default() }
}

pub fn line_plan(port: Port, devices: Vec<DevicePlan>) -> LinePlan {
    let spec = LineSpec {
        id: "east".to_owned(),
        port,
        response_timeout: TIMEOUT,
        retries: 1,
        silence_max: Duration::from_secs(30),
    };
    LinePlan { line: LineIndex(0), spec, devices }
}

pub fn serial_plan(devices: Vec<DevicePlan>) -> LinePlan {
    line_plan(Port::Serial { path: PathBuf::from("/dev/none"), settings: SETTINGS, rs485: None }, devices)
}

pub fn tcp_plan(address: SocketAddr, framing: Framing, devices: Vec<DevicePlan>) -> LinePlan {
    line_plan(Port::Tcp { address: address.to_string(), framing, settings: None }, devices)
}

/// A clock that goes with the runtime's time, real or not.
pub fn clock() -> Clock {
    let began = Instant::now();
    let wall = Wall::UNIX_EPOCH;
    Arc::new(move || Moment { mono: Mono::ZERO, wall }.at(Mono::new(began.elapsed())))
}

/// Everything a line said.
#[derive(Default)]
pub struct Said {
    pub readings: Vec<Reading>,
    pub reports: Vec<LineReport>,
    pub learned: Vec<(DeviceIndex, Learned)>,
}

impl Said {
    pub fn last(&self) -> &LineReport {
        self.reports.last().expect("a line reports")
    }

    pub fn good(&self) -> usize {
        self.readings.iter().filter(|reading| reading.outcome.is_ok()).count()
    }

    pub fn of(&self, signal: usize) -> Vec<Result<Raw, ReadFault>> {
        let of_it = self.readings.iter().filter(|reading| reading.signal == SignalIndex(signal));
        of_it.map(|reading| reading.outcome).collect()
    }

    /// The fault told of a signal, which must always be the same; how often, and how often none.
    pub fn faults(&self, signal: usize) -> (Option<ReadFault>, usize, usize) {
        let faults: Vec<ReadFault> = self.of(signal).iter().filter_map(|outcome| outcome.err()).collect();
        assert!(faults.windows(2).all(|pair| pair[0] == pair[1]), "{faults:?}");
        (faults.first().copied(), faults.len(), self.of(signal).len() - faults.len())
    }

    /// Every good reading that is not what stands at its address.
    pub fn wrong(&self, plan: &LinePlan) -> Vec<Reading> {
        let right = |reading: &&Reading| match reading.outcome {
            Ok(raw) => raw == expected(plan, reading.signal),
            Err(_) => true,
        };
        self.readings.iter().filter(|reading| !right(reading)).copied().collect()
    }
}

/// What stands at the address of a signal.
pub fn expected(plan: &LinePlan, signal: SignalIndex) -> Raw {
    let found = plan.devices.iter().find_map(|device| {
        let wanted = device.signals.iter().find(|wanted| wanted.signal == signal)?;
        Some((device.spec.unit_id, wanted.place))
    });
    let (unit, place) = found.expect("a line tells only of its own signals");
    let function = place.table.function();
    if place.table.is_registers() {
        Raw::Number(f64::from(slave::word(unit, function, place.address)))
    } else {
        Raw::Flag(slave::bit(unit, function, place.address))
    }
}

/// A line over a stream in memory, in time that is not real.
pub fn wire(stream: DuplexStream, response_timeout: Duration) -> Wire {
    let damage_silence = Duration::from_millis(50);
    let patience = Patience { timing: Timing::serial(SETTINGS), response_timeout, damage_silence };
    Wire::Rtu(RtuLine::new(stream, patience, Pause::Runtime))
}

/// Lets a line ask over `stream` for a time that is not real; returns what it said.
pub async fn listen(plan: &LinePlan, stream: DuplexStream, time: Duration) -> Said {
    listen_with(plan, stream, time, |_| {}).await
}

/// The same, looking at each reading as it comes.
pub async fn listen_with(
    plan: &LinePlan,
    stream: DuplexStream,
    time: Duration,
    mut look: impl FnMut(&Reading),
) -> Said {
    let wire = wire(stream, plan.spec.response_timeout);
    let (out, mut outputs) = mpsc::channel(16);
    let mut line = Line::new(plan.clone(), clock(), out);
    let mut said = Said::default();
    let gather = async {
        while let Some(output) = outputs.recv().await {
            match output {
                LineOutput::Readings(readings) => {
                    readings.iter().for_each(&mut look);
                    said.readings.extend(readings);
                }
                LineOutput::Report(report) => said.reports.push(*report),
                LineOutput::Learned { device, learned } => said.learned.push((device, learned)),
            }
        }
    };
    let both = async { tokio::join!(line.ask_while_open(wire), gather) };
    let _time_is_up = tokio::time::timeout(time, both).await;
    said
}
