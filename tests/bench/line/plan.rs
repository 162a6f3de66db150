//! Lines to be measured: what is asked of which device, and how to listen to what they tell.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use siskin::config::{DeviceSpec, LineSpec, Parity, Port, SerialSettings};
use siskin::modbus::{DevicePlan, Learned, LinePlan, SignalPlan};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::signal::{DeviceIndex, LineIndex, Order, Place, SignalIndex, Table, ValueType};

/// How long an answer may take, whoever asks.
pub const RESPONSE_TIMEOUT: Duration = Duration::from_millis(300);

/// A period that no line can keep: it asks as fast as the wire lets it.
pub const AT_ONCE: Duration = Duration::from_millis(1);

/// Eight data bits, no parity, one stop bit.
pub fn settings(baud: u32) -> SerialSettings {
    SerialSettings { baud, parity: Parity::None, stop_bits: 1 }
}

/// A serial port at a speed.
pub fn serial(path: &Path, baud: u32) -> Port {
    Port::Serial { path: path.to_owned(), settings: settings(baud), rs485: None }
}

/// A line with these devices.
pub fn line(port: Port, devices: Vec<DevicePlan>) -> LinePlan {
    let spec = LineSpec {
        id: "bench".to_owned(),
        port,
        response_timeout: RESPONSE_TIMEOUT,
        retries: 1,
        silence_max: Duration::from_secs(30),
    };
    LinePlan { line: LineIndex(0), spec, devices }
}

/// The same device, of which the site file tells how fast it answers.
pub fn answering_after(mut device: DevicePlan, turnaround: Duration) -> DevicePlan {
    device.spec.turnaround = Some(turnaround);
    device
}

/// A device with `values` neighbouring holding registers from address 0 on, one signal each.
pub fn device(index: usize, unit_id: u8, values: usize, poll_every: Duration) -> DevicePlan {
    let places = (0..values).map(|address| place(address as u16, ValueType::U16));
    device_of(index, unit_id, places.collect(), poll_every)
}

/// A device with a signal at each of these places.
pub fn device_of(index: usize, unit_id: u8, places: Vec<Place>, poll_every: Duration) -> DevicePlan {
    let first = index * places.len();
    let signals: Vec<SignalPlan> = (first..)
        .zip(places)
        .map(|(signal, place)| SignalPlan { signal: SignalIndex(signal), place, poll_every })
        .collect();
    let spec = DeviceSpec {
        id: format!("device-{index}"),
        name: String::new(),
        line: LineIndex(0),
        unit_id,
        signals: signals.iter().map(|signal| signal.signal).collect(),
        max_registers: 125,
        turnaround: None,
        quiet: Duration::ZERO,
        care: siskin::calibration::Care::default(),
    };
    DevicePlan { device: DeviceIndex(index), spec, signals, learned: Learned::default() }
}

/// A value of a holding register, or of several from there on.
pub fn place(address: u16, value_type: ValueType) -> Place {
    let (word_order, byte_order) = (Order::HighFirst, Order::HighFirst);
    Place { table: Table::Holding, address, bit: None, value_type, word_order, byte_order }
}

/// A clock that begins now.
pub fn clock() -> Clock {
    let began = Instant::now();
    Arc::new(move || Moment { mono: Mono::ZERO, wall: Wall::UNIX_EPOCH }.at(Mono::new(began.elapsed())))
}
