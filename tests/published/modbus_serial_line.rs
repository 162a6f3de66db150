//! Times on a serial line.
//!
//! Source: MODBUS over Serial Line V1.02. Section 2.5.1: a character has 11 bits, without parity a
//! second stop bit takes its place. Section 2.5.1.1: at least 3.5 characters of silence between
//! frames, at most 1.5 within one; above 19200 baud the fixed 1.750 ms and 0.750 ms. The milliseconds
//! are arithmetic on these: 11 / baud, and (8 + 5 + 2n) characters for a read of n registers.

use std::time::Duration;

use siskin::config::{Parity, SerialSettings};
use siskin::modbus::timing::Timing;
use siskin::signal::Table;

/// Baud; then in milliseconds: one character, t1.5, t3.5, a read of 1 register, a read of 125.
const TIMES_MS: [[f64; 6]; 5] = [
    [1_200.0, 9.1667, 13.750, 32.083, 137.5, 2410.8],
    [9_600.0, 1.1458, 1.7188, 4.0104, 17.188, 301.35],
    [19_200.0, 0.5729, 0.8594, 2.0052, 8.594, 150.68],
    [38_400.0, 0.2865, 0.750, 1.750, 4.297, 75.34],
    [115_200.0, 0.0955, 0.750, 1.750, 1.432, 25.11],
];

/// The formats that the standard allows, 11 bits each.
const FORMATS: [(Parity, u8); 3] = [(Parity::Even, 1), (Parity::Odd, 1), (Parity::None, 2)];

#[test]
fn characters_and_silent_intervals_last_as_long_as_the_standard_says() {
    for [baud, character, t1_5, t3_5, read_of_1, read_of_125] in TIMES_MS {
        for (parity, stop_bits) in FORMATS {
            let timing = Timing::serial(SerialSettings { baud: baud as u32, parity, stop_bits });
            let read = |count| timing.question() + timing.answer(Table::Holding, count);
            for (what, found, published_ms) in [
                ("a character", timing.characters(1), character),
                ("t1.5", timing.t1_5(), t1_5),
                ("t3.5", timing.t3_5(), t3_5),
                ("a read of 1", read(1), read_of_1),
                ("a read of 125", read(125), read_of_125),
            ] {
                assert_as_published(found, published_ms, &format!("{what} at {baud} baud"));
            }
        }
    }
}

/// The table has four or five digits.
#[track_caller]
fn assert_as_published(found: Duration, published_ms: f64, what: &str) {
    let found_ms = found.as_secs_f64() * 1e3;
    let off = (found_ms / published_ms - 1.0).abs();
    assert!(off < 5e-4, "{what}: {found_ms} ms, published {published_ms} ms");
}
