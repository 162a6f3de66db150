//! Asking on a line of RTU frames: one question at a time, on a line that is silent, to a protocol
//! library that sees nothing but the answer.
//!
//! A damaged frame leaves the library's client in disorder for good, so each question gets a new
//! one. Not here: whether a question may be put at all ([`owed`](super::owed)), and opening the
//! port ([`port`](super::port)).

use std::time::Duration;

use tokio::time::{Instant, timeout_at};
use tokio_modbus::Slave;
use tokio_modbus::client::{Context, rtu};

use crate::modbus::ask::{self, Asked, Outcome};
use crate::modbus::channel::{Handle, Sieve};
use crate::modbus::frame::Question;
use crate::modbus::guard::{Guard, Overheard};
use crate::modbus::pause::{Pause, RUNTIME_LATENESS};
use crate::modbus::port::Io;
use crate::modbus::timing::Timing;

/// A line that is not silent for so long is not asked.
const UNREST_MAX: Duration = Duration::from_secs(1);

/// A line of RTU frames.
pub(super) struct RtuLine {
    handle: Handle<Guard>,
    patience: Patience,
    pause: Pause,
}

/// How long an RTU line waits for what.
#[derive(Debug, Clone, Copy)]
pub(super) struct Patience {
    /// Characters and silent intervals.
    pub timing: Timing,
    /// From the end of a question to the first byte of its answer.
    pub response_timeout: Duration,
    /// A damaged answer is given up when nothing has followed for so long. Adapters and device
    /// servers hand on characters in lumps, so the 3.5 characters of the standard prove nothing
    /// here. What follows after all is late, and known as such.
    pub damage_silence: Duration,
}

impl Sieve for Guard {
    fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        Guard::push(self, arrived)
    }

    fn fall_silent(&mut self) -> Option<Vec<u8>> {
        self.answer_before_silence()
    }
}

impl RtuLine {
    /// A line over an open port, to be asked on this thread.
    pub fn new(io: impl Io + 'static, patience: Patience, pause: Pause) -> Self {
        pause.ready_thread();
        RtuLine { handle: Handle::new(io, patience.timing, Guard::default()), patience, pause }
    }

    /// From now on answers are waited for as long as this.
    pub fn set_response_timeout(&mut self, response_timeout: Duration) {
        self.patience.response_timeout = response_timeout;
    }

    /// Puts the question once the line has been silent for 3.5 characters and `quiet`, and waits
    /// for the answer. `exceptions_are_certain`: whether an exception could only be meant for it.
    pub async fn ask(&mut self, question: Question, quiet: Duration, exceptions_are_certain: bool) -> Asked {
        // Made before the silence ends, so that nothing stands between its end and the question.
        let mut client = rtu::attach_slave(self.handle.clone(), Slave(question.unit));
        let silent = self.fall_silent(quiet).await;
        let mut overheard = self.handle.channel().sieve.settle();
        if let Err(outcome) = silent {
            return Asked { outcome, overheard, response: None };
        }
        let (outcome, response) = self.put(&mut client, question, exceptions_are_certain).await;
        let meanwhile = self.handle.channel().sieve.settle();
        let outcome = outcome.given(&meanwhile);
        overheard.append(meanwhile);
        Asked { outcome, overheard, response }
    }

    /// Takes in what arrives unasked until a whole frame has come, but no longer than until `until`,
    /// to the tenth of a millisecond. `Err` tells why the port is gone.
    pub async fn listen(&mut self, until: Instant) -> Result<Overheard, String> {
        let heard = self.handle.receive_until(Guard::has_heard_frames);
        match timeout_at(until.checked_sub(RUNTIME_LATENESS).unwrap_or(until), heard).await {
            Ok(heard) => heard?,
            Err(_nothing_heard) => self.pause.until(until).await,
        }
        Ok(self.handle.channel().sieve.take_overheard())
    }

    /// Waits for the silence that parts two frames (over Serial Line V1.02, section 2.5.1.1), and
    /// takes in whatever arrives unasked.
    async fn fall_silent(&self, quiet: Duration) -> Result<(), Outcome> {
        let interval = self.patience.timing.t3_5() + quiet;
        let unrest_ends = Instant::now() + interval + UNREST_MAX;
        loop {
            let silent_at = self.handle.channel().active_at + interval;
            self.pause.until(silent_at).await;
            match self.handle.drain().await {
                Ok(0) => return Ok(()),
                Ok(_) if Instant::now() < unrest_ends => {}
                Ok(_) => return Err(Outcome::NotPut),
                Err(cause) => return Err(Outcome::Gone(cause)),
            }
        }
    }

    async fn put(
        &self,
        client: &mut Context,
        question: Question,
        exceptions_are_certain: bool,
    ) -> (Outcome, Option<Duration>) {
        let Patience { timing, response_timeout, damage_silence } = self.patience;
        self.handle.channel().sieve.expect(question, exceptions_are_certain);
        let answer_takes = timing.answer(question.block.table, question.block.count);
        let question_ends = Instant::now() + timing.question();
        let deadline = question_ends + response_timeout + answer_takes;
        let give_up_at = || {
            let channel = self.handle.channel();
            if channel.sieve.is_damaged() {
                deadline.min(channel.active_at + damage_silence)
            } else {
                deadline
            }
        };
        let at_last = || self.handle.channel().fall_silent();
        let outcome = ask::call(client, &question, give_up_at, at_last).await;
        let mut channel = self.handle.channel();
        let answered_at = channel.answered_at.take();
        let response = answered_at.map(|at| at.saturating_duration_since(question_ends + answer_takes));
        (channel.gone.take().map_or(outcome, Outcome::Gone), response)
    }
}
