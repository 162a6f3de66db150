//! What a device holds in its four tables, and how it answers a question about them.
//!
//! The order of the checks is that of the state diagrams in Modbus Application Protocol V1.1b3,
//! section 6: function, then quantity, then address. The device is read-only: every function that
//! writes is answered with *illegal function*.

use std::collections::BTreeMap;

use crate::signal::{Place, Table, ValueType};
use crate::simulate::encode;

/// Exception codes (Modbus Application Protocol V1.1b3, section 7).
pub(super) const ILLEGAL_FUNCTION: u8 = 1;
const ILLEGAL_DATA_ADDRESS: u8 = 2;
const ILLEGAL_DATA_VALUE: u8 = 3;

/// Four tables; an address that was never stored does not exist.
#[derive(Debug, Clone, Default)]
pub struct Memory {
    /// A bit is kept as 0 or 1.
    cells: BTreeMap<(Table, u16), u16>,
}

impl Memory {
    /// Stores neighbouring registers, or bits as 0 and 1, from `start` on.
    pub fn store(&mut self, table: Table, start: u16, items: &[u16]) {
        for (address, item) in (start..=u16::MAX).zip(items) {
            let item = if table.is_registers() { *item } else { u16::from(*item != 0) };
            self.cells.insert((table, address), item);
        }
    }

    /// Stores a raw number as it lies at `place`. Whatever is not zero sets a bit.
    pub fn store_number(&mut self, place: &Place, number: f64) {
        match place.bit {
            Some(bit) if place.table.is_registers() && place.value_type == ValueType::Bool => {
                let cell = self.cells.entry((place.table, place.address)).or_default();
                let mask = 1_u16.checked_shl(bit.into()).unwrap_or(0);
                if number == 0.0 { *cell &= !mask } else { *cell |= mask }
            }
            _ => self.store(place.table, place.address, &encode::words(place, number)),
        }
    }

    /// Takes an address away, so that asking for it is refused.
    pub fn forget(&mut self, table: Table, address: u16) {
        self.cells.remove(&(table, address));
    }

    /// The answer to the PDU of a question: data, or an exception. `items_max`: the most items the
    /// device gives at once, when fewer than the standard allows.
    pub fn answer(&self, question: &[u8], items_max: u16) -> Vec<u8> {
        let Some((function, rest)) = question.split_first() else { return Vec::new() };
        self.read(*function, rest, items_max).unwrap_or_else(|code| exception(*function, code))
    }

    fn read(&self, function: u8, rest: &[u8], items_max: u16) -> Result<Vec<u8>, u8> {
        let table = match function {
            1 => Table::Coil,
            2 => Table::Discrete,
            3 => Table::Holding,
            4 => Table::Input,
            _ => return Err(ILLEGAL_FUNCTION),
        };
        let [s0, s1, q0, q1] = *<&[u8; 4]>::try_from(rest).map_err(|_| ILLEGAL_DATA_VALUE)?;
        let (start, quantity) = (u16::from_be_bytes([s0, s1]), u16::from_be_bytes([q0, q1]));
        let standard_max = if function <= 2 { 2000 } else { 125 };
        if quantity == 0 || quantity > standard_max.min(items_max) {
            return Err(ILLEGAL_DATA_VALUE);
        }
        let last = start.checked_add(quantity - 1).ok_or(ILLEGAL_DATA_ADDRESS)?;
        let items: Vec<u16> = (start..=last)
            .map(|address| self.cells.get(&(table, address)).copied())
            .collect::<Option<_>>()
            .ok_or(ILLEGAL_DATA_ADDRESS)?;
        let data = if function <= 2 { packed_bits(&items) } else { register_bytes(&items) };
        let count = u8::try_from(data.len()).map_err(|_| ILLEGAL_DATA_VALUE)?;
        Ok([&[function, count], data.as_slice()].concat())
    }
}

/// The PDU of an exception answer.
pub(super) fn exception(function: u8, code: u8) -> Vec<u8> {
    vec![function | 0x80, code]
}

/// Eight to the byte, the first in the lowest bit, the last byte filled up with zeros (section 6.1).
fn packed_bits(bits: &[u16]) -> Vec<u8> {
    let byte = |eight: &[u16]| eight.iter().rev().fold(0, |byte, bit| byte << 1 | u8::from(*bit != 0));
    bits.chunks(8).map(byte).collect()
}

/// High byte first (section 4.2).
fn register_bytes(words: &[u16]) -> Vec<u8> {
    words.iter().flat_map(|word| word.to_be_bytes()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits from `first` on, those with a one-based number in `on` set.
    fn bits(table: Table, first: u16, count: u16, on: &[u16]) -> Memory {
        let mut memory = Memory::default();
        for address in first..first + count {
            memory.store(table, address, &[u16::from(on.contains(&(address + 1)))]);
        }
        memory
    }

    fn registers(table: Table, start: u16, words: &[u16]) -> Memory {
        let mut memory = Memory::default();
        memory.store(table, start, words);
        memory
    }

    fn ask(memory: &Memory, question: &[u8]) -> Vec<u8> {
        memory.answer(question, u16::MAX)
    }

    // The worked examples are those of Modbus Application Protocol V1.1b3, sections 6.1 to 6.4 and 7.

    #[test]
    fn coils_are_answered_as_in_section_6_1() {
        let on = [20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38];
        let coils = bits(Table::Coil, 0x13, 0x13, &on);
        assert_eq!(ask(&coils, &[1, 0, 0x13, 0, 0x13]), [1, 3, 0xCD, 0x6B, 0x05]);
    }

    #[test]
    fn discrete_inputs_are_answered_as_in_section_6_2() {
        let on = [199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218];
        let inputs = bits(Table::Discrete, 0xC4, 0x16, &on);
        assert_eq!(ask(&inputs, &[2, 0, 0xC4, 0, 0x16]), [2, 3, 0xAC, 0xDB, 0x35]);
    }

    #[test]
    fn registers_are_answered_as_in_sections_6_3_and_6_4() {
        let holding = registers(Table::Holding, 107, &[555, 0, 100]);
        assert_eq!(ask(&holding, &[3, 0, 0x6B, 0, 3]), [3, 6, 0x02, 0x2B, 0, 0, 0, 0x64]);
        let input = registers(Table::Input, 8, &[10]);
        assert_eq!(ask(&input, &[4, 0, 8, 0, 1]), [4, 2, 0, 0x0A]);
    }

    #[test]
    fn an_address_that_does_not_exist_is_refused_as_in_section_7() {
        let coils = bits(Table::Coil, 0, 512, &[]);
        assert_eq!(ask(&coils, &[1, 0x04, 0xA1, 0, 1]), [0x81, 2]);
    }

    #[test]
    fn a_device_with_a_hundred_registers_gives_the_last_four_and_not_five() {
        // Section 7, the example under code 02.
        let device = registers(Table::Holding, 0, &[7; 100]);
        assert_eq!(ask(&device, &[3, 0, 96, 0, 4]).len(), 2 + 8);
        assert_eq!(ask(&device, &[3, 0, 96, 0, 5]), [0x83, 2]);
    }

    #[test]
    fn the_quantity_is_looked_at_before_the_address() {
        let device = registers(Table::Holding, 0, &[7; 100]);
        for question in [[3, 0xFF, 0xFF, 0, 0], [3, 0xFF, 0xFF, 0, 126], [4, 0xFF, 0xFF, 0, 126]] {
            assert_eq!(ask(&device, &question), [question[0] | 0x80, 3], "{question:?}");
        }
        assert_eq!(ask(&device, &[1, 0xFF, 0xFF, 0x07, 0xD1]), [0x81, 3]);
        assert_eq!(ask(&device, &[1, 0xFF, 0xFF, 0x07, 0xD0]), [0x81, 2]);
    }

    #[test]
    fn every_function_that_writes_is_refused() {
        let device = registers(Table::Holding, 0, &[7; 100]);
        assert_eq!(ask(&device, &[5, 0, 0, 0xFF, 0]), [0x85, 1]);
        assert_eq!(ask(&device, &[6, 0, 1, 0, 3]), [0x86, 1]);
        assert_eq!(ask(&device, &[0x0F, 0, 0, 0, 1, 1, 1]), [0x8F, 1]);
        assert_eq!(ask(&device, &[0x10, 0, 1, 0, 1, 2, 0, 1]), [0x90, 1]);
    }

    #[test]
    fn a_question_of_the_wrong_length_is_refused() {
        let device = registers(Table::Holding, 0, &[7]);
        assert_eq!(ask(&device, &[3, 0, 0, 0]), [0x83, 3]);
        assert_eq!(ask(&device, &[3, 0, 0, 0, 1, 0]), [0x83, 3]);
        assert!(ask(&device, &[]).is_empty());
    }

    #[test]
    fn the_last_address_can_be_read_and_nothing_wraps_around() {
        let device = registers(Table::Input, 0xFFFF, &[9, 8]);
        assert_eq!(ask(&device, &[4, 0xFF, 0xFF, 0, 1]), [4, 2, 0, 9]);
        assert_eq!(ask(&device, &[4, 0xFF, 0xFF, 0, 2]), [0x84, 2]);
    }

    #[test]
    fn one_bit_of_a_register_leaves_its_neighbours_alone() {
        let mut memory = registers(Table::Input, 5, &[0b1001]);
        let mut place = Place {
            table: Table::Input,
            address: 5,
            bit: Some(1),
            value_type: ValueType::Bool,
            word_order: crate::signal::Order::HighFirst,
            byte_order: crate::signal::Order::HighFirst,
        };
        memory.store_number(&place, 1.0);
        place.bit = Some(3);
        memory.store_number(&place, 0.0);
        assert_eq!(ask(&memory, &[4, 0, 5, 0, 1]), [4, 2, 0, 0b0011]);
    }
}
