//! What is right, worked out by other ways than siskin's: slow and plain.

use siskin::modbus::plan::Block;
use siskin::signal::{Order, Place, ValueType};

use crate::recipe::{data_bytes, function};

/// The check sum of *MODBUS over Serial Line V1.02*, section 6.2.2, low byte first: polynomial
/// division from the highest bit down, on mirrored bytes.
pub fn check_sum(bytes: &[u8]) -> [u8; 2] {
    let mut rest = 0xFFFF_u32;
    for byte in bytes {
        rest ^= u32::from(byte.reverse_bits()) << 8;
        for _ in 0..8 {
            rest <<= 1;
            if rest > 0xFFFF {
                rest ^= 0x1_8005;
            }
        }
    }
    u16::try_from(rest).unwrap().reverse_bits().to_le_bytes()
}

/// A body with its check sum.
pub fn sealed(body: &[u8]) -> Vec<u8> {
    [body, &check_sum(body)].concat()
}

/// A question as it goes out on a serial line.
pub fn question_frame(unit: u8, block: Block) -> Vec<u8> {
    let [s0, s1] = block.start.to_be_bytes();
    let [c0, c1] = block.count.to_be_bytes();
    sealed(&[unit, function(block.table), s0, s1, c0, c1])
}

/// Whether `frame` as a whole answers the question on a serial line, and cannot be the beginning of an
/// adapter's echo of it.
pub fn answers_on_serial(unit: u8, block: Block, exceptions_are_certain: bool, frame: &[u8]) -> bool {
    let Some(body) = frame.len().checked_sub(2).map(|end| &frame[..end]) else { return false };
    let is_data = frame.len() == data_bytes(block) + 5
        && body[..2] == [unit, function(block.table)]
        && usize::from(body[2]) == data_bytes(block);
    let is_exception = frame.len() == 5 && body[..2] == [unit, function(block.table) + 0x80];
    (is_data || exceptions_are_certain && is_exception)
        && sealed(body) == frame
        && !question_frame(unit, block).starts_with(frame)
}

/// Whether `frame` as a whole answers the question over Modbus TCP (*MODBUS Messaging on TCP/IP
/// Implementation Guide V1.0b*, section 3.1.3).
pub fn answers_on_tcp(transaction: u16, unit: u8, block: Block, frame: &[u8]) -> bool {
    let [t0, t1] = transaction.to_be_bytes();
    let expected = |pdu_bytes: usize| {
        let [l0, l1] = u16::try_from(pdu_bytes + 1).unwrap().to_be_bytes();
        [t0, t1, 0, 0, l0, l1, unit]
    };
    let (code, bytes) = (function(block.table), data_bytes(block));
    let is_data = frame.len() == 9 + bytes
        && frame[..7] == expected(bytes + 2)
        && frame[7..9] == [code, u8::try_from(bytes).unwrap()];
    let is_exception = frame.len() == 9 && frame[..7] == expected(2) && frame[7] == code + 0x80;
    is_data || is_exception
}

/// The number that a device has laid down in these registers, as the bits of the nearest binary64.
pub fn number_bits(place: &Place, words: &[u16]) -> u64 {
    let mut bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
    if place.byte_order == Order::LowFirst {
        bytes.chunks_mut(2).for_each(<[u8]>::reverse);
    }
    if place.word_order == Order::LowFirst {
        let pairs: Vec<[u8; 2]> = bytes.chunks(2).rev().map(|pair| [pair[0], pair[1]]).collect();
        bytes = pairs.concat();
    }
    let number = match place.value_type {
        ValueType::Bool => unreachable!("a bit is no number"),
        ValueType::U16 => f64::from(u16::from_be_bytes(bytes.try_into().unwrap())),
        ValueType::I16 => f64::from(i16::from_be_bytes(bytes.try_into().unwrap())),
        ValueType::U32 => f64::from(u32::from_be_bytes(bytes.try_into().unwrap())),
        ValueType::I32 => f64::from(i32::from_be_bytes(bytes.try_into().unwrap())),
        ValueType::U64 => u64::from_be_bytes(bytes.try_into().unwrap()) as f64,
        ValueType::I64 => i64::from_be_bytes(bytes.try_into().unwrap()) as f64,
        ValueType::F32 => f64::from(f32::from_be_bytes(bytes.try_into().unwrap())),
        ValueType::F64 => f64::from_be_bytes(bytes.try_into().unwrap()),
    };
    number.to_bits()
}

/// How many registers a value takes.
pub fn width(value_type: ValueType) -> usize {
    match value_type {
        ValueType::Bool | ValueType::U16 | ValueType::I16 => 1,
        ValueType::U32 | ValueType::I32 | ValueType::F32 => 2,
        ValueType::U64 | ValueType::I64 | ValueType::F64 => 4,
    }
}
