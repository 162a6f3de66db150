//! What comes of putting a question: the answer, or why there is none, and what else was heard.
//!
//! One shape for all lines, whatever travels on them. Here too: between siskin's questions and the
//! protocol library's types, the last check that an answer is of the kind and length asked for.

use std::future::poll_fn;
use std::pin::pin;
use std::task::{Poll, ready};
use std::time::Duration;

use tokio::time::{Instant, sleep_until};
use tokio_modbus::client::{Client, Context};
use tokio_modbus::{Request, Response};

use crate::modbus::frame::{Question, Shape};
use crate::modbus::guard::Overheard;
use crate::signal::{Answer, Table};

/// What came of one question.
#[derive(Debug)]
pub(super) struct Asked {
    /// The answer, or why there is none.
    pub outcome: Outcome,
    /// Everything that was heard besides, before the question and while waiting.
    pub overheard: Overheard,
    /// From the end of the question to the first byte of the answer.
    pub response: Option<Duration>,
}

/// The answer, or why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Outcome {
    /// It is certain that this answers the question.
    Answered(Data),
    /// It is certain that the unit answers this question with an exception code.
    Exception(u8),
    /// Nothing came in time.
    NoAnswer,
    /// Something came, but nothing that is certain to be the answer.
    Garbled,
    /// The line was never silent: the question was not put.
    NotPut,
    /// The port has gone away, or the connection cannot be made; why, for a person.
    Gone(String),
}

impl Outcome {
    /// No answer is something else when something else was heard.
    pub fn given(self, overheard: &Overheard) -> Outcome {
        if self == Outcome::NoAnswer && !overheard.is_silence() { Outcome::Garbled } else { self }
    }
}

/// What a table holds, exactly as many items as were asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Data {
    /// Registers.
    Registers(Vec<u16>),
    /// Bits.
    Bits(Vec<bool>),
}

impl Data {
    /// As the decoder of values takes it.
    pub fn answer(&self) -> Answer<'_> {
        match self {
            Data::Registers(words) => Answer::Registers(words),
            Data::Bits(bits) => Answer::Bits(bits),
        }
    }
}

/// Has the library put the question, and waits for the answer until `give_up_at`, which may move
/// with every byte that arrives. `at_last` is called then, and tells whether there is an answer to be
/// taken after all.
pub(super) async fn call(
    client: &mut Context,
    question: &Question,
    give_up_at: impl Fn() -> Instant,
    at_last: impl Fn() -> bool,
) -> Outcome {
    let mut call = client.call(request(question));
    let mut timer = pin!(sleep_until(give_up_at()));
    let called = poll_fn(|cx| {
        if let Poll::Ready(called) = call.as_mut().poll(cx) {
            return Poll::Ready(Some(called));
        }
        let until = give_up_at();
        if timer.deadline() != until {
            timer.as_mut().reset(until);
        }
        ready!(timer.as_mut().poll(cx));
        match at_last().then(|| call.as_mut().poll(cx)) {
            Some(Poll::Ready(called)) => Poll::Ready(Some(called)),
            Some(Poll::Pending) | None => Poll::Ready(None),
        }
    });
    match called.await {
        Some(Ok(Ok(response))) => data(question, response).map_or(Outcome::Garbled, Outcome::Answered),
        Some(Ok(Err(code))) => Outcome::Exception(code.into()),
        Some(Err(_)) => Outcome::Garbled,
        None => Outcome::NoAnswer,
    }
}

/// The question in the library's words.
fn request(question: &Question) -> Request<'static> {
    let (start, count) = (question.block.start, question.block.count);
    match question.block.table {
        Table::Coil => Request::ReadCoils(start, count),
        Table::Discrete => Request::ReadDiscreteInputs(start, count),
        Table::Holding => Request::ReadHoldingRegisters(start, count),
        Table::Input => Request::ReadInputRegisters(start, count),
    }
}

/// The data of an answer of the kind and length asked for; `None` for any other.
///
/// The library hands over bits by whole bytes; those beyond the count are filling (Application
/// Protocol V1.1b3, section 6.1).
fn data(question: &Question, response: Response) -> Option<Data> {
    let count = usize::from(question.block.count);
    let packed = usize::from(Shape::of(question.unit, question.block).byte_count) * 8;
    match (question.block.table, response) {
        (Table::Holding, Response::ReadHoldingRegisters(words))
        | (Table::Input, Response::ReadInputRegisters(words)) => {
            (words.len() == count).then_some(Data::Registers(words))
        }
        (Table::Coil, Response::ReadCoils(mut bits))
        | (Table::Discrete, Response::ReadDiscreteInputs(mut bits)) => {
            let right = bits.len() == packed;
            bits.truncate(count);
            right.then_some(Data::Bits(bits))
        }
        _ => None,
    }
}
