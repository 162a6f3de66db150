//! A signal's value as JSON carries it: a number, or true and false.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::signal;

/// A value in the signal's unit, or a state.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Value {
    /// A digital state.
    Flag(bool),
    /// A number in the signal's unit.
    Number(f64),
}

impl From<signal::Value> for Value {
    fn from(value: signal::Value) -> Self {
        match value {
            signal::Value::Number(number) => Value::Number(number),
            signal::Value::Flag(flag) => Value::Flag(flag),
        }
    }
}
