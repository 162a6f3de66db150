//! The simulated device answers as the standard's examples do: it is siskin's stand-in for a device,
//! so it has to be right by itself.
//!
//! Source: MODBUS Application Protocol V1.1b3. The worked examples of sections 6.1 to 6.6, 6.11, 6.12
//! and 7; the order of checks in their state diagrams (function, then quantity, then address); and
//! the device of 100 registers in the address rules: from 96, four can be read, five cannot.

use siskin::signal::Table;
use siskin::simulate::Memory;

#[test]
fn the_worked_examples_of_reading_are_answered_as_printed() {
    for (question, answer) in [
        ("01 00 13 00 13", "01 03 CD 6B 05"),
        ("02 00 C4 00 16", "02 03 AC DB 35"),
        ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
        ("04 00 08 00 01", "04 02 00 0A"),
        ("01 04 A1 00 01", "81 02"),
    ] {
        assert_eq!(answered(&device_of_the_examples(), question), answer, "{question}");
    }
}

/// Sections 6.5, 6.6, 6.11 and 6.12 show a device that takes the write; this one takes none, and says
/// "illegal function" (section 7, code 01).
#[test]
fn every_worked_example_of_writing_is_refused_as_an_illegal_function() {
    for (question, answer) in [
        ("05 00 AC FF 00", "85 01"),
        ("06 00 01 00 03", "86 01"),
        ("0F 00 13 00 0A 02 CD 01", "8F 01"),
        ("10 00 01 00 02 04 00 0A 01 02", "90 01"),
    ] {
        assert_eq!(answered(&device_of_the_examples(), question), answer, "{question}");
    }
}

#[test]
fn a_device_of_100_registers_is_read_up_to_its_last_and_not_beyond() {
    let mut device = Memory::default();
    device.store(Table::Holding, 0, &[0; 100]);
    assert_eq!(answered(&device, "03 00 60 00 04"), "03 08 00 00 00 00 00 00 00 00");
    assert_eq!(answered(&device, "03 00 60 00 05"), "83 02");
}

/// Quantity is checked before address: both are wrong here, and the quantity is told.
#[test]
fn a_quantity_beyond_the_limits_is_an_illegal_value_before_anything_else() {
    let device = Memory::default();
    for (question, answer) in [
        ("03 00 00 00 00", "83 03"),
        ("03 00 00 00 7E", "83 03"),
        ("04 00 00 00 7E", "84 03"),
        ("01 00 00 07 D1", "81 03"),
        ("02 00 00 07 D1", "82 03"),
        ("03 00 00 00 7D", "83 02"),
        ("01 00 00 07 D0", "81 02"),
    ] {
        assert_eq!(answered(&device, question), answer, "{question}");
    }
}

/// What the examples' device holds where they ask; an item's number is its address and one.
fn device_of_the_examples() -> Memory {
    let mut device = Memory::default();
    device.store(Table::Coil, 19, &bits(20, 38, &[20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38]));
    let inputs = [199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218];
    device.store(Table::Discrete, 196, &bits(197, 218, &inputs));
    device.store(Table::Holding, 107, &[555, 0, 100]);
    device.store(Table::Input, 8, &[10]);
    device
}

fn bits(first: u16, last: u16, on: &[u16]) -> Vec<u16> {
    (first..=last).map(|number| u16::from(on.contains(&number))).collect()
}

fn answered(device: &Memory, question: &str) -> String {
    let question: Vec<u8> = question.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect();
    let answer = device.answer(&question, u16::MAX);
    answer.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}
