//! What the faces cost, and whether anybody who reads disturbs the polling: a whole daemon of 48 signals on
//! simulated Modbus TCP devices, next to other people's servers, in the same run.
//!
//! `cargo bench --bench faces` prints every table; `-- idle`, `-- status`, `-- streams` and `-- masters`
//! print one.
//! `SISKIN_BENCH_SECONDS` sets how long each row is measured. The daemon is pinned to one core where `taskset`
//! is there. Figures only: nothing here passes or fails by a time.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, clippy::as_conversions)]
#![allow(clippy::cast_precision_loss)]

mod building;
mod devices;
mod idle;
mod masters;
mod others;
#[path = "../process.rs"]
mod process;
mod status;
mod streams;
#[path = "../line/table.rs"]
mod table;

use std::env;
use std::time::Duration;

fn main() {
    process::allow_many_files();
    // cargo passes `--bench`.
    let part = env::args().skip(1).find(|argument| !argument.starts_with("--"));
    let seconds = env::var("SISKIN_BENCH_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(10);
    let per_row = Duration::from_secs(seconds);
    match part.as_deref() {
        None => {
            idle::measure(per_row);
            status::measure(per_row);
            streams::measure(per_row);
            masters::measure(per_row);
        }
        Some("idle") => idle::measure(per_row),
        Some("status") => status::measure(per_row),
        Some("streams") => streams::measure(per_row),
        Some("masters") => masters::measure(per_row),
        Some(devices::DEVICES) => devices::serve(),
        Some(others::HELLO) => others::hello(),
        Some(others::MODBUS) => others::modbus(),
        Some(other) => println!("no part is called {other}: idle, status, streams, masters"),
    }
}
