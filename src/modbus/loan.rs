//! A line lent to somebody who works on it.
//!
//! A line bears one master. Who wants to put questions of their own asks for the line: it closes its
//! port, says that nothing of its devices is known, and asks nothing until the line is given back or
//! its time is over. What it is still owed it does not leave to the borrower to hear. Then it opens the port again and goes on with all that it knows.

use std::time::Duration;

use tokio::sync::oneshot;
use tokio_util::sync::{CancellationToken, DropGuard};
use tracing::info;

use crate::modbus::device::Device;
use crate::modbus::line::{End, Line};
use crate::monitor::{LineState, Loan};

/// So long at most a line waits, before it is lent, until no late answer can come any more.
const OWED_WAIT_MAX: Duration = Duration::from_secs(4);
/// While a line is lent it looks after itself this often.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Somebody asks for a line.
#[derive(Debug)]
pub struct LoanAsked {
    /// Who, what for, and until when.
    pub loan: Loan,
    /// The line, once its port is closed; or who has it already.
    pub answer: oneshot::Sender<Result<Lent, Loan>>,
}

/// A lent line. Dropping this gives it back.
#[derive(Debug)]
pub struct Lent {
    over: CancellationToken,
    _given_back: DropGuard,
}

impl Lent {
    /// Waits until the line has been taken back: its time is over, or its daemon ends.
    pub async fn over(&self) {
        self.over.cancelled().await;
    }
}

impl Line {
    /// Lends the line, whose port is closed by now. Returns once it is back.
    pub(super) async fn lend(&mut self, asked: LoanAsked) -> Result<(), End> {
        let LoanAsked { loan, answer } = asked;
        let (over, given_back) = (CancellationToken::new(), CancellationToken::new());
        let _over = over.clone().drop_guard();
        info!("line {}: lent to {} until {}", self.plan.spec.id, loan.who, loan.until.wall);
        self.stop_asking(LineState::Lent(Box::new(loan.clone()))).await?;
        self.was_lent = true;
        let owed_until = self.devices.iter().filter_map(Device::owes_until).max();
        let owed = owed_until.map_or(Duration::ZERO, |until| until.since(self.now().mono));
        self.stay_down(owed.min(OWED_WAIT_MAX)).await?;
        let lent = Lent { over, _given_back: given_back.clone().drop_guard() };
        // Who no longer waits for it gives it back at once.
        let _ = answer.send(Ok(lent));
        self.stay_lent(&loan, &given_back).await
    }

    /// Waits for the line to come back; whoever asks for it meanwhile is told who has it.
    async fn stay_lent(&mut self, loan: &Loan, given_back: &CancellationToken) -> Result<(), End> {
        loop {
            let left = loan.until.mono.since(self.now().mono);
            if left.is_zero() || given_back.is_cancelled() {
                return Ok(());
            }
            while let Ok(other) = self.loans.try_recv() {
                let _ = other.answer.send(Err(loan.clone()));
            }
            tokio::select! {
                biased;
                () = given_back.cancelled() => {}
                stayed = self.stay_down(left.min(LOOK_EVERY)) => stayed?,
            }
        }
    }
}
