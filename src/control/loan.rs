//! A line lent to a connection: it comes back with the end of the connection, or when its time is over.

use std::future::pending;
use std::time::Duration;

use tokio::time::timeout;

use crate::control::answer::{json, unavailable};
use crate::control::protocol::{
    Answer, Failure, FailureKind, IDLE_MAX, LOAN_MAX, LendRequest, LineLent, LineReturned,
};
use crate::daemon::{Handle, LendError};
use crate::modbus::Lent;
use crate::monitor::Who;
use crate::view::Instant;

/// How long a line may take to finish the question at hand and close its port.
const CLOSING_MAX: Duration = Duration::from_secs(8);

/// The line that a connection holds, if it holds one.
#[derive(Debug, Default)]
pub(super) struct Held(Option<(String, Lent)>);

impl Held {
    /// Lends a line to this connection.
    pub(super) async fn lend(
        &mut self,
        wanted: LendRequest,
        user: &str,
        handle: &Handle,
    ) -> Result<Answer, Failure> {
        if let Some((line, _)) = &self.0 {
            let message = format!("line {line} is lent to this connection; return it first");
            return Err(Failure::bad_request(message));
        }
        let LendRequest { line, for_s, name, remark } = wanted;
        let who = Who { user: user.to_owned(), name };
        let lending = handle.lend(&line, who, remark, Duration::from_secs(for_s));
        let slow = || unavailable(format!("line {line} has not closed its port in {CLOSING_MAX:?}"));
        let (loan, lent) = timeout(CLOSING_MAX, lending).await.map_err(|_| slow())?.map_err(failure)?;
        self.0 = Some((line.clone(), lent));
        json(&LineLent { line, until: Instant::from(loan.until) })
    }

    /// Gives it back.
    pub(super) fn give_back(&mut self) -> Result<Answer, Failure> {
        match self.0.take() {
            Some((line, _)) => json(&LineReturned { line }),
            None => Err(Failure::bad_request("no line is lent to this connection".to_owned())),
        }
    }

    /// How long the connection may say nothing.
    pub(super) fn idle_max(&self) -> Duration {
        if self.0.is_some() { LOAN_MAX + IDLE_MAX } else { IDLE_MAX }
    }

    /// Waits until the line has been taken back; for ever, when none is held.
    pub(super) async fn over(&self) {
        match &self.0 {
            Some((_, lent)) => lent.over().await,
            None => pending().await,
        }
    }
}

fn failure(error: LendError) -> Failure {
    let kind = match error {
        LendError::UnknownLine { .. } => FailureKind::BadRequest,
        LendError::Taken { .. } => FailureKind::Lent,
        LendError::NotAtWork(_) => FailureKind::Unavailable,
    };
    Failure { kind, message: error.to_string() }
}
