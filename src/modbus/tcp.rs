//! Asking on a Modbus TCP connection.
//!
//! The protocol library's client lives exactly as long as its connection, and both are dropped on
//! *any* fault: after a late answer the library would fail every later call. The next question
//! connects anew. Transactions are numbered over all connections of a line, from a number that no
//! other start is likely to have: some gateways hand a late answer to whoever is connected by then.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until};
use tokio_modbus::Slave;
use tokio_modbus::client::{Context, tcp};
use tokio_modbus::slave::SlaveContext;

use crate::modbus::ask::{self, Asked, Outcome};
use crate::modbus::channel::Handle;
use crate::modbus::frame::Question;
use crate::modbus::guard::Overheard;
use crate::modbus::mbap::Answers;
use crate::modbus::port;
use crate::modbus::timing::Timing;

/// A Modbus TCP connection, and how to make a new one.
pub(super) struct TcpLine {
    address: String,
    timing: Timing,
    response_timeout: Duration,
    link: Option<Link>,
    /// The number of the latest transaction.
    transaction: u16,
    /// When the latest transaction was over.
    over_at: Instant,
}

/// One connection with its client.
struct Link {
    client: Context,
    handle: Handle<Answers>,
}

impl TcpLine {
    /// A line over a connection just made to `address`.
    pub fn new(stream: TcpStream, address: String, timing: Timing, response_timeout: Duration) -> Self {
        let link = Some(Link::new(stream, timing));
        TcpLine {
            address,
            timing,
            response_timeout,
            link,
            transaction: any_number(),
            over_at: Instant::now(),
        }
    }

    /// From now on answers are waited for as long as this.
    pub fn set_response_timeout(&mut self, response_timeout: Duration) {
        self.response_timeout = response_timeout;
    }

    /// Puts the question, once nothing has been asked for as long as `quiet`, and waits for the answer.
    pub async fn ask(&mut self, question: Question, quiet: Duration) -> Asked {
        if !quiet.is_zero() {
            sleep_until(self.over_at + quiet).await;
        }
        let mut link = match self.linked().await {
            Ok(link) => link,
            Err(cause) => {
                let outcome = Outcome::Gone(cause);
                return Asked { outcome, overheard: Overheard::default(), response: None };
            }
        };
        self.transaction = self.transaction.wrapping_add(1);
        let asked = link.ask(self.transaction, question, self.response_timeout).await;
        self.over_at = Instant::now();
        if matches!(asked.outcome, Outcome::Answered(_) | Outcome::Exception(_)) {
            self.link = Some(link);
        }
        asked
    }

    /// The connection, unless the other side has closed it meanwhile; else a new one.
    async fn linked(&mut self) -> Result<Link, String> {
        if let Some(link) = self.link.take()
            && link.handle.drain().await == Ok(0)
        {
            return Ok(link);
        }
        let stream = port::connect(&self.address).await.map_err(|error| error.to_string())?;
        Ok(Link::new(stream, self.timing))
    }
}

impl Link {
    fn new(stream: TcpStream, timing: Timing) -> Self {
        let handle = Handle::new(stream, timing, Answers::default());
        Link { client: tcp::attach(handle.clone()), handle }
    }

    /// A fault of the connection is no answer: the connection is made anew for the next question,
    /// and only when that fails the line is down.
    async fn ask(&mut self, transaction: u16, question: Question, response_timeout: Duration) -> Asked {
        self.handle.channel().sieve.expect(transaction, question);
        self.client.set_slave(Slave(question.unit));
        let asked_at = Instant::now();
        let outcome = ask::call(&mut self.client, &question, || asked_at + response_timeout, || false).await;
        let mut channel = self.handle.channel();
        let overheard = channel.sieve.take_overheard();
        let outcome = if channel.gone.is_some() { Outcome::NoAnswer } else { outcome };
        let response = channel.answered_at.take().map(|at| at.saturating_duration_since(asked_at));
        Asked { outcome: outcome.given(&overheard), overheard, response }
    }
}

/// A number that differs from one start to the next.
fn any_number() -> u16 {
    let [low, high, ..] = RandomState::new().hash_one(0_u8).to_le_bytes();
    u16::from_le_bytes([low, high])
}
