//! Whether a value makes sense only in another order of its words or bytes.
//!
//! How a device lays out a value wider than a register is its own choice, and nothing on the wire tells
//! it. What tells it is the measuring range: the right order lies within, the wrong ones hardly ever do.
//! Pure.

use crate::commission::meaning::orders;
use crate::signal::{Answer, Order, Place, SignalSpec, Value, assess, decode};

/// A value that lies within its range in one other order only, or in several.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderDoubt {
    /// `device.signal`.
    pub signal: String,
    /// What it reads as the site file has it; `None` when that is no number.
    pub reads: Option<f64>,
    /// What it would read, and in which order of words and bytes.
    pub would_read: Vec<(f64, Order, Order)>,
}

/// The doubt about a signal whose registers were read from `start` on; `None` when it reads within its
/// range, has none, or makes no sense in any order.
pub fn doubt(spec: &SignalSpec, start: u16, words: &[u16]) -> Option<OrderDoubt> {
    spec.range?;
    let read = |place: Place| {
        let raw = decode(&place, start, Answer::Registers(words))?;
        let (value, reasons) = assess(&SignalSpec { place, ..spec.clone() }, raw);
        Some((value.and_then(Value::number), reasons.is_empty()))
    };
    let (reads, makes_sense) = read(spec.place)?;
    if makes_sense {
        return None;
    }
    let others = orders(spec.place.value_type)
        .filter(|order| *order != (spec.place.word_order, spec.place.byte_order));
    let would_read: Vec<(f64, Order, Order)> = others
        .filter_map(|(word_order, byte_order)| {
            let (number, makes_sense) = read(Place { word_order, byte_order, ..spec.place })?;
            // A wrong order of a float is often next to nothing, which lies within many ranges.
            number
                .filter(|number| makes_sense && !is_next_to_nothing(*number, spec))
                .map(|it| (it, word_order, byte_order))
        })
        .collect();
    (!would_read.is_empty()).then(|| OrderDoubt { signal: spec.id.clone(), reads, would_read })
}

/// Whether a number is too small to be a measurement in this range.
fn is_next_to_nothing(number: f64, spec: &SignalSpec) -> bool {
    const PART_OF_SPAN_MIN: f64 = 1e-6;
    spec.range.is_some_and(|range| number.abs() < (range.high - range.low) * PART_OF_SPAN_MIN)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::signal::{DeviceIndex, Range, States, Table, ValueType};

    fn gas(word_order: Order) -> SignalSpec {
        SignalSpec {
            id: "h2s.gas".to_owned(),
            name: None,
            tag: None,
            device: DeviceIndex(0),
            place: Place {
                table: Table::Input,
                address: 40,
                bit: None,
                value_type: ValueType::F32,
                word_order,
                byte_order: Order::HighFirst,
            },
            current: None,
            scale: None,
            states: States::default(),
            unit: None,
            range: Some(Range { low: 0.0, high: 20.0 }),
            valid_when: Vec::new(),
            settle: Duration::ZERO,
            poll_every: Duration::from_secs(1),
            stale_after: Duration::from_secs(5),
        }
    }

    /// 3.217 as binary32, low word first; high word first it would be -3.9e21.
    const SWAPPED: [u16; 2] = [0xE354, 0x404D];

    #[test]
    fn a_value_in_the_wrong_order_is_doubted_with_the_order_that_makes_sense() {
        let doubt = doubt(&gas(Order::HighFirst), 40, &SWAPPED).unwrap();
        let [(number, word_order, byte_order)] = doubt.would_read[..] else { panic!("{doubt:?}") };
        assert!((number - 3.217).abs() < 1e-6);
        assert_eq!((word_order, byte_order), (Order::LowFirst, Order::HighFirst));
    }

    #[test]
    fn a_value_within_its_range_or_without_one_is_not_doubted() {
        assert_eq!(doubt(&gas(Order::LowFirst), 40, &SWAPPED), None);
        let without = SignalSpec { range: None, ..gas(Order::HighFirst) };
        assert_eq!(doubt(&without, 40, &SWAPPED), None);
    }
}
