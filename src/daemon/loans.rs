//! Lending a line to somebody who works on it: who may be asked for which line.
//!
//! The line itself decides and closes its port ([`crate::modbus::LoanAsked`]); its report tells the
//! monitor, and so the journal.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};

use crate::daemon::Handle;
use crate::modbus::{Lent, LoanAsked};
use crate::monitor::{Loan, Who};
use crate::signal::LineIndex;

/// So many may wait for one line's word.
pub(super) const LOANS_WAITING_MAX: usize = 4;

/// The lines that can be asked for.
#[derive(Clone, Default)]
pub(super) struct Lenders(Arc<Mutex<BTreeMap<LineIndex, mpsc::Sender<LoanAsked>>>>);

/// Why a line is not lent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LendError {
    /// There is no such line.
    #[error("there is no line {line:?}; the lines are {}", .known.join(", "))]
    UnknownLine {
        /// As it was asked for.
        line: String,
        /// All there are.
        known: Vec<String>,
    },
    /// Somebody has it.
    #[error("line {line} is lent to {} until {}", .loan.who, .loan.until.wall)]
    Taken {
        /// Which line.
        line: String,
        /// Who has it.
        loan: Box<Loan>,
    },
    /// It does not work now.
    #[error("line {0} is being stopped or started anew; try again in a few seconds")]
    NotAtWork(String),
}

impl Lenders {
    /// From now on this line is asked for so.
    pub(super) fn set(&self, line: LineIndex, lender: mpsc::Sender<LoanAsked>) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(line, lender);
    }

    fn of(&self, line: LineIndex) -> Option<mpsc::Sender<LoanAsked>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(&line).cloned()
    }
}

impl Handle {
    /// Asks for the line of this id, for so long at most. Returns once its port is closed, with the time
    /// until which it is lent; what is returned must be dropped to give it back.
    ///
    /// # Errors
    /// [`LendError`].
    pub async fn lend(
        &self,
        line: &str,
        who: Who,
        remark: Option<String>,
        time: Duration,
    ) -> Result<(Loan, Lent), LendError> {
        let known: Vec<String> = self.snapshot().lines.iter().map(|line| line.id.clone()).collect();
        let Some(index) = known.iter().position(|id| id == line) else {
            return Err(LendError::UnknownLine { line: line.to_owned(), known });
        };
        let not_at_work = || LendError::NotAtWork(line.to_owned());
        let lender = self.lenders.of(LineIndex(index)).ok_or_else(not_at_work)?;
        let now = self.now();
        let loan = Loan { who, remark, until: now.at(now.mono + time) };
        let (answer, answered) = oneshot::channel();
        let asked = LoanAsked { loan: loan.clone(), answer };
        lender.try_send(asked).map_err(|_| not_at_work())?;
        match answered.await.map_err(|_| not_at_work())? {
            Ok(lent) => Ok((loan, lent)),
            Err(loan) => Err(LendError::Taken { line: line.to_owned(), loan: Box::new(loan) }),
        }
    }
}
