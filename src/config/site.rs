//! A checked site: what the daemon runs on. No spans, no text, nothing left to doubt.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use jiff::civil::Time;
use jiff::tz::TimeZone;

use crate::alarm::AlarmSpec;
use crate::calibration::Care;
use crate::signal::{BadValue, LineIndex, SignalIndex, SignalSpec};
use crate::units::{GasReference, Substance};

/// One meter building.
#[derive(Debug, Clone)]
pub struct Site {
    /// Short and stable, for machines.
    pub id: String,
    /// For people.
    pub name: String,
    /// The zone in which people there live.
    pub time_zone: TimeZone,
    /// When a gas day begins, in that zone.
    pub gas_day_start: Time,
    /// At which it counts volumes of gas.
    pub gas_reference: GasReference,
    /// The usual absolute pressure of the air there, in Pa, when the site file tells it.
    pub ambient_pa: Option<f64>,
    /// How samples are kept.
    pub history: HistorySpec,
    /// The HTTP face; `None` = off.
    pub http: Option<HttpSpec>,
    /// The SCADA face; `None` = off.
    pub scada: Option<ScadaSpec>,
    /// The control socket.
    pub control: ControlSpec,
    /// Every line, in file order. [`LineIndex`] points in here.
    pub lines: Vec<LineSpec>,
    /// Every device, in file order. [`crate::signal::DeviceIndex`] points in here.
    pub devices: Vec<DeviceSpec>,
    /// Every signal, in file order. [`SignalIndex`] points in here.
    pub signals: Vec<SignalSpec>,
    /// What each signal measures the content of, where the site file tells it.
    pub substances: Vec<Option<Substance>>,
    /// Every alarm: those of the file in its order, then the *measurement lost* alarms that signals
    /// with an alarm have without being asked.
    pub alarms: Vec<AlarmSpec>,
    /// Push-buttons in the building that act as an operator would.
    pub push_buttons: Vec<PushButtonSpec>,
    /// The longest time an alarm may be shelved for.
    pub shelve_max: Duration,
    /// SHA-256 of the site file and its profiles, in hex, as journaled at each start.
    pub sha256: String,
    /// Every setting as `(path, value)`, e.g. `("alarm.h2s-high.setpoint", "4.0")`, sorted by path,
    /// so that the next start can say which settings changed.
    pub settings: Vec<(String, String)>,
}

/// How samples are kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistorySpec {
    /// Samples older than this are given up.
    pub keep_samples: Duration,
    /// The most bytes the sample file may take.
    pub max_size_bytes: u64,
    /// How long a sample may wait for the disk, at most a minute.
    pub flush_every: Duration,
}

/// The HTTP face.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpSpec {
    /// Where it listens.
    pub listen: SocketAddr,
    /// The files of its certificate and of the key to that, relative to the site file.
    pub certificate: Option<(PathBuf, PathBuf)>,
    /// The file of the tokens that are taken, relative to the site file.
    pub tokens: Option<PathBuf>,
}

/// The SCADA face.
#[derive(Debug, Clone, PartialEq)]
pub struct ScadaSpec {
    /// Where it listens.
    pub listen: SocketAddr,
    /// What stands for a value while its quality is bad.
    pub bad_value: BadValue,
}

/// The control socket.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ControlSpec {
    /// Its path; relative to the data directory.
    pub socket: PathBuf,
}

/// One Modbus line.
#[derive(Debug, Clone, PartialEq)]
pub struct LineSpec {
    /// Unique in the site.
    pub id: String,
    /// How it is reached.
    pub port: Port,
    /// How long an answer may take from the end of the question to its first byte.
    pub response_timeout: Duration,
    /// How often a question is asked again before it counts as not answered.
    pub retries: u8,
    /// The longest pause between questions to a device that does not answer.
    pub silence_max: Duration,
}

/// How a line is reached.
#[derive(Debug, Clone, PartialEq)]
pub enum Port {
    /// A serial port carrying RTU frames.
    Serial {
        /// The device file.
        path: PathBuf,
        /// Speed and character format.
        settings: SerialSettings,
        /// How the kernel switches between sending and receiving; `None`: the adapter does it.
        rs485: Option<Rs485>,
    },
    /// A TCP connection.
    Tcp {
        /// `host:port`; the host is an address or a name.
        address: String,
        /// What travels on it.
        framing: Framing,
        /// For [`Framing::Rtu`]: the serial settings behind the device server, when the site file
        /// tells them; they set the silent intervals. `None`: only the minimum silence is kept.
        settings: Option<SerialSettings>,
    },
}

/// What travels on a TCP connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framing {
    /// RTU frames with CRC, as from a serial device server.
    Rtu,
    /// Modbus TCP with its header.
    Tcp,
}

/// Speed and character format of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialSettings {
    /// Bits per second.
    pub baud: u32,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

impl SerialSettings {
    /// Bits on the wire for one character: start, eight data, parity if any, stop.
    pub fn bits_per_character(&self) -> u32 {
        let parity = match self.parity {
            Parity::None => 0,
            Parity::Even | Parity::Odd => 1,
        };
        1 + 8 + parity + u32::from(self.stop_bits)
    }
}

/// How the kernel switches an RS-485 driver between sending and receiving, by the RTS line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rs485 {
    /// Whether RTS is on while sending.
    pub rts_on_send: bool,
    /// Whether RTS is on otherwise.
    pub rts_after_send: bool,
    /// From switching to the first character, in whole milliseconds.
    pub delay_before: Duration,
    /// From the last character to switching back, in whole milliseconds.
    pub delay_after: Duration,
}

/// Parity of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// One unit id on a line.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceSpec {
    /// Unique in the site.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The line it is on.
    pub line: LineIndex,
    /// Its unit id, 1–247 (0–255 on a Modbus TCP line).
    pub unit_id: u8,
    /// Its signals.
    pub signals: Vec<SignalIndex>,
    /// The most registers it takes in one request, when fewer than the standard's 125.
    pub max_registers: u16,
    /// Its response time, when the site file tells it; otherwise it is learned.
    pub turnaround: Option<Duration>,
    /// Silence it needs before a question, beyond 3.5 characters.
    pub quiet: Duration,
    /// What care it needs.
    pub care: Care,
}

/// A push-button: a bool that acts as an operator would.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PushButtonSpec {
    /// The bool; true while pressed.
    pub signal: SignalIndex,
    /// What pressing it asks.
    pub asks: Asks,
}

/// What a push-button asks of every alarm for which it means something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asks {
    /// That it be acknowledged.
    Acknowledge,
    /// That it be reset.
    Reset,
}
