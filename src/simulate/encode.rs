//! From a number to the registers that hold it: what a device does when its value changes.

use crate::signal::{Order, Place, ValueType};

/// The register words of `number` at `place`, first register first.
///
/// Integers are rounded and saturate at the ends of their type, as a converter does. A bit, or a bit
/// of a register, is not for this function: see [`super::Memory::store_number`].
pub(super) fn words(place: &Place, number: f64) -> Vec<u16> {
    let pattern = pattern(place.value_type, number).to_be_bytes();
    let unused = pattern.len() - usize::from(place.value_type.width()) * 2;
    let high_first =
        pattern[unused..].chunks_exact(2).map(|pair| u16::from(pair[0]) << 8 | u16::from(pair[1]));
    let mut words: Vec<u16> = match place.word_order {
        Order::HighFirst => high_first.collect(),
        Order::LowFirst => high_first.rev().collect(),
    };
    if place.byte_order == Order::LowFirst {
        words.iter_mut().for_each(|word| *word = word.swap_bytes());
    }
    words
}

/// The bit pattern, in the low bits.
#[expect(clippy::as_conversions, reason = "float to integer with saturation has no other form")]
fn pattern(value_type: ValueType, number: f64) -> u64 {
    let whole = number.round();
    match value_type {
        ValueType::Bool => u64::from(number != 0.0),
        ValueType::U16 => u64::from(whole as u16),
        ValueType::I16 => u64::from((whole as i16).cast_unsigned()),
        ValueType::U32 => u64::from(whole as u32),
        ValueType::I32 => u64::from((whole as i32).cast_unsigned()),
        ValueType::U64 => whole as u64,
        ValueType::I64 => (whole as i64).cast_unsigned(),
        ValueType::F32 => u64::from((number as f32).to_bits()),
        ValueType::F64 => number.to_bits(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Table;

    fn encoded(value_type: ValueType, word_order: Order, byte_order: Order, number: f64) -> Vec<u16> {
        let place = Place { table: Table::Input, address: 0, bit: None, value_type, word_order, byte_order };
        words(&place, number)
    }

    #[test]
    fn floats_lie_in_the_registers_in_all_four_orders() {
        // IEEE 754 binary32, computed apart from this program.
        let (high, low) = (Order::HighFirst, Order::LowFirst);
        let f32_as = |words, bytes, number| encoded(ValueType::F32, words, bytes, number);
        assert_eq!(f32_as(high, high, 123.456), [0x42F6, 0xE979]);
        assert_eq!(f32_as(low, high, 123.456), [0xE979, 0x42F6]);
        assert_eq!(f32_as(high, low, 123.456), [0xF642, 0x79E9]);
        assert_eq!(f32_as(low, low, 123.456), [0x79E9, 0xF642]);
        assert_eq!(f32_as(high, high, f64::NAN), [0x7FC0, 0x0000]);
    }

    #[test]
    fn integers_are_rounded_and_saturate() {
        let high = |value_type, number| encoded(value_type, Order::HighFirst, Order::HighFirst, number);
        assert_eq!(high(ValueType::I32, -123_456.0), [0xFFFE, 0x1DC0]);
        assert_eq!(high(ValueType::U32, 4_000_000_000.0), [0xEE6B, 0x2800]);
        assert_eq!(high(ValueType::I16, -1.4), [0xFFFF]);
        assert_eq!(high(ValueType::U16, 70_000.0), [0xFFFF]);
        assert_eq!(high(ValueType::U16, -3.0), [0]);
        assert_eq!(high(ValueType::I64, -2.0), [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE]);
    }
}
