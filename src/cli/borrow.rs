//! A line for the while: lent by the running daemon, or free because none runs.
//!
//! The loan hangs on the connection to the daemon: however the command ends, the line goes back.

use std::time::Duration;

use crate::cli::connect::{Connection, to_daemon_if_running, understood};
use crate::cli::target::{Chosen, Ways};
use crate::cli::{CliError, Common};
use crate::control::protocol::{LOAN_MAX, LendRequest, LineLent, Request};

/// A line that may be asked. Dropping it gives it back.
#[derive(Debug)]
pub struct Borrowed {
    lent: Option<Connection>,
}

impl Borrowed {
    /// Borrows the line for at most `time`, for this purpose; where no daemon has it, it is free.
    ///
    /// # Errors
    /// When the daemon does not lend it, or may not be asked.
    pub fn line(
        chosen: &Chosen,
        time: Duration,
        purpose: &str,
        ways: &Ways,
        common: &Common,
    ) -> Result<Borrowed, CliError> {
        let daemon = match chosen.id() {
            Some(_) => to_daemon_if_running(common)?,
            None => None,
        };
        let (Some(mut daemon), Some(line)) = (daemon, chosen.id()) else {
            return Ok(Borrowed { lent: None });
        };
        let request = LendRequest {
            line: line.to_owned(),
            // Whole seconds, upwards.
            for_s: time.min(LOAN_MAX).as_secs().saturating_add(1).min(LOAN_MAX.as_secs()),
            name: ways.name.clone(),
            remark: Some(purpose.to_owned()),
        };
        let _: LineLent = understood(&daemon.ask(&Request::LendLine(request))?)?;
        Ok(Borrowed { lent: Some(daemon) })
    }

    /// Whether a daemon lends it.
    pub fn is_lent(&self) -> bool {
        self.lent.is_some()
    }

    /// Whether the daemon has taken it back: the port must be left at once.
    pub fn is_over(&self) -> bool {
        self.lent.as_ref().is_some_and(Connection::is_closed)
    }
}

/// What is said when the daemon has taken the line back.
pub const OVER: &str =
    "the daemon has taken the line back: its time was over, or the daemon was stopped or reloaded";
