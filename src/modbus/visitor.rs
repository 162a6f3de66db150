//! Single questions for a person who is there: find devices, read registers, prove a loop.
//!
//! A visitor asks on the very path a line asks on: after the silence the standard wants, with nothing
//! let through but the certain answer, and no question put whose answer could be another's. It plans
//! nothing, asks nothing twice, and like everything here holds no function that writes. It needs no
//! daemon, and cannot go beside one: a port is opened for one program alone, and a daemon that has it
//! must lend it first.

use std::collections::BTreeMap;
use std::io;
use std::time::{Duration, Instant};

use tokio::runtime::{Builder, Runtime};

use crate::config::LineSpec;
use crate::modbus::ask::{Data, Outcome};
use crate::modbus::frame::{Question, Whole};
use crate::modbus::guard::Overheard;
use crate::modbus::line::ECHO_HINT;
use crate::modbus::owed::Owed;
use crate::modbus::plan::Block;
use crate::modbus::port::OpenError;
use crate::modbus::tap::Tap;
use crate::modbus::wire::{Wire, is_numbered};
use crate::moment::Mono;

/// An open line for single questions. Blocks the thread it is used on; not for use within a runtime.
pub struct Visitor {
    visit: Visit,
    runtime: Runtime,
}

/// What came of a question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// The answer, or why there is none.
    pub reply: Reply,
    /// From the end of the question to the first byte of the answer.
    pub response: Option<Duration>,
    /// How long it took in all, waiting for silence and for late answers included.
    pub took: Duration,
    /// What was heard meanwhile.
    pub heard: Heard,
}

/// What was heard from the silence before a question to the end of its time.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Heard {
    /// Every byte that arrived, the answer's included, up to [`HEARD_BYTES_MAX`](super::HEARD_BYTES_MAX);
    /// none on a line whose transactions are numbered.
    pub bytes: Vec<u8>,
    /// Runs of bytes that belong to no frame.
    pub damaged: u32,
    /// Times that the question itself came back.
    pub echoes: u32,
    /// Who sent whole frames that are answers, but not this one.
    pub units: Vec<u8>,
    /// Whole frames that are no answers at all: another master's questions, as a rule.
    pub questions: u32,
}

/// The answer, or why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// As many registers as were asked for.
    Registers(Vec<u16>),
    /// As many bits as were asked for.
    Bits(Vec<bool>),
    /// An exception with this code (Application Protocol V1.1b3, section 7).
    Exception(u8),
    /// Nothing came in time.
    Silence,
    /// Something came, but nothing that is certain to be the answer.
    Garbled,
    /// The line was never silent, so that the question was not put.
    Unrest,
}

/// Why a visitor cannot ask.
#[derive(Debug, thiserror::Error)]
pub enum VisitError {
    /// The port or the connection.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The port has gone away; a new visitor may find it again.
    #[error("the port has gone away: {0}")]
    Gone(String),
    /// One question cannot ask for so many, or not from there on.
    #[error("one question cannot ask for {count} of the {table} table from {start} on; {max} at most, up to 65535",
        count = .0.count, table = .0.table.word(), start = .0.start, max = .0.table.items_max())]
    NoSuchBlock(Block),
    /// The operating system.
    #[error("the operating system gives no runtime: {0}")]
    Runtime(io::Error),
}

impl Visitor {
    /// Opens a line. Where transactions carry no number it is listened to for one response time-out: a
    /// question put by whoever was here before may still be answered.
    ///
    /// # Errors
    /// [`VisitError::Open`], [`VisitError::Runtime`].
    pub fn open(line: &LineSpec) -> Result<Visitor, VisitError> {
        let runtime = Builder::new_current_thread().enable_all().build().map_err(VisitError::Runtime)?;
        let visit = runtime.block_on(Visit::open(line))?;
        Ok(Visitor { visit, runtime })
    }

    /// Asks with so much silence before each question, beyond 3.5 characters.
    #[must_use]
    pub fn with_quiet(mut self, quiet: Duration) -> Visitor {
        self.visit.quiet = quiet;
        self
    }

    /// Asks a unit for a block, once. While an answer of the same shape may still come from that unit,
    /// it is waited for first.
    ///
    /// # Errors
    /// [`VisitError::NoSuchBlock`], [`VisitError::Gone`].
    pub fn ask(&mut self, unit: u8, block: Block) -> Result<Answered, VisitError> {
        let Visitor { visit, runtime } = self;
        runtime.block_on(visit.ask(Question { unit, block }))
    }

    /// Listens for so long, without a question: for answers that come too late. On a line whose transactions
    /// are numbered nothing is heard of them.
    ///
    /// # Errors
    /// [`VisitError::Gone`].
    pub fn listen(&mut self, time: Duration) -> Result<Heard, VisitError> {
        let Visitor { visit, runtime } = self;
        runtime.block_on(visit.listen(time))
    }

    /// From now on answers are waited for as long as this.
    pub fn set_response_timeout(&mut self, response_timeout: Duration) {
        self.visit.wire.set_response_timeout(response_timeout);
    }

    /// What a person should know of the port, as far as it has shown itself.
    pub fn hints(&self) -> &[String] {
        &self.visit.hints
    }
}

impl Heard {
    fn of(overheard: &Overheard, bytes: Vec<u8>) -> Heard {
        let mut heard =
            Heard { bytes, damaged: overheard.damaged, echoes: overheard.echoes, ..Heard::default() };
        for frame in &overheard.frames {
            match frame {
                Whole::Answer(shape) => heard.units.push(shape.unit),
                Whole::Exception { unit, .. } => heard.units.push(*unit),
                Whole::Other => heard.questions += 1,
            }
        }
        heard
    }
}

/// What a visitor knows.
struct Visit {
    wire: Wire,
    tap: Tap,
    numbered: bool,
    response_timeout: Duration,
    quiet: Duration,
    /// What each unit that was asked still owes; nothing where transactions are numbered.
    owed: BTreeMap<u8, Owed>,
    hints: Vec<String>,
    began: Instant,
}

impl Visit {
    async fn open(line: &LineSpec) -> Result<Visit, OpenError> {
        let tap = Tap::default();
        let (wire, hints) = Wire::open_overheard(line, Some(&tap)).await?;
        let numbered = is_numbered(&line.port);
        if !numbered {
            tokio::time::sleep(line.response_timeout).await;
        }
        let began = Instant::now();
        let (response_timeout, quiet, owed) = (line.response_timeout, Duration::ZERO, BTreeMap::new());
        Ok(Visit { wire, tap, numbered, response_timeout, quiet, owed, hints, began })
    }

    async fn ask(&mut self, question: Question) -> Result<Answered, VisitError> {
        let Question { unit, block } = question;
        if !(1..=block.table.items_max()).contains(&block.count) || block.end() > 1 << 16 {
            return Err(VisitError::NoSuchBlock(block));
        }
        let begun = Instant::now();
        if !self.numbered {
            self.owed.entry(unit).or_insert_with(|| Owed::new(self.response_timeout, Duration::ZERO));
        }
        self.wait_for_what_is_owed(question).await?;
        let function = question.shape().function;
        let certain = self.owed.get(&unit).is_none_or(|owed| owed.exceptions_are_certain(function));
        drop(self.tap.take());
        let asked = self.wire.ask(question, self.quiet, certain).await;
        self.account(&asked.overheard);
        self.settle(question, &asked.outcome);
        let reply = match asked.outcome {
            Outcome::Answered(Data::Registers(words)) => Reply::Registers(words),
            Outcome::Answered(Data::Bits(bits)) => Reply::Bits(bits),
            Outcome::Exception(code) => Reply::Exception(code),
            Outcome::NoAnswer => Reply::Silence,
            Outcome::Garbled => Reply::Garbled,
            Outcome::NotPut => Reply::Unrest,
            Outcome::Gone(cause) => return Err(VisitError::Gone(cause)),
        };
        let heard = Heard::of(&asked.overheard, self.tap.take());
        Ok(Answered { reply, response: asked.response, took: begun.elapsed(), heard })
    }

    async fn wait_for_what_is_owed(&mut self, question: Question) -> Result<(), VisitError> {
        loop {
            let now = self.now();
            let Some(owed) = self.owed.get_mut(&question.unit) else { return Ok(()) };
            if owed.may_ask(question, now) {
                return Ok(());
            }
            let wait = owed.may_ask_at(question).unwrap_or(now).since(now);
            let overheard =
                self.wire.listen(tokio::time::Instant::now() + wait).await.map_err(VisitError::Gone)?;
            self.account(&overheard);
        }
    }

    async fn listen(&mut self, time: Duration) -> Result<Heard, VisitError> {
        drop(self.tap.take());
        let until = tokio::time::Instant::now() + time;
        let mut overheard = Overheard::default();
        while tokio::time::Instant::now() < until {
            overheard.append(self.wire.listen(until).await.map_err(VisitError::Gone)?);
        }
        self.account(&overheard);
        Ok(Heard::of(&overheard, self.tap.take()))
    }

    /// Late answers pay what their units owe.
    fn account(&mut self, overheard: &Overheard) {
        let now = self.now();
        if overheard.echoes > 0 && !self.hints.iter().any(|hint| hint == ECHO_HINT) {
            self.hints.push(ECHO_HINT.to_owned());
        }
        for frame in &overheard.frames {
            for owed in self.owed.values_mut() {
                owed.heard(*frame, now);
            }
        }
    }

    fn settle(&mut self, question: Question, outcome: &Outcome) {
        let now = self.now();
        let Some(owed) = self.owed.get_mut(&question.unit) else { return };
        match outcome {
            Outcome::Answered(_) | Outcome::Exception(_) => owed.answered(),
            Outcome::NoAnswer | Outcome::Garbled => owed.give_up(question, now),
            Outcome::NotPut | Outcome::Gone(_) => {}
        }
    }

    fn now(&self) -> Mono {
        Mono::new(self.began.elapsed())
    }
}
