//! Opening a serial port: exclusively, with its settings read back, and with an account of what
//! stands in the way that a person can act on.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use tokio_serial::{
    ClearBuffer, DataBits, ErrorKind, SerialPort, SerialPortBuilderExt, SerialStream, StopBits,
};

use crate::config::{Parity, Rs485, SerialSettings};
use crate::modbus::port::OpenError;
use crate::modbus::{adapter, rs485};

/// Opens the port for this program alone, with nothing left over in its buffers. With it comes what a
/// person should know of it: settings it did not take, what its adapter costs.
///
/// `path` is followed anew each time, so that a stable name leads to the adapter wherever it is
/// plugged in now.
///
/// # Errors
/// [`OpenError`], with who holds the port or which group it belongs to.
pub(super) fn open(
    path: &Path,
    settings: SerialSettings,
    mode: Option<Rs485>,
) -> Result<(SerialStream, Vec<String>), OpenError> {
    let port = tokio_serial::new(path.to_string_lossy(), settings.baud)
        .data_bits(DataBits::Eight)
        .parity(parity(settings.parity))
        .stop_bits(stop_bits(settings.stop_bits))
        .exclusive(true)
        .open_native_async()
        .map_err(|error| explain(path, &error))?;
    let mut hints = differences(&port, settings);
    hints.extend(mode.and_then(|mode| rs485::switch_on(&port, mode)));
    hints.extend(adapter::latency_hint(path, Path::new(adapter::TERMINALS)));
    if let Err(error) = port.clear(ClearBuffer::All) {
        hints.push(format!("what is left in the port's buffers cannot be dropped: {error}"));
    }
    Ok((port, hints))
}

fn parity(parity: Parity) -> tokio_serial::Parity {
    match parity {
        Parity::None => tokio_serial::Parity::None,
        Parity::Even => tokio_serial::Parity::Even,
        Parity::Odd => tokio_serial::Parity::Odd,
    }
}

fn stop_bits(count: u8) -> StopBits {
    if count == 2 { StopBits::Two } else { StopBits::One }
}

/// Some drivers take settings they cannot have without a word: what they say they have is read back.
fn differences(port: &SerialStream, settings: SerialSettings) -> Vec<String> {
    let mut found = Vec::new();
    let mut compare = |what: &str, wanted: String, has: Result<String, tokio_serial::Error>| match has {
        Ok(has) if has == wanted => {}
        Ok(has) => found.push(format!("the port does not take {what} {wanted}, it has {has}")),
        Err(error) => found.push(format!("the port does not tell its {what}: {error}")),
    };
    compare("speed", settings.baud.to_string(), port.baud_rate().map(|baud| baud.to_string()));
    compare("parity", parity(settings.parity).to_string(), port.parity().map(|it| it.to_string()));
    compare("data bits", DataBits::Eight.to_string(), port.data_bits().map(|it| it.to_string()));
    let wanted = stop_bits(settings.stop_bits).to_string();
    compare("stop bits", wanted, port.stop_bits().map(|it| it.to_string()));
    found
}

fn explain(path: &Path, error: &tokio_serial::Error) -> OpenError {
    let name = path.display().to_string();
    match error.kind {
        _ if !path.exists() => OpenError::Missing { path: name },
        ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => {
            OpenError::Forbidden { path: name, remedy: remedy(path) }
        }
        // So the serial library calls a port that another program has locked.
        ErrorKind::NoDevice => OpenError::Busy {
            path: name,
            holder: holder(path).unwrap_or_else(|| "another program".to_owned()),
        },
        ErrorKind::InvalidInput | ErrorKind::Unknown | ErrorKind::Io(_) => {
            OpenError::Serial { path: name, cause: error.to_string() }
        }
    }
}

/// The first program that has the port open, as far as this user may see: its name and process id.
fn holder(path: &Path) -> Option<String> {
    let device = fs::canonicalize(path).ok()?;
    let own = std::process::id();
    let processes = fs::read_dir("/proc").ok()?.flatten();
    processes
        .filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok())
        .filter(|process| *process != own)
        .find(|process| has_open(*process, &device))
        .map(named)
        .or_else(|| has_open(own, &device).then(|| "this program itself, on another line".to_owned()))
}

fn has_open(process: u32, device: &Path) -> bool {
    let Ok(files) = fs::read_dir(format!("/proc/{process}/fd")) else {
        return false;
    };
    files.flatten().any(|file| fs::read_link(file.path()).is_ok_and(|target| target == device))
}

fn named(process: u32) -> String {
    let name = fs::read_to_string(format!("/proc/{process}/comm")).unwrap_or_default();
    format!("{} (process {process})", name.trim())
}

/// What lets this user open the port.
fn remedy(path: &Path) -> String {
    let Ok(about) = fs::metadata(path) else {
        return "ask the administrator".to_owned();
    };
    match group_name(about.gid()) {
        Some(group) if about.mode() & 0o060 == 0o060 => {
            format!("it belongs to group {group}: make the user siskin runs as a member of it")
        }
        _ => format!(
            "its mode is {:03o}: give the user siskin runs as the right to read and write it",
            about.mode() & 0o777
        ),
    }
}

/// The name of a group, from the file that every system has (`group(5)`).
fn group_name(id: u32) -> Option<String> {
    let groups = fs::read_to_string("/etc/group").ok()?;
    let named = |line: &str| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(id)).then(|| name.to_owned())
    };
    groups.lines().find_map(named)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    const SETTINGS: SerialSettings = SerialSettings { baud: 9600, parity: Parity::None, stop_bits: 1 };

    #[tokio::test]
    async fn a_missing_port_is_said_to_be_missing() {
        let error = open(Path::new("/dev/no-such-port"), SETTINGS, None).unwrap_err();
        assert_eq!(error.to_string(), "/dev/no-such-port: no such port; is the adapter plugged in?");
    }

    #[tokio::test]
    async fn a_port_in_use_is_said_to_be_in_use_and_by_whom() {
        let (_master, slave) = SerialStream::pair().unwrap();
        let path = slave.name().unwrap();
        drop(slave);
        let _held = open(Path::new(&path), SETTINGS, None).unwrap();
        let error = open(Path::new(&path), SETTINGS, None).unwrap_err().to_string();
        assert!(error.contains("in use by this program itself"), "{error}");
    }

    #[tokio::test]
    async fn something_that_is_no_serial_port_is_refused_in_one_line() {
        let error = open(Path::new("/dev/null"), SETTINGS, None).unwrap_err().to_string();
        assert!(error.starts_with("/dev/null: cannot open the port: "), "{error}");
        assert!(error.ends_with("; is it a serial port?"), "{error}");
        assert!(!error.contains('\n'));
    }

    #[test]
    fn groups_are_named_as_the_system_names_them() {
        assert_eq!(group_name(0).as_deref(), Some("root"));
        assert_eq!(group_name(u32::MAX), None);
    }
}
