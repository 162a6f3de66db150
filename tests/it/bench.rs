//! The smallest site that says something: one analyzer with one H2S reading and a high alarm on it.

use siskin::config::{Framing, Port};

use crate::home::{Daemon, by_id};
use crate::scripted_slave::Slave;

/// The analyzer's unit, and the input register that holds tenths of a ppmv.
const UNIT: u8 = 1;
const ADDRESS: u16 = 7;

/// Below and above the alarm's setpoint of 4.0 ppmv.
pub const CLEAN: u16 = 12;
pub const SOUR: u16 = 57;

/// The line on which the slave answers, as the site file has it.
pub fn line(id: &str, slave: &Slave) -> String {
    let port = match &slave.port {
        Port::Serial { path, settings, .. } => format!("serial = {path:?}\nbaud = {}\n", settings.baud),
        Port::Tcp { address, framing, .. } => {
            let framing = if *framing == Framing::Rtu { "rtu" } else { "tcp" };
            format!("tcp = \"{address}\"\nframing = \"{framing}\"\n")
        }
    };
    format!("[[line]]\nid = \"{id}\"\nresponse_timeout = \"100ms\"\nretries = 0\n{port}\n")
}

/// An analyzer on a line.
pub fn analyzer(id: &str, line: &str) -> String {
    format!(
        r#"
[[device]]
id = "{id}"
line = "{line}"
unit_id = {UNIT}
poll_every = "100ms"

[[device.signal]]
id = "concentration"
table = "input"
address = {ADDRESS}
type = "u16"
scale = {{ from = [0, 10], to = [0, 1] }}
unit = "ppmv"
"#
    )
}

/// The alarm on the analyzer `h2s`, without delays.
pub const ALARM: &str = r#"
[[alarm]]
id = "h2s-high"
name = "H2S above contract limit"
signal = "h2s.concentration"
kind = "high"
setpoint = 4.0
deadband = 0.2
on_delay = "0s"
off_delay = "0s"
priority = "high"
consequence = "Gas out of contract reaches the line."
action = "Confirm with a stain tube."
"#;

/// One line, one analyzer, one alarm.
pub fn site(slave: &Slave) -> String {
    line("bench", slave) + &analyzer("h2s", "bench") + ALARM
}

/// Has the analyzer read this from now on.
pub fn set(slave: &Slave, tenths_of_ppmv: u16) {
    slave.set_input(UNIT, ADDRESS, tenths_of_ppmv);
}

/// Waits until the alarm is in one of these states, and tells in which.
pub fn wait_for_alarm(daemon: &Daemon, states: &[&str]) -> String {
    daemon.wait_for(&format!("the alarm to be {states:?}"), |status| {
        let state = by_id(&status["alarms"], "h2s-high")["state"].as_str()?;
        states.contains(&state).then(|| state.to_owned())
    })
}
