//! How long things take on a line: characters, silent intervals, whole transactions.
//!
//! Everything that plans or waits asks here, so that the planner, the guard on the wire and the load
//! told by `siskin check` reckon with the same figures. It measures nothing and reads no clock.
//! Sources: Modbus over Serial Line V1.02, section 2.5.1.1 (silent intervals); Modbus Application
//! Protocol V1.1b3, sections 6.1 to 6.4 (lengths of the four reads).

use std::time::Duration;

use crate::config::{Framing, Port, SerialSettings};
use crate::signal::Table;

/// Bytes of any of the four reads as an RTU frame: unit, function, address, quantity, CRC.
pub const QUESTION_BYTES: u32 = 8;

/// Bytes around the data of an RTU answer: unit, function, byte count, CRC.
pub const ANSWER_FRAME_BYTES: u32 = 5;

/// A device's response time, until it has been learned and unless the site file tells it.
pub const TURNAROUND_ASSUMED: Duration = Duration::from_millis(20);

/// What a network adds to each transaction, until it has been learned: there and back on a local
/// network, and the time a device server collects characters before it sends them on.
pub const ROUND_TRIP_ASSUMED: Duration = Duration::from_millis(10);

/// What this computer adds to each transaction: waking up and passing bytes through the kernel.
pub const HOST: Duration = Duration::from_micros(500);

/// Up to this speed the silent intervals are counted in characters; above, they are fixed.
const COUNTED_BAUD_MAX: u32 = 19_200;
const T1_5_FIXED: Duration = Duration::from_micros(750);
const T3_5_FIXED: Duration = Duration::from_micros(1_750);

/// How long things take on one line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Speed and character format; `None` where they are not known, or do not matter.
    wire: Option<SerialSettings>,
    /// Silence that parts two frames; zero where a header parts them.
    silence: Duration,
    /// What stands between the question's end and the answer's beginning besides the device.
    round_trip_assumed: Duration,
}

impl Timing {
    /// The timing of a line reached through `port`.
    ///
    /// On a network line whose serial settings are not told, characters take no time that could be
    /// known, and a transaction costs its response time alone.
    pub fn of(port: &Port) -> Self {
        match port {
            Port::Serial { settings, .. } => Timing::serial(*settings),
            Port::Tcp { framing: Framing::Tcp, .. } => {
                Timing { wire: None, silence: Duration::ZERO, round_trip_assumed: ROUND_TRIP_ASSUMED }
            }
            Port::Tcp { framing: Framing::Rtu, settings, .. } => Timing {
                wire: *settings,
                silence: settings.map_or(T3_5_FIXED, |settings| counted(settings, 7, T3_5_FIXED)),
                round_trip_assumed: ROUND_TRIP_ASSUMED,
            },
        }
    }

    /// The timing of a serial line.
    pub fn serial(settings: SerialSettings) -> Self {
        Timing {
            wire: Some(settings),
            silence: counted(settings, 7, T3_5_FIXED),
            round_trip_assumed: Duration::ZERO,
        }
    }

    /// How long `count` characters are on the wire; zero where the wire's speed is not known.
    pub fn characters(&self, count: u32) -> Duration {
        self.wire.map_or(Duration::ZERO, |settings| half_characters(settings, 2 * u64::from(count)))
    }

    /// The longest pause within a frame (V1.02, section 2.5.1.1).
    pub fn t1_5(&self) -> Duration {
        self.wire.map_or(T1_5_FIXED, |settings| counted(settings, 3, T1_5_FIXED))
    }

    /// The least silence between two frames (V1.02, section 2.5.1.1); zero on a Modbus TCP line,
    /// where a header parts them.
    pub fn t3_5(&self) -> Duration {
        self.silence
    }

    /// How long a question is on the wire.
    pub fn question(&self) -> Duration {
        self.characters(QUESTION_BYTES)
    }

    /// How long the answer with `count` items of `table` is on the wire.
    pub fn answer(&self, table: Table, count: u16) -> Duration {
        self.characters(answer_bytes(table, count))
    }

    /// How long a whole transaction keeps the wire: question, response time of the device, answer,
    /// and the silence before the next question. What the host adds ([`HOST`]) comes on top.
    pub fn transaction(&self, table: Table, count: u16, turnaround: Duration) -> Duration {
        self.question() + turnaround + self.answer(table, count) + self.silence
    }

    /// The response time to reckon with until it has been learned: `told` by the site file, or the
    /// assumed one, network included.
    pub fn turnaround_assumed(&self, told: Option<Duration>) -> Duration {
        told.unwrap_or(TURNAROUND_ASSUMED) + self.round_trip_assumed
    }
}

/// Bytes of the RTU answer with `count` items of `table`.
pub fn answer_bytes(table: Table, count: u16) -> u32 {
    let data = if table.is_registers() { 2 * u32::from(count) } else { u32::from(count).div_ceil(8) };
    ANSWER_FRAME_BYTES + data
}

/// A silent interval: counted in half characters up to 19200 baud, fixed above.
fn counted(settings: SerialSettings, halves: u64, fixed: Duration) -> Duration {
    if settings.baud <= COUNTED_BAUD_MAX { half_characters(settings, halves) } else { fixed }
}

/// How long a number of half characters takes, to the nanosecond.
fn half_characters(settings: SerialSettings, halves: u64) -> Duration {
    let bits = u64::from(settings.bits_per_character());
    let baud = u64::from(settings.baud.max(1));
    Duration::from_nanos(halves * bits * 500_000_000 / baud)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::config::Parity;

    fn serial(baud: u32, parity: Parity, stop_bits: u8) -> Timing {
        Timing::serial(SerialSettings { baud, parity, stop_bits })
    }

    fn millis(duration: Duration) -> f64 {
        duration.as_secs_f64() * 1e3
    }

    fn assert_close(found: f64, expected: f64, within: f64, what: &str) {
        assert!((found - expected).abs() <= within, "{what}: {found} instead of {expected}");
    }

    /// Computed from V1.02 section 2.5.1.1 for a character of 11 bits; the last two columns are the
    /// bytes of a read of 1 and of 125 registers, without response time and silence.
    #[test]
    fn times_on_the_wire_are_those_of_the_serial_line_standard() {
        let table = "
            1200    9.1667  13.750  32.083  137.5   2410.8
            9600    1.1458  1.7188  4.0104  17.188  301.35
            19200   0.5729  0.8594  2.0052  8.594   150.68
            38400   0.2865  0.750   1.750   4.297   75.34
            115200  0.0955  0.750   1.750   1.432   25.11";
        for row in table.lines().filter(|row| !row.trim().is_empty()) {
            let cells: Vec<f64> = row.split_whitespace().map(|cell| cell.parse().unwrap()).collect();
            let [baud, character, t1_5, t3_5, one, most] = cells[..] else { panic!("{row}") };
            let timing = serial(row.split_whitespace().next().unwrap().parse().unwrap(), Parity::Even, 1);
            let wire = |count| millis(timing.question() + timing.answer(Table::Holding, count));
            assert_close(millis(timing.characters(1)), character, 6e-5, &format!("{baud}: character"));
            assert_close(millis(timing.t1_5()), t1_5, 6e-4, &format!("{baud}: t1.5"));
            assert_close(millis(timing.t3_5()), t3_5, 6e-4, &format!("{baud}: t3.5"));
            assert_close(wire(1), one, 6e-4, &format!("{baud}: one register"));
            assert_close(wire(125), most, 6e-2, &format!("{baud}: 125 registers"));
        }
    }

    /// Ten registers, the device answers after 3.5 characters: the limit measured on a paced slave.
    #[test]
    fn the_wire_carries_so_many_reads_a_second() {
        for (baud, reads_per_second) in [(9_600, 24.0), (19_200, 48.0), (115_200, 157.0)] {
            let timing = serial(baud, Parity::None, 1);
            let one = timing.transaction(Table::Input, 10, timing.t3_5());
            assert_close(1.0 / one.as_secs_f64(), reads_per_second, 0.2, &format!("{baud} baud"));
        }
    }

    #[test]
    fn eight_bits_share_a_byte() {
        for (count, bytes) in [(1, 6), (8, 6), (9, 7), (2000, 255)] {
            assert_eq!(answer_bytes(Table::Coil, count), bytes, "{count} bits");
        }
        assert_eq!(answer_bytes(Table::Input, 125), 255);
    }

    #[test]
    fn a_network_line_without_serial_settings_costs_its_response_time() {
        let port = |framing| Port::Tcp { address: "192.0.2.10:502".into(), framing, settings: None };
        let told = Some(Duration::from_millis(15));
        let header = Timing::of(&port(Framing::Tcp));
        let assumed = header.turnaround_assumed(told);
        assert_eq!(assumed, Duration::from_millis(25));
        assert_eq!(header.transaction(Table::Holding, 100, assumed), assumed);
        let frames = Timing::of(&port(Framing::Rtu));
        assert_eq!(frames.transaction(Table::Holding, 100, assumed), assumed + Duration::from_micros(1_750));
    }
}
