//! A sample: a value, its quality with reasons, and its time.

use crate::moment::Moment;
use crate::signal::{Condition, Quality, Reason, Reasons};

/// A value in the signal's own unit, or a state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A number in the signal's unit, always finite.
    Number(f64),
    /// A digital state.
    Flag(bool),
}

impl Value {
    /// The number, when it is one.
    pub const fn number(self) -> Option<f64> {
        match self {
            Value::Number(number) => Some(number),
            Value::Flag(_) => None,
        }
    }
}

/// What is known of a signal at one time.
///
/// `value` is `None` exactly when the quality is [`Quality::Bad`]: a value that must not be used is
/// not there to be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    value: Option<Value>,
    reasons: Reasons,
    /// When the value was read; for a sample that was never read, when that was stated.
    pub at: Moment,
}

impl Sample {
    /// A sample whose quality follows from its reasons.
    pub fn new(value: Option<Value>, reasons: Reasons, at: Moment) -> Self {
        let value = value.filter(|_| reasons.quality() != Quality::Bad);
        debug_assert!(value.is_some() || reasons.quality() == Quality::Bad, "no value without a reason");
        Sample { value, reasons, at }
    }

    /// A sample without a value, for this reason.
    pub fn absent(reason: Reason, at: Moment) -> Self {
        Sample::new(None, Reasons::one(reason), at)
    }

    /// The same knowledge, as it stood at another time.
    pub const fn as_of(self, at: Moment) -> Self {
        Sample { at, ..self }
    }

    /// The value; `None` when the quality is bad.
    pub const fn value(&self) -> Option<Value> {
        self.value
    }

    /// Why the sample is not good.
    pub const fn reasons(&self) -> Reasons {
        self.reasons
    }

    /// How far it may be trusted.
    pub fn quality(&self) -> Quality {
        self.reasons.quality()
    }

    /// The NE 107 status its reasons speak for.
    pub fn condition(&self) -> Option<Condition> {
        self.reasons.condition()
    }

    /// The value, when it is a measurement of the gas that flows now: not bad, and not taken from a
    /// sample line that is still being flushed. Alarms are evaluated on nothing else.
    pub fn measured(&self) -> Option<Value> {
        self.value.filter(|_| !self.reasons.contains(Reason::Settling))
    }
}

/// What stands, in a format that must hold a number, for a value that must not be used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BadValue {
    /// IEEE 754's *not a number*.
    Nan,
    /// The last good value; not a number while there is none.
    LastGood,
    /// This number, which a binary32 can hold.
    Fixed(f64),
}
