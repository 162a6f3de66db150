//! Values wider than a register, in every order that devices use.
//!
//! Sources: IEEE 754 binary32 patterns, computed with Python's `struct`; two's complement integers
//! likewise. MODBUS Application Protocol V1.1b3 section 4.2 fixes only the order within a register
//! (0x1234 travels as 12 34); the open Modbus/TCP specification of 1999 shows 0x12345678 travelling
//! as 12 34 56 78, high word first. Nothing fixes the order of words, so all four are checked.

use siskin::signal::{Answer, Order, Place, Quality, Raw, Reason, Table, ValueType, decode};

use crate::plain_signal::{plain_signal, sample};

use Order::{HighFirst, LowFirst};

/// The four orders as integrators name them: ABCD, CDAB, BADC, DCBA; (word order, byte order).
const ORDERS: [(Order, Order); 4] =
    [(HighFirst, HighFirst), (LowFirst, HighFirst), (HighFirst, LowFirst), (LowFirst, LowFirst)];

/// A number, and its two registers in each of [`ORDERS`].
const BINARY32: [(f64, [[u16; 2]; 4]); 5] = [
    // The nearest binary32 to 123.456, told exactly.
    (123.456_001_281_738_28, [[0x42F6, 0xE979], [0xE979, 0x42F6], [0xF642, 0x79E9], [0x79E9, 0xF642]]),
    (1.0, [[0x3F80, 0x0000], [0x0000, 0x3F80], [0x803F, 0x0000], [0x0000, 0x803F]]),
    (-1.0, [[0xBF80, 0x0000], [0x0000, 0xBF80], [0x80BF, 0x0000], [0x0000, 0x80BF]]),
    (0.25, [[0x3E80, 0x0000], [0x0000, 0x3E80], [0x803E, 0x0000], [0x0000, 0x803E]]),
    (7.0, [[0x40E0, 0x0000], [0x0000, 0x40E0], [0xE040, 0x0000], [0x0000, 0xE040]]),
];

const NOT_A_NUMBER: [[u16; 2]; 4] = [[0x7FC0, 0x0000], [0x0000, 0x7FC0], [0xC07F, 0x0000], [0x0000, 0xC07F]];

const INFINITY: [[u16; 2]; 4] = [[0x7F80, 0x0000], [0x0000, 0x7F80], [0x807F, 0x0000], [0x0000, 0x807F]];

#[test]
fn binary32_is_read_in_all_four_orders() {
    for (number, patterns) in BINARY32 {
        for (words, order) in patterns.iter().zip(ORDERS) {
            assert_eq!(read(ValueType::F32, order, words), number, "{words:04X?} as {order:?}");
        }
    }
}

#[test]
fn a_pattern_that_is_no_number_is_never_a_measurement() {
    for ((nan, infinity), order) in NOT_A_NUMBER.iter().zip(&INFINITY).zip(ORDERS) {
        let (nan, infinity) = (read(ValueType::F32, order, nan), read(ValueType::F32, order, infinity));
        assert!(nan.is_nan() && infinity == f64::INFINITY, "{order:?}: {nan}, {infinity}");
        for raw in [nan, infinity, -infinity] {
            let sample = sample(&plain_signal(), raw);
            assert_eq!((sample.value(), sample.quality()), (None, Quality::Bad), "{raw}");
            assert!(sample.reasons().contains(Reason::InvalidNumber), "{raw}");
        }
    }
}

#[test]
fn integers_of_one_and_two_registers_are_read_as_published() {
    let abcd = ORDERS[0];
    for (value_type, words, number) in [
        (ValueType::I16, &[0xFFFF][..], -1.0),
        (ValueType::I16, &[0x8000], -32_768.0),
        (ValueType::I16, &[0x7FFF], 32_767.0),
        (ValueType::U16, &[0x1234], 4_660.0),
        (ValueType::I32, &[0xFFFE, 0x1DC0], -123_456.0),
        (ValueType::U32, &[0xEE6B, 0x2800], 4_000_000_000.0),
        (ValueType::U32, &[0x1234, 0x5678], 305_419_896.0),
    ] {
        assert_eq!(read(value_type, abcd, words), number, "{words:04X?} as {value_type:?}");
    }
}

/// Computed with Python: `struct.pack('>d', -123.456)`, `('>q', -2**40 - 1)`, `('>Q', 2**40 + 1)`.
#[test]
fn values_of_four_registers_are_read_in_both_word_orders() {
    for (value_type, words, number) in [
        (ValueType::F64, [0xC05E, 0xDD2F, 0x1A9F, 0xBE77], -123.456),
        (ValueType::I64, [0xFFFF, 0xFEFF, 0xFFFF, 0xFFFF], -1_099_511_627_777.0),
        (ValueType::U64, [0x0000, 0x0100, 0x0000, 0x0001], 1_099_511_627_777.0),
    ] {
        let mut reversed = words;
        reversed.reverse();
        let swapped = words.map(u16::swap_bytes);
        assert_eq!(read(value_type, (HighFirst, HighFirst), &words), number, "{value_type:?}");
        assert_eq!(read(value_type, (LowFirst, HighFirst), &reversed), number, "{value_type:?}");
        assert_eq!(read(value_type, (HighFirst, LowFirst), &swapped), number, "{value_type:?}");
    }
}

fn read(value_type: ValueType, (word_order, byte_order): (Order, Order), words: &[u16]) -> f64 {
    let place = Place { table: Table::Holding, address: 100, bit: None, value_type, word_order, byte_order };
    match decode(&place, 100, Answer::Registers(words)) {
        Some(Raw::Number(number)) => number,
        other => panic!("{words:04X?} as {value_type:?} gave {other:?}"),
    }
}
