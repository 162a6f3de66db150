//! What a line gets out of its wire, and whether what it tells is true: next to other people's
//! software, on the same simulated wire, in the same run.
//!
//! `cargo bench --bench line` prints every table; `-- wire`, `-- shared`, `-- certainty` and
//! `-- fleet` print one. `SISKIN_BENCH_SECONDS` sets how long each row is measured,
//! `SISKIN_BENCH_READS` how often [`certainty`] asks. Figures only: nothing here passes or fails
//! by a time.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, clippy::as_conversions)]
#![allow(clippy::cast_precision_loss)]

mod asker;
mod awake;
mod certainty;
mod fleet;
mod plan;
#[path = "../process.rs"]
mod process;
mod shared;
mod table;
mod wire;

use std::env;
use std::time::Duration;

fn main() {
    // cargo passes `--bench`.
    let part = env::args().skip(1).find(|argument| !argument.starts_with("--"));
    let (seconds, reads) = (number("SISKIN_BENCH_SECONDS", 10), number("SISKIN_BENCH_READS", 1_000_000));
    let per_row = Duration::from_secs(seconds);
    match part.as_deref() {
        None => {
            wire::measure(per_row);
            shared::measure(per_row);
            certainty::measure(reads);
            fleet::measure(per_row);
        }
        Some("wire") => wire::measure(per_row),
        Some("shared") => shared::measure(per_row),
        Some("certainty") => certainty::measure(reads),
        Some("fleet") => fleet::measure(per_row),
        Some(fleet::DEVICES) => fleet::serve(),
        Some(other) => println!("no part is called {other}: wire, shared, certainty, fleet"),
    }
}

fn number(variable: &str, default: u64) -> u64 {
    env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}
