//! The value picked out of an answer, against the value its device laid down there.

use siskin::signal::{Answer, Order, Place, Raw, Table, ValueType, decode};

use crate::recipe::Recipe;
use crate::reference::{number_bits, width};

/// Has one value picked out of one answer.
pub fn attack(input: &[u8]) {
    let mut recipe = Recipe(input);
    let place = place(&mut recipe);
    let start = place.address.wrapping_sub(recipe.word() % 130).wrapping_add(u16::from(recipe.byte() % 4));
    let count = recipe.below(126);
    let words: Vec<u16> = (0..count).map(|_| recipe.word()).collect();
    if recipe.byte() % 4 == 0 {
        let bits: Vec<bool> = words.iter().map(|word| word % 2 == 1).collect();
        assert_eq!(decode(&place, start, Answer::Bits(&bits)), bit(&place, start, &bits), "{place:?}");
    } else {
        let found = decode(&place, start, Answer::Registers(&words)).map(as_bits);
        assert_eq!(found, value(&place, start, &words), "{place:?} from {start}");
    }
}

fn place(recipe: &mut Recipe) -> Place {
    let value_type = recipe.one_of(&[
        ValueType::Bool,
        ValueType::U16,
        ValueType::I16,
        ValueType::U32,
        ValueType::I32,
        ValueType::U64,
        ValueType::I64,
        ValueType::F32,
        ValueType::F64,
    ]);
    let orders = [Order::HighFirst, Order::LowFirst];
    Place {
        table: recipe.one_of(&[Table::Holding, Table::Input, Table::Holding, Table::Coil, Table::Discrete]),
        address: recipe.word(),
        bit: recipe.one_of(&[true, false]).then(|| recipe.byte() % 16),
        value_type,
        word_order: recipe.one_of(&orders),
        byte_order: recipe.one_of(&orders),
    }
}

/// The bits of a number, or 0 and 1: so that one not-a-number equals itself.
fn as_bits(raw: Raw) -> (bool, u64) {
    match raw {
        Raw::Flag(flag) => (true, u64::from(flag)),
        Raw::Number(number) => (false, number.to_bits()),
    }
}

fn bit(place: &Place, start: u16, bits: &[bool]) -> Option<Raw> {
    let is_bit = matches!(place.table, Table::Coil | Table::Discrete) && place.value_type == ValueType::Bool;
    let at = i32::from(place.address) - i32::from(start);
    let bit = usize::try_from(at).ok().and_then(|at| bits.get(at))?;
    is_bit.then_some(Raw::Flag(*bit))
}

fn value(place: &Place, start: u16, words: &[u16]) -> Option<(bool, u64)> {
    if matches!(place.table, Table::Coil | Table::Discrete) || place.address < start {
        return None;
    }
    let first = usize::from(place.address - start);
    let held: Vec<u16> = words.iter().skip(first).take(width(place.value_type)).copied().collect();
    if held.len() < width(place.value_type) {
        return None;
    }
    if place.value_type == ValueType::Bool {
        let [high, low] = held[0].to_be_bytes();
        let word = match place.byte_order {
            Order::HighFirst => u32::from(high) * 256 + u32::from(low),
            Order::LowFirst => u32::from(low) * 256 + u32::from(high),
        };
        return place.bit.map(|bit| (true, u64::from(word / 2_u32.pow(bit.into()) % 2)));
    }
    Some((false, number_bits(place, &held)))
}
