//! siskin reads the gas analyzers of a natural-gas meter building over Modbus, says at every moment
//! what is known about the gas and how well it is known, raises alarms, and keeps the record.
//!
//! The way of a reading, and the rooms in the order it walks through them:
//!
//! ```text
//! wire bytes ─▶ modbus ─▶ signal ─▶ monitor ─┬▶ snapshot ─▶ view ─▶ serve, scada, control
//!                                (pure)      └▶ events, samples ─▶ history (SQLite)
//! ```
//!
//! | floor | room | what lives there |
//! | --- | --- | --- |
//! | 5 | [`cli`] | the commands, one file each |
//! | 4 | [`serve`], [`scada`], [`control`], [`commission`], [`simulate`] | HTTP and page; Modbus TCP server; control socket; what a technician finds; simulated analyzers |
//! | 4 | [`report`], [`ship`] | what the record tells of a gas day or a month; the record, copied into a server of many sites |
//! | 3 | [`daemon`], [`view`] | the wiring; the JSON shape of what is known |
//! | 2 | [`modbus`], [`history`] | the two sides that touch the world: lines, and SQLite |
//! | 2 | [`replay`] | alarm settings tried on the record, by the very same core |
//! | 1 | [`config`], [`monitor`] | site file to checked site; the pure core |
//! | 0 | [`moment`], [`names`], [`period`], [`units`], [`signal`], [`alarm`], [`calibration`], [`proving`] | time and calendar; names that were misspelt; units of the trade; decode, scale, quality; the alarm life cycle; calibrations and sensors; what is proven of an analyzer |
//!
//! A room imports only from floors below its own; `tests/tidy.rs` holds that.

pub mod alarm;
pub mod calibration;
pub mod cli;
pub mod commission;
pub mod config;
pub mod control;
pub mod daemon;
pub mod history;
pub mod modbus;
pub mod moment;
pub mod monitor;
pub mod names;
pub mod period;
pub mod proving;
pub mod replay;
pub mod report;
pub mod scada;
pub mod serve;
pub mod ship;
pub mod signal;
pub mod simulate;
pub mod units;
pub mod view;
