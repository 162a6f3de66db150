//! siskin against published values: one file per source, the source named beside each check.
//!
//! What is only remembered, not looked up, says "from memory" where it stands. To add a source:
//! write `tests/published/NAME.rs` and name it below.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::as_conversions)]

mod alarm_delays;
mod alarm_life_cycle;
mod analog_loops;
mod averages;
mod calibration;
mod modbus_conversations;
mod modbus_serial_line;
mod ne_107;
mod one_alarm;
mod plain_signal;
mod recorded_averages;
mod simulated_device;
mod units;
mod wide_values;
