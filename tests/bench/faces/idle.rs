//! What the daemon costs when nobody asks, and how soon after its start it has measured.

use std::time::Duration;

use crate::building::{Building, SIGNALS};
use crate::table::{self, percent};

const STARTS: usize = 5;
const MIB: f64 = 1024.0 * 1024.0;

/// Prints one row for each of some starts.
pub fn measure(per_row: Duration) {
    let rows: Vec<_> = (0..STARTS).map(|_| row(&Building::start(), per_row)).collect();
    let size = std::fs::metadata(env!("CARGO_BIN_EXE_siskin")).map_or(0, |program| program.len());
    let title = format!(
        "Nobody asks: {SIGNALS} signals at 1 Hz, {} s each; the program is {:.1} MiB",
        per_row.as_secs(),
        size as f64 / MIB
    );
    table::print(
        &title,
        &["start to the first value shown, ms", "resident, MiB", "processor, one core = 100 %"],
        &rows,
    );
}

fn row(building: &Building, per_row: Duration) -> Vec<String> {
    let before = building.processor();
    std::thread::sleep(per_row);
    let processor = (building.processor() - before) / per_row.as_secs_f64();
    vec![
        format!("{:.0}", building.first_value.as_secs_f64() * 1e3),
        format!("{:.1}", building.resident_mib()),
        percent(processor),
    ]
}
