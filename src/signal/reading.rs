//! What a line says about one signal after one transaction: a raw value, or why there is none.

use crate::moment::Moment;
use crate::signal::SignalIndex;

/// A value as the registers held it, before any scaling.
///
/// Integers of 64 bits beyond 2^53 are rounded to the nearest number a binary64 can hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Raw {
    /// A number, NaN and infinities included: judging them is not the wire's business.
    Number(f64),
    /// A bit.
    Flag(bool),
}

/// Why a question was not answered with a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ReadFault {
    /// No answer within the time, after all retries.
    NoAnswer,
    /// Something came back, but nothing that is certain to be the answer.
    Garbled,
    /// The device answered with this exception code (Application Protocol V1.1b3, section 7).
    Exception(u8),
    /// The line itself is down: the port is gone or the connection cannot be made.
    LineDown,
}

/// The outcome of one question for one signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Which signal.
    pub signal: SignalIndex,
    /// When the last byte of the answer arrived, or when the question was given up.
    pub at: Moment,
    /// The raw value or the fault.
    pub outcome: Result<Raw, ReadFault>,
}
