//! The line a technician means: by its name in the site file, or by its port alone.
//!
//! A port that a line of the site file leads to is that line, however it is called: a running daemon
//! must lend it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::cli::site_file::{self, Files};
use crate::cli::{CliError, Common};
use crate::commission::format::Format;
use crate::config::{self, Framing, LineSpec, Parity, Port, SerialSettings, Site};

/// Below the help of the commands that ask devices.
pub const CAUTION: &str = "Only functions that read are used; nothing is written to any device. A running daemon lends \
    the line: its signals are not measured meanwhile. A line with another master on it must not be asked. \
    siskin is not a safety system; work at an analyzer follows its maker's manual, local codes and licensed \
    practice.";

/// Modbus over Serial Line V1.02: 19200 (section 3.2) and even parity (section 2.5.1) are the defaults.
const SETTINGS_DEFAULT: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };
/// As the site file has them when it does not say.
const TIMEOUT_SERIAL: Duration = Duration::from_millis(500);
const TIMEOUT_TCP: Duration = Duration::from_secs(1);
/// The port of Modbus TCP (Messaging on TCP/IP Implementation Guide V1.0b, section 4.3.1.1).
const MODBUS_TCP_PORT: &str = ":502";

/// How a line is reached, where the site file does not say or is to be overruled.
#[derive(Debug, Clone, clap::Args)]
pub struct Ways {
    /// How long to wait for an answer [default: as the site file has it, else 500ms, or 1s over TCP]
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub timeout: Option<Duration>,
    /// What travels on a TCP connection [default: as the site file has it, else tcp on port 502 and rtu
    /// on any other]
    #[arg(long, value_name = "rtu|tcp", value_parser = framing)]
    pub framing: Option<Framing>,
    /// Your name, for the record, when several people use one account
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
}

/// One speed and one character format.
#[derive(Debug, Clone, clap::Args)]
pub struct Character {
    /// Speed in bits per second [default: as the site file has it, else 19200]
    #[arg(long, value_name = "SPEED", value_parser = baud)]
    pub baud: Option<u32>,
    /// Character format, such as 8E1 or 8N1 [default: as the site file has it, else 8E1]
    #[arg(long, value_name = "FORMAT", value_parser = format)]
    pub format: Option<Format>,
}

/// A line, and what the site file knows of it.
#[derive(Debug)]
pub struct Chosen {
    /// How it is reached.
    pub spec: LineSpec,
    /// Its place in the site file, when it stands there.
    pub index: Option<usize>,
    /// The site file, when it can be read.
    pub site: Option<Site>,
}

impl Chosen {
    /// The line called `name`, or that of this port: `/dev/ttyUSB0`, or `host:port`.
    ///
    /// # Errors
    /// [`CliError::BadInput`] when no line is called so.
    pub fn line(name: &str, ways: &Ways, common: &Common) -> Result<Chosen, CliError> {
        let is_path = name.starts_with('/');
        let is_port = is_path || name.contains(':');
        let site = if is_port {
            config::load(common.config(), &Files).ok()
        } else {
            Some(site_file::load(common.config())?)
        };
        let lines = site.as_ref().map_or(&[][..], |site| &site.lines);
        let index = lines.iter().position(|line| line.id == name || leads_to(line, name));
        let mut spec = match index.and_then(|index| lines.get(index)) {
            Some(line) => line.clone(),
            None if is_port => by_port(name, is_path),
            None => return Err(unknown(name, lines)),
        };
        ways.apply(&mut spec)?;
        Ok(Chosen { spec, index, site })
    }

    /// Its id in the site file.
    pub fn id(&self) -> Option<&str> {
        self.index.map(|_| self.spec.id.as_str())
    }

    /// Its serial settings, where it has any.
    pub fn settings(&self) -> Option<SerialSettings> {
        settings(&self.spec.port)
    }

    /// Whether an answer that comes too late is heard: where transactions are numbered it is not, since any
    /// fault costs the connection.
    pub fn hears_late_answers(&self) -> bool {
        !matches!(self.spec.port, Port::Tcp { framing: Framing::Tcp, .. })
    }

    /// The same line under these settings.
    pub fn under(&self, settings: Option<SerialSettings>) -> LineSpec {
        let mut spec = self.spec.clone();
        if let (Port::Serial { settings: present, .. }, Some(settings)) = (&mut spec.port, settings) {
            *present = settings;
        }
        spec
    }
}

impl Ways {
    fn apply(&self, spec: &mut LineSpec) -> Result<(), CliError> {
        if let Some(timeout) = self.timeout {
            spec.response_timeout = timeout;
        }
        match (&mut spec.port, self.framing) {
            (_, None) => {}
            (Port::Tcp { framing, .. }, Some(wanted)) => *framing = wanted,
            (Port::Serial { .. }, Some(_)) => {
                let told = "`--framing` is for TCP; a serial port always carries RTU frames";
                return Err(CliError::BadInput(told.to_owned()));
            }
        }
        Ok(())
    }
}

impl Character {
    /// Puts it in force.
    ///
    /// # Errors
    /// [`CliError::BadInput`] over TCP: a device server has its own settings.
    pub fn apply(&self, spec: &mut LineSpec) -> Result<(), CliError> {
        match &mut spec.port {
            Port::Serial { settings, .. } => {
                let format = self.format.unwrap_or(Format::of(settings));
                *settings = format.at(self.baud.unwrap_or(settings.baud));
                Ok(())
            }
            Port::Tcp { .. } if self.baud.is_some() || self.format.is_some() => Err(over_tcp()),
            Port::Tcp { .. } => Ok(()),
        }
    }
}

/// Why speed and format cannot be chosen over TCP.
pub fn over_tcp() -> CliError {
    let told = "speed and format belong to a serial port; behind a TCP address the device server has its own";
    CliError::BadInput(told.to_owned())
}

/// The serial settings of a port, where it has any of its own.
pub fn settings(port: &Port) -> Option<SerialSettings> {
    match port {
        Port::Serial { settings, .. } => Some(*settings),
        Port::Tcp { .. } => None,
    }
}

/// How a line is reached, in words: `/dev/ttyUSB0 at 9600 8N1`.
pub fn port_text(port: &Port) -> String {
    match port {
        Port::Serial { path, settings, .. } => {
            format!("{} at {}", path.display(), crate::commission::format::settings_text(settings))
        }
        Port::Tcp { address, framing: Framing::Rtu, .. } => format!("{address}, RTU frames"),
        Port::Tcp { address, framing: Framing::Tcp, .. } => format!("{address}, Modbus TCP"),
    }
}

fn leads_to(line: &LineSpec, name: &str) -> bool {
    match &line.port {
        Port::Serial { path, .. } => same_file(path, Path::new(name)),
        Port::Tcp { address, .. } => address == name,
    }
}

/// An adapter has several names: those that last lead to the one that does not.
fn same_file(one: &Path, other: &Path) -> bool {
    one == other || matches!((one.canonicalize(), other.canonicalize()), (Ok(one), Ok(other)) if one == other)
}

fn by_port(name: &str, is_path: bool) -> LineSpec {
    let (port, response_timeout) = if is_path {
        (Port::Serial { path: PathBuf::from(name), settings: SETTINGS_DEFAULT, rs485: None }, TIMEOUT_SERIAL)
    } else {
        let framing = if name.ends_with(MODBUS_TCP_PORT) { Framing::Tcp } else { Framing::Rtu };
        (Port::Tcp { address: name.to_owned(), framing, settings: None }, TIMEOUT_TCP)
    };
    let silence_max = response_timeout;
    LineSpec { id: name.to_owned(), port, response_timeout, retries: 0, silence_max }
}

fn unknown(name: &str, lines: &[LineSpec]) -> CliError {
    let known: Vec<&str> = lines.iter().map(|line| line.id.as_str()).collect();
    CliError::BadInput(format!(
        "there is no line {name:?} in the site file; its lines are {}. A port is named as /dev/ttyUSB0 or \
         192.0.2.10:4001",
        known.join(", ")
    ))
}

/// A time from a millisecond on.
pub fn time(text: &str) -> Result<Duration, String> {
    let time = config::duration(text).filter(|time| !time.is_zero());
    time.ok_or_else(|| "a whole number and one of the units ms, s, m and h, such as 300ms".to_owned())
}

/// A speed that a serial port may have.
pub fn baud(text: &str) -> Result<u32, String> {
    let baud = text.parse().ok().filter(|baud| (300..=4_000_000).contains(baud));
    baud.ok_or_else(|| "a speed in bits per second, from 300 on, such as 9600".to_owned())
}

/// A character format.
pub fn format(text: &str) -> Result<Format, String> {
    Format::from_word(text).ok_or_else(|| {
        let words: Vec<String> = Format::ALL.into_iter().map(Format::word).collect();
        format!("eight data bits, parity and stop bits: one of {}", words.join(", "))
    })
}

fn framing(text: &str) -> Result<Framing, String> {
    match text {
        "rtu" => Ok(Framing::Rtu),
        "tcp" => Ok(Framing::Tcp),
        _ => Err("rtu for a serial device server, tcp for Modbus TCP".to_owned()),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const WAYS: Ways = Ways { timeout: None, framing: None, name: None };

    const SITE: &str = "[site]\nid = \"a\"\n[[line]]\nid = \"east\"\nserial = \"/dev/null\"\nbaud = 9600\n\
                        [[line]]\nid = \"annex\"\ntcp = \"192.0.2.10:4001\"\nframing = \"rtu\"\n\
                        [[device]]\nid = \"d\"\nline = \"east\"\nunit_id = 1\n\
                        [[device.signal]]\nid = \"on\"\nreference = 10001\n";

    fn common(directory: &Path) -> Common {
        let site = directory.join("site.toml");
        std::fs::write(&site, SITE).unwrap();
        Common { config: Some(site), data: Some(directory.to_owned()), json: false }
    }

    #[test]
    fn a_line_is_found_by_its_name_and_by_any_name_of_its_port() {
        let directory = tempfile::tempdir().unwrap();
        let common = common(directory.path());
        let link = directory.path().join("by-id");
        std::os::unix::fs::symlink("/dev/null", &link).unwrap();
        for name in ["east", "/dev/null", link.to_str().unwrap()] {
            let chosen = Chosen::line(name, &WAYS, &common).unwrap();
            assert_eq!((chosen.id(), chosen.settings().unwrap().baud), (Some("east"), 9600), "{name}");
        }
        assert_eq!(Chosen::line("192.0.2.10:4001", &WAYS, &common).unwrap().id(), Some("annex"));
    }

    #[test]
    fn a_port_that_no_line_leads_to_has_the_standards_settings() {
        let directory = tempfile::tempdir().unwrap();
        let common = common(directory.path());
        let chosen = Chosen::line("/dev/no-such-port", &WAYS, &common).unwrap();
        assert_eq!(port_text(&chosen.spec.port), "/dev/no-such-port at 19200 8E1");
        assert_eq!(chosen.id(), None);
        let framing = |name| match Chosen::line(name, &WAYS, &common).unwrap().spec.port {
            Port::Tcp { framing, .. } => framing,
            Port::Serial { .. } => panic!("{name}"),
        };
        assert_eq!((framing("192.0.2.9:502"), framing("192.0.2.9:4001")), (Framing::Tcp, Framing::Rtu));
    }

    #[test]
    fn what_cannot_be_is_told_with_what_can() {
        let directory = tempfile::tempdir().unwrap();
        let common = common(directory.path());
        let told = Chosen::line("eats", &WAYS, &common).unwrap_err().to_string();
        assert!(told.contains("its lines are east, annex"), "{told}");
        let framing = Ways { framing: Some(Framing::Rtu), ..WAYS };
        assert!(matches!(Chosen::line("east", &framing, &common), Err(CliError::BadInput(_))));
        let mut annex = Chosen::line("annex", &WAYS, &common).unwrap().spec;
        let character = Character { baud: Some(9600), format: None };
        assert!(matches!(character.apply(&mut annex), Err(CliError::BadInput(_))));
        assert!(format("7E1").unwrap_err().contains("8N1") && baud("0").is_err() && time("0s").is_err());
    }
}
