//! How much of what the wire can carry is used, and whether the silence between frames is kept.
//!
//! The wire is a pseudo-terminal with a device behind it that takes the time its characters would
//! take and ignores a question that begins before 3.5 characters of silence have passed, as the
//! standard lets it (*MODBUS over Serial Line V1.02*, section 2.5.1.1).

use std::time::{Duration, Instant};

use siskin::modbus::timing::Timing;
use siskin::signal::Table;
use siskin::simulate::{Bus, BusPort, Device, Line, Pace};

use crate::asker::{ASKERS, REGISTERS};
use crate::awake::Awake;
use crate::plan::settings;
use crate::table;

/// Prints reads per second for each speed and each asker.
pub fn measure(per_row: Duration) {
    let _awake = Awake::keep();
    let mut rows = Vec::new();
    for baud in [9_600, 19_200, 115_200] {
        let timing = Timing::serial(settings(baud));
        let least = timing.transaction(Table::Holding, REGISTERS, timing.t3_5());
        for (name, ask) in ASKERS {
            let bus = bus(baud);
            let BusPort::Serial(path) = bus.port() else { continue };
            let mut row = vec![format!("{baud}"), (*name).to_owned()];
            match ask(path, baud, per_row) {
                Ok(asked) => {
                    let per_second = asked.good as f64 / asked.took.as_secs_f64();
                    let share = per_second * least.as_secs_f64();
                    let short_gaps = bus.counts().short_gaps;
                    row.extend([format!("{per_second:.1}"), format!("{share:.3}")]);
                    row.extend([asked.failed.to_string(), short_gaps.to_string()]);
                }
                Err(why) => row.push(format!("left out: {why}")),
            }
            rows.push(row);
        }
    }
    let head = ["baud", "asker", "reads/s", "achieved / limit", "failed", "gaps too short"];
    let title = format!(
        "Reads of {REGISTERS} registers, 8N1, from a device that answers after 3.5 characters and insists on \
         the silence; {} s each",
        per_row.as_secs()
    );
    table::print(&title, &head, &rows);
}

fn bus(baud: u32) -> Bus {
    let device = Device::new(1).with(Table::Holding, 0, &[7; REGISTERS as usize]);
    Bus::on_pty(Line::new(vec![device], 1), Pace::of(baud, 10), Instant::now()).unwrap()
}
