//! Lines: each reached in exactly one way, no port used twice.

use std::path::PathBuf;
use std::time::Duration;

use super::report_duplicates;
use crate::config::problem::Problem;
use crate::config::raw::{self, At, Field, Line, Root, Shape};
use crate::config::{Framing, LineSpec, Parity, Port, Rs485, SerialSettings};

/// Modbus over Serial Line V1.02, section 3.2: 19200 is the required default.
const BAUD_DEFAULT: u32 = 19_200;
/// The same section: even parity is the default.
const PARITY_DEFAULT: Parity = Parity::Even;
/// What most devices send; the standard's second stop bit without parity must be asked for.
const STOP_BITS_DEFAULT: u8 = 1;

const RESPONSE_TIMEOUT_SERIAL: Duration = Duration::from_millis(500);
const RESPONSE_TIMEOUT_TCP: Duration = Duration::from_secs(1);

/// Every line of the file, in its order.
pub(super) fn lines(root: &Root, problems: &mut Vec<Problem>) -> Vec<Option<LineSpec>> {
    let lines = root.line.items();
    report_duplicates("lines", lines.iter().map(|line| &line.value.id), problems);
    report_ports_used_twice(lines, problems);
    lines.iter().map(|line| self::line(&line.value, problems)).collect()
}

fn line(line: &Line, problems: &mut Vec<Problem>) -> Option<LineSpec> {
    let port = port(line, problems);
    let response_timeout = match (&line.response_timeout, &port) {
        (Field::Broken, _) => None,
        (given, Some(Port::Tcp { .. })) => Some(given.get().map_or(RESPONSE_TIMEOUT_TCP, |given| given.0)),
        (given, Some(Port::Serial { .. }) | None) => {
            Some(given.get().map_or(RESPONSE_TIMEOUT_SERIAL, |given| given.0))
        }
    };
    Some(LineSpec {
        id: line.id.get()?.0.clone(),
        port: port?,
        response_timeout: response_timeout?,
        retries: line.retries.get()?.0,
        silence_max: line.silence_max.get()?.0,
    })
}

fn port(line: &Line, problems: &mut Vec<Problem>) -> Option<Port> {
    match (line.serial.is_there(), line.tcp.is_there()) {
        (true, false) => serial_port(line, problems),
        (false, true) => tcp_port(line, problems),
        (true, true) => {
            let label = "the line is reached through `serial` or through `tcp`";
            problems.push(
                Problem::new(line.tcp.span_or(line.span), "two ways to reach one line", label)
                    .also(line.serial.span_or(line.span), "the other way"),
            );
            None
        }
        (false, false) => {
            problems.push(
                Problem::new(
                    line.span,
                    "missing key `serial` or `tcp`",
                    "the line is not reached in any way",
                )
                .help("for example `serial = \"/dev/ttyUSB0\"` or `tcp = \"192.0.2.10:4001\"`"),
            );
            None
        }
    }
}

fn serial_port(line: &Line, problems: &mut Vec<Problem>) -> Option<Port> {
    if let Some(framing) = line.framing.given() {
        problems.push(
            Problem::new(framing.span, "`framing` is for `tcp`", "a serial port always carries RTU frames")
                .help("remove it"),
        );
    }
    let path = PathBuf::from(&line.serial.get()?.0);
    Some(Port::Serial { path, settings: serial_settings(line)?, rs485: line.rs485.make(rs485)? })
}

fn rs485(At { value: mode, .. }: &At<raw::Rs485>) -> Option<Rs485> {
    Some(Rs485 {
        rts_on_send: *mode.rts_on_send.get()?,
        rts_after_send: *mode.rts_after_send.get()?,
        delay_before: mode.delay_before.get()?.0,
        delay_after: mode.delay_after.get()?.0,
    })
}

fn tcp_port(line: &Line, problems: &mut Vec<Problem>) -> Option<Port> {
    let told = [line.baud.is_there(), line.parity.is_there(), line.stop_bits.is_there()].contains(&true);
    if !line.framing.is_there() {
        problems.push(
            Problem::new(line.span, "missing key `framing`", "a line over TCP must say what travels on it")
                .help("\"rtu\" for a serial device server, \"tcp\" for Modbus TCP"),
        );
    }
    if let Some(rs485) = line.rs485.given() {
        problems.push(
            Problem::new(rs485.span, "`rs485` is for `serial`", "a serial device server switches by itself")
                .help("remove it"),
        );
    }
    let framing = *line.framing.get()?;
    if framing == Framing::Tcp && told {
        report_serial_settings_of_modbus_tcp(line, problems);
    }
    let settings = if told { Some(serial_settings(line)?) } else { None };
    Some(Port::Tcp { address: line.tcp.get()?.0.clone(), framing, settings })
}

fn report_serial_settings_of_modbus_tcp(line: &Line, problems: &mut Vec<Problem>) {
    let given = [
        ("baud", line.baud.given().map(|at| at.span)),
        ("parity", line.parity.given().map(|at| at.span)),
        ("stop_bits", line.stop_bits.given().map(|at| at.span)),
    ];
    for (key, span) in given {
        if let Some(span) = span {
            let title = format!("`{key}` is for RTU frames");
            problems.push(
                Problem::new(span, title, "Modbus TCP has no such thing")
                    .help("remove it, or say `framing = \"rtu\"` if this is a serial device server"),
            );
        }
    }
}

fn serial_settings(line: &Line) -> Option<SerialSettings> {
    Some(SerialSettings {
        baud: value_or(&line.baud, BAUD_DEFAULT, |baud| baud.0)?,
        parity: value_or(&line.parity, PARITY_DEFAULT, |parity| *parity)?,
        stop_bits: value_or(&line.stop_bits, STOP_BITS_DEFAULT, |bits| bits.0)?,
    })
}

/// The given value, or `default` when there is none; `None` when it is broken.
fn value_or<S: Shape, T>(field: &Field<S>, default: T, value: impl Fn(&S) -> T) -> Option<T> {
    match field {
        Field::Broken => None,
        Field::Absent => Some(default),
        Field::Default(given) | Field::Given(At { value: given, .. }) => Some(value(given)),
    }
}

/// Two lines on one wire would talk into each other.
fn report_ports_used_twice(lines: &[At<Line>], problems: &mut Vec<Problem>) {
    let mut seen: Vec<At<&str>> = Vec::new();
    for At { value: line, .. } in lines {
        let serial = line.serial.given().map(|at| At { value: at.value.0.as_str(), span: at.span });
        let tcp = line.tcp.given().map(|at| At { value: at.value.0.as_str(), span: at.span });
        let server = tcp.filter(|_| line.framing.get() == Some(&Framing::Rtu));
        let Some(port) = serial.or(server) else { continue };
        match seen.iter().find(|earlier| earlier.value == port.value) {
            Some(earlier) => problems.push(
                Problem::new(port.span, "one port for two lines", "already used by another line")
                    .also(earlier.span, "used here")
                    .help("put all devices of this wire on one line"),
            ),
            None => seen.push(port),
        }
    }
}
