//! Values that are one word out of a closed list.

use schemars::{Schema, json_schema};
use toml::de::DeValue;

use super::{Reader, Shape};
use crate::alarm::{Priority, WhenLost};
use crate::config::problem::Span;
use crate::config::{Asks, Framing, Parity};
use crate::signal::{Order, Table, ValueType};

/// A closed list of words.
pub(in crate::config) trait Word: Copy + PartialEq + 'static {
    /// The words and what they stand for.
    const WORDS: &'static [(&'static str, Self)];
}

impl<T: Word> Shape for T {
    fn expected() -> String {
        let words: Vec<String> = T::WORDS.iter().map(|(word, _)| format!("\"{word}\"")).collect();
        match words.split_last() {
            Some((last, others)) if !others.is_empty() => format!("{} or {last}", others.join(", ")),
            Some(_) | None => words.concat(),
        }
    }

    fn schema() -> Schema {
        let words: Vec<&str> = T::WORDS.iter().map(|(word, _)| *word).collect();
        json_schema!({ "type": "string", "enum": words })
    }

    fn read(reader: &mut Reader, key: &str, span: Span, value: &DeValue) -> Option<Self> {
        let found = value.as_str().unwrap_or("");
        if let Some((_, meant)) = T::WORDS.iter().find(|(word, _)| *word == found) {
            return Some(*meant);
        }
        reader.wrong_with(key, span, &Self::expected(), value, |problem| {
            problem.nearest(found, T::WORDS.iter().map(|(word, _)| *word))
        })
    }

    fn show(&self) -> String {
        T::WORDS.iter().find(|(_, meant)| meant == self).map_or("", |(word, _)| *word).to_owned()
    }
}

impl Word for Table {
    const WORDS: &'static [(&'static str, Table)] = &[
        (Table::Input.word(), Table::Input),
        (Table::Holding.word(), Table::Holding),
        (Table::Discrete.word(), Table::Discrete),
        (Table::Coil.word(), Table::Coil),
    ];
}

impl Word for ValueType {
    const WORDS: &'static [(&'static str, ValueType)] = &[
        (ValueType::Bool.word(), ValueType::Bool),
        (ValueType::U16.word(), ValueType::U16),
        (ValueType::I16.word(), ValueType::I16),
        (ValueType::U32.word(), ValueType::U32),
        (ValueType::I32.word(), ValueType::I32),
        (ValueType::U64.word(), ValueType::U64),
        (ValueType::I64.word(), ValueType::I64),
        (ValueType::F32.word(), ValueType::F32),
        (ValueType::F64.word(), ValueType::F64),
    ];
}

impl Word for Order {
    const WORDS: &'static [(&'static str, Order)] =
        &[("high_first", Order::HighFirst), ("low_first", Order::LowFirst)];
}

impl Word for Parity {
    const WORDS: &'static [(&'static str, Parity)] =
        &[("none", Parity::None), ("even", Parity::Even), ("odd", Parity::Odd)];
}

impl Word for Framing {
    const WORDS: &'static [(&'static str, Framing)] = &[("rtu", Framing::Rtu), ("tcp", Framing::Tcp)];
}

impl Word for Priority {
    const WORDS: &'static [(&'static str, Priority)] = &[
        (Priority::Critical.word(), Priority::Critical),
        (Priority::High.word(), Priority::High),
        (Priority::Medium.word(), Priority::Medium),
        (Priority::Low.word(), Priority::Low),
    ];
}

impl Word for WhenLost {
    const WORDS: &'static [(&'static str, WhenLost)] =
        &[("hold", WhenLost::Hold), ("alarm", WhenLost::Alarm)];
}

impl Word for Asks {
    const WORDS: &'static [(&'static str, Asks)] =
        &[("acknowledge", Asks::Acknowledge), ("reset", Asks::Reset)];
}

/// What an alarm watches for, by its word alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::config) enum KindWord {
    /// The value is above the setpoint.
    High,
    /// The value is below the setpoint.
    Low,
    /// The value rises faster than the setpoint.
    Rise,
    /// The value falls faster than the setpoint.
    Fall,
    /// The average is above the setpoint.
    AverageHigh,
    /// The average is below the setpoint.
    AverageLow,
    /// Two signals are further apart than the setpoint.
    Deviation,
    /// The value does not move.
    Frozen,
    /// A bit or a code is in a named state.
    State,
    /// There is no measurement.
    Lost,
    /// So many other alarms are active.
    Vote,
}

impl Word for KindWord {
    const WORDS: &'static [(&'static str, KindWord)] = &[
        ("high", KindWord::High),
        ("low", KindWord::Low),
        ("rise", KindWord::Rise),
        ("fall", KindWord::Fall),
        ("average_high", KindWord::AverageHigh),
        ("average_low", KindWord::AverageLow),
        ("deviation", KindWord::Deviation),
        ("frozen", KindWord::Frozen),
        ("state", KindWord::State),
        ("lost", KindWord::Lost),
        ("vote", KindWord::Vote),
    ];
}
