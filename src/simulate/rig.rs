//! A small site for the tests of this folder: one serial line, one device server, one Modbus TCP device.

#![expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]

use std::io;
use std::path::Path;

use crate::config::{self, Site, Sources};

const TEXT: &str = r#"
[site]
id = "rig"
name = "Rig"
time_zone = "UTC"
gas_day_start = "09:00"

[[line]]
id = "serial"
serial = "/dev/null"
baud = 115200
parity = "none"
stop_bits = 1

[[line]]
id = "server"
tcp = "192.0.2.1:4001"
framing = "rtu"

[[line]]
id = "socket"
tcp = "192.0.2.2:502"
framing = "tcp"

[[device]]
id = "a"
name = "A"
line = "serial"
unit_id = 2
poll_every = "1s"
signal = [
  { id = "gas", table = "input", address = 0, type = "f32", unit = "ppmv", range = [0.0, 20.0], valid_when = [
    { signal = "flow", above = 0.5 },
    { signal = "state", is = "measuring" },
    { signal = "calibrating", is = false },
  ] },
  { id = "flow", table = "input", address = 2, type = "f32", unit = "L/min", range = [0.0, 5.0] },
  { id = "state", table = "input", address = 4, type = "u16", states = { 0 = "starting", 1 = "measuring" } },
  { id = "calibrating", table = "discrete", address = 3, type = "bool" },
]

[[device]]
id = "b"
name = "B"
line = "server"
unit_id = 2
poll_every = "1s"
signal = [
  { id = "loop", table = "holding", address = 0, type = "u16", unit = "ppmv", range = [0.0, 20.0], current = { raw = [0, 24000], milliamps = [0.0, 24.0] }, scale = { from = [4.0, 20.0], to = [0.0, 20.0] } },
]

[[device]]
id = "c"
name = "C"
line = "socket"
unit_id = 3
poll_every = "1s"
signal = [{ id = "count", table = "holding", address = 0, type = "u16" }]

[[alarm]]
id = "gas-high"
name = "Gas high"
signal = "a.gas"
kind = "high"
setpoint = 4.0
deadband = 0.2
"#;

struct Rig;

impl Sources for Rig {
    fn read(&self, _path: &Path) -> io::Result<String> {
        Ok(TEXT.to_owned())
    }
}

/// The checked site.
pub(super) fn site() -> Site {
    config::load(Path::new("rig.toml"), &Rig).map_err(|problems| problems.to_string()).unwrap()
}
