//! The integration tests: one binary, so that siskin is linked once for all of them.
//!
//! Each module proves one thing about the whole program, or about rooms that only mean something
//! together. To add one: write `tests/it/NAME.rs`, opening with a `//!` line that says what it
//! proves, and name it below. What a test needs beside siskin it must be able to do without: it
//! calls [`skip`] with the reason, which `tests/run` turns into a failure.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::as_conversions, clippy::print_stderr)]

mod backup;
mod bad_lines;
mod bench;
mod calibrated;
mod commands;
mod commands_on_alarms;
mod commissioned;
mod deploy;
mod every_type;
mod evidence;
mod exit_codes;
mod faces;
mod function_check;
mod gas_days;
mod home;
mod interrupted;
mod killed;
mod lent_lines;
mod loop_checked;
mod machine;
mod never_a_false_normal;
mod peer;
mod ports;
mod power_cuts;
mod record;
mod record_at_start;
mod record_full_disk;
mod record_samples;
mod reloading;
mod replayed;
mod reported;
mod scada;
mod scripted_slave;
mod secured;
mod sensor_changed;
mod shipped;
mod simulated_building;
mod simulated_devices;
mod site_files;
mod site_schema;
mod skip;
mod stopped;
mod technician;
mod wrong_answers;
