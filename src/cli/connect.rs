//! From a command to the running daemon: where its control socket is, and what its answers are.

use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde_json::value::RawValue;

use crate::cli::site_file::Files;
use crate::cli::terminal::aside;
use crate::cli::{CliError, Common};
use crate::config;
use crate::control::client::{Client, ClientError};
use crate::control::protocol::{FailureKind, Request};
use crate::history::{JOURNAL_FILE, JournalReader};
use crate::view::Status;

/// The name of the socket in the data directory when the site file cannot tell it.
const SOCKET_DEFAULT: &str = "control.sock";

/// A connection to the daemon that the site file and the data directory point to.
///
/// An operator need not be able to read the site file: without it the socket is looked for where it
/// is when the site file does not say.
pub fn to_daemon(common: &Common) -> Result<Connection, CliError> {
    Ok(connected(common)?)
}

/// The same; `None` when no daemon runs there.
pub fn to_daemon_if_running(common: &Common) -> Result<Option<Connection>, CliError> {
    match connected(common) {
        Ok(connection) => Ok(Some(connection)),
        Err(ClientError::NotRunning { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

fn connected(common: &Common) -> Result<Connection, ClientError> {
    let site = config::load(common.config(), &Files).ok();
    let socket = site.map_or_else(|| PathBuf::from(SOCKET_DEFAULT), |site| site.control.socket);
    let client = Client::connect(&common.data().join(socket))?;
    Ok(Connection { client })
}

/// An open connection to the daemon.
#[derive(Debug)]
pub struct Connection {
    client: Client,
}

impl Connection {
    /// The answer as it came.
    pub fn ask(&mut self, request: &Request) -> Result<Box<RawValue>, CliError> {
        Ok(self.client.ask(request)?)
    }

    /// Whether the daemon has closed it.
    pub fn is_closed(&self) -> bool {
        self.client.is_closed()
    }
}

/// Where what has happened can be asked for.
pub enum Source {
    /// The running daemon.
    Daemon(Connection),
    /// The journal's file, when none runs.
    File(JournalReader),
}

impl Source {
    /// The running daemon; when none can be reached and there is a journal, its file.
    pub fn of(common: &Common) -> Result<Source, CliError> {
        let error = match to_daemon(common) {
            Ok(connection) => return Ok(Source::Daemon(connection)),
            Err(error) => error,
        };
        let file = common.data().join(JOURNAL_FILE);
        if !file.exists() {
            return Err(error);
        }
        note_file(&error, &file);
        Ok(Source::File(JournalReader::new(common.data())))
    }

    /// The IANA name of the site's zone, as far as it can be known here.
    pub fn time_zone(&mut self, common: &Common) -> Result<String, CliError> {
        let of_file = || config::load(common.config(), &Files).ok()?.time_zone.iana_name().map(str::to_owned);
        match self {
            Source::Daemon(daemon) => {
                understood(&daemon.ask(&Request::Status {})?).map(|status: Status| status.site.time_zone)
            }
            Source::File(_) => Ok(of_file().unwrap_or_else(|| "UTC".to_owned())),
        }
    }
}

fn note_file(error: &CliError, file: &Path) {
    aside(&format!("siskin: {error}\nsiskin: read from {} instead", file.display()));
}

/// An answer as a type of [`crate::view`] or of the protocol.
pub fn understood<T: DeserializeOwned>(answer: &RawValue) -> Result<T, CliError> {
    serde_json::from_str(answer.get()).map_err(|error| {
        CliError::Unreachable(format!(
            "the daemon's answer cannot be understood: is it of another version than this command? {error}"
        ))
    })
}

impl From<ClientError> for CliError {
    fn from(error: ClientError) -> CliError {
        match &error {
            ClientError::Refused(failure) if failure.kind == FailureKind::BadRequest => {
                CliError::BadInput(error.to_string())
            }
            ClientError::NotRunning { .. }
            | ClientError::Forbidden { .. }
            | ClientError::Broken { .. }
            | ClientError::Unintelligible { .. }
            | ClientError::Refused(_) => CliError::Unreachable(error.to_string()),
        }
    }
}
