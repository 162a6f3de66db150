//! From register words or bits to a raw value.
//!
//! The standard carries 16-bit registers high byte first and says nothing of wider values
//! (Application Protocol V1.1b3, section 4.2); how a device lays them out is its own choice and
//! comes with the [`Place`].

use crate::signal::{Order, Place, Raw, ValueType};

/// What one transaction brought back: the items of one table from one address on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer<'a> {
    /// Registers, one word each, as the wire carried them.
    Registers(&'a [u16]),
    /// Bits.
    Bits(&'a [bool]),
}

/// Picks the value at `place` out of an answer that began at address `start`.
///
/// `None` when the answer does not hold the whole value, or holds bits where registers are wanted:
/// the caller planned the wrong block, and no value is better than a wrong one.
pub fn decode(place: &Place, start: u16, answer: Answer<'_>) -> Option<Raw> {
    let first = usize::from(place.address.checked_sub(start)?);
    let items = first..first + usize::from(place.value_type.width());
    match answer {
        Answer::Bits(bits) => {
            let bit = bits.get(items)?.first()?;
            (!place.table.is_registers() && place.value_type == ValueType::Bool).then_some(Raw::Flag(*bit))
        }
        Answer::Registers(words) if place.table.is_registers() => value(place, words.get(items)?),
        Answer::Registers(_) => None,
    }
}

/// The value held by exactly the words of its width.
fn value(place: &Place, words: &[u16]) -> Option<Raw> {
    let pattern = significant_first(place, words);
    let number = match place.value_type {
        ValueType::Bool => return Some(Raw::Flag(pattern >> place.bit? & 1 == 1)),
        ValueType::U16 | ValueType::U32 | ValueType::U64 => widened_u64(pattern),
        ValueType::I16 => widened_i64(sign_extended(pattern, 16)),
        ValueType::I32 => widened_i64(sign_extended(pattern, 32)),
        ValueType::I64 => widened_i64(sign_extended(pattern, 64)),
        ValueType::F32 => f64::from(f32::from_bits(u32::try_from(pattern).ok()?)),
        ValueType::F64 => f64::from_bits(pattern),
    };
    Some(Raw::Number(number))
}

/// The value's bit pattern, put together from its words in the device's own order.
fn significant_first(place: &Place, words: &[u16]) -> u64 {
    let append = |pattern: u64, word: &u16| {
        let word = match place.byte_order {
            Order::HighFirst => *word,
            Order::LowFirst => word.swap_bytes(),
        };
        pattern << 16 | u64::from(word)
    };
    match place.word_order {
        Order::HighFirst => words.iter().fold(0, append),
        Order::LowFirst => words.iter().rev().fold(0, append),
    }
}

/// Two's complement of the low `bits` of a pattern.
fn sign_extended(pattern: u64, bits: u32) -> i64 {
    let unused = 64 - bits;
    (pattern << unused).cast_signed() >> unused
}

/// The nearest binary64; exact up to 2^53.
#[expect(clippy::as_conversions, reason = "u64 to f64 has no lossless form; the rounding is documented")]
fn widened_u64(number: u64) -> f64 {
    number as f64
}

/// The nearest binary64; exact up to 2^53 either way.
#[expect(clippy::as_conversions, reason = "i64 to f64 has no lossless form; the rounding is documented")]
fn widened_i64(number: i64) -> f64 {
    number as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Table;

    fn place(value_type: ValueType, word_order: Order, byte_order: Order) -> Place {
        Place { table: Table::Input, address: 10, bit: None, value_type, word_order, byte_order }
    }

    #[test]
    fn a_value_is_found_at_its_own_address_within_the_block() {
        let place = place(ValueType::U16, Order::HighFirst, Order::HighFirst);
        let words = [1, 2, 3, 4];
        assert_eq!(decode(&place, 8, Answer::Registers(&words)), Some(Raw::Number(3.0)));
    }

    #[test]
    fn a_block_that_does_not_hold_the_whole_value_yields_none() {
        let place = place(ValueType::F32, Order::HighFirst, Order::HighFirst);
        assert_eq!(decode(&place, 10, Answer::Registers(&[0x3F80])), None);
        assert_eq!(decode(&place, 11, Answer::Registers(&[0x3F80, 0])), None);
        assert_eq!(decode(&place, 10, Answer::Bits(&[true, true])), None);
    }

    #[test]
    fn integers_keep_their_sign_and_width() {
        let words = [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE];
        let read = |value_type| {
            decode(&place(value_type, Order::HighFirst, Order::HighFirst), 10, Answer::Registers(&words))
        };
        assert_eq!(read(ValueType::I16), Some(Raw::Number(-1.0)));
        assert_eq!(read(ValueType::U16), Some(Raw::Number(65535.0)));
        assert_eq!(read(ValueType::I32), Some(Raw::Number(-1.0)));
        assert_eq!(read(ValueType::U32), Some(Raw::Number(4_294_967_295.0)));
        assert_eq!(read(ValueType::I64), Some(Raw::Number(-2.0)));
    }

    #[test]
    fn one_bit_of_a_register_is_counted_from_the_least_significant() {
        let mut place = place(ValueType::Bool, Order::HighFirst, Order::HighFirst);
        for (bit, expected) in [(0, true), (1, false), (15, true)] {
            place.bit = Some(bit);
            assert_eq!(decode(&place, 10, Answer::Registers(&[0x8001])), Some(Raw::Flag(expected)));
        }
    }
}
