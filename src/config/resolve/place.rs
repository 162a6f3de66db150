//! Where a signal lies: table and address, or a one-based reference number; type and bit.

use crate::config::problem::Problem;
use crate::config::raw::{At, Bounded, Field, Signal};
use crate::signal::{Place, Table, ValueType};

/// The place; reports what is missing, impossible or contradictory.
pub(super) fn place(
    signal: &Signal,
    registers_max: Option<u16>,
    problems: &mut Vec<Problem>,
) -> Option<Place> {
    let found = table_and_address(signal, problems);
    let table = found.map(|(table, _)| table).or(signal.table.get().copied());
    let value_type = table.and_then(|table| value_type(signal, table, problems));
    let ((table, address), value_type) = (found?, value_type?);
    let place = Place {
        table,
        address,
        bit: signal.bit.make(|bit| Some(bit.value.0))?,
        value_type,
        word_order: *signal.word_order.get()?,
        byte_order: *signal.byte_order.get()?,
    };
    report_too_wide(signal, &place, registers_max, problems);
    Some(place)
}

fn table_and_address(signal: &Signal, problems: &mut Vec<Problem>) -> Option<(Table, u16)> {
    match (signal.address.is_there(), signal.reference.is_there()) {
        (true, true) => {
            let label = "the same place told twice";
            problems.push(
                Problem::new(signal.reference.span_or(signal.span), "both `address` and `reference`", label)
                    .also(signal.address.span_or(signal.span), "told here")
                    .help("keep one of them"),
            );
            None
        }
        (false, false) => {
            let label = "the signal does not say where it lies";
            problems.push(
                Problem::new(signal.span, "missing key `address` or `reference`", label)
                    .help("for example `address = 0` (zero-based) or `reference = 30001` (one-based)"),
            );
            None
        }
        (true, false) => {
            if !signal.table.is_there() {
                problems.push(missing_table(signal));
            }
            Some((*signal.table.get()?, signal.address.get()?.0))
        }
        (false, true) => from_reference(signal, signal.reference.given()?, problems),
    }
}

fn missing_table(signal: &Signal) -> Problem {
    let label = "the signal does not say which table it lies in";
    Problem::new(signal.span, "missing key `table`", label)
        .help("\"input\" or \"holding\" for registers, \"discrete\" or \"coil\" for bits")
}

/// One-based reference numbers as register lists print them: five or six digits, the first of which
/// tells the table. The data model counts from 1 where the wire counts from 0 (Application Protocol
/// V1.1b3, section 4.4); the leading digit is a custom of the trade, not of the standard.
fn from_reference(
    signal: &Signal,
    reference: &At<Bounded<u32, 1, 465_536>>,
    problems: &mut Vec<Problem>,
) -> Option<(Table, u16)> {
    let Some((told, item)) = table_and_item(reference.value.0) else {
        problems.push(
            Problem::new(reference.span, "not a reference number", "no table has this number").help(
                "1 to 9999 with `table`, 10001 to 19999, 30001 to 39999, 40001 to 49999, or six digits; \
                 or give the zero-based `address`",
            ),
        );
        return None;
    };
    let table = match (told, signal.table.given()) {
        (Some(told), Some(given)) if told != given.value => {
            let label = format!("this is a number of the table \"{}\"", told.word());
            problems.push(
                Problem::new(reference.span, "`reference` and `table` disagree", label)
                    .also(given.span, "the table given"),
            );
            return None;
        }
        (Some(told), _) => told,
        (None, Some(given)) => given.value,
        (None, None) => {
            if !signal.table.is_there() {
                problems.push(missing_table(signal));
            }
            return None;
        }
    };
    Some((table, u16::try_from(item - 1).ok()?))
}

/// The table a reference number tells, and the number of the item in it, from 1.
pub fn table_and_item(reference: u32) -> Option<(Option<Table>, u32)> {
    let told = |table, item| Some((Some(table), item));
    match reference {
        1..=9999 => Some((None, reference)),
        10_001..=19_999 => told(Table::Discrete, reference - 10_000),
        30_001..=39_999 => told(Table::Input, reference - 30_000),
        40_001..=49_999 => told(Table::Holding, reference - 40_000),
        100_001..=165_536 => told(Table::Discrete, reference - 100_000),
        300_001..=365_536 => told(Table::Input, reference - 300_000),
        400_001..=465_536 => told(Table::Holding, reference - 400_000),
        _ => None,
    }
}

/// The type, told or evident; reports one that cannot lie in this table.
fn value_type(signal: &Signal, table: Table, problems: &mut Vec<Problem>) -> Option<ValueType> {
    if matches!(signal.r#type, Field::Broken) {
        return None;
    }
    let told = signal.r#type.given();
    let bit = signal.bit.given();
    match (told, table.is_registers(), bit) {
        (_, false, Some(bit)) => {
            let label = format!("an item of the table \"{}\" is one bit already", table.word());
            problems.push(Problem::new(bit.span, "`bit` is for registers", label).help("remove it"));
            None
        }
        (Some(told), false, None) if told.value != ValueType::Bool => {
            let label = format!("the table \"{}\" holds bits: only \"bool\" fits", table.word());
            problems.push(Problem::new(told.span, "this type does not fit the table", label));
            None
        }
        (Some(told), true, Some(bit)) if told.value != ValueType::Bool => {
            problems.push(
                Problem::new(bit.span, "`bit` is for bools", "one bit of a register is a bool")
                    .also(told.span, "the type given"),
            );
            None
        }
        (Some(told), true, None) if told.value == ValueType::Bool && !signal.bit.is_there() => {
            problems.push(
                Problem::new(told.span, "missing key `bit`", "which of the 16 bits of the register?")
                    .help("for example `bit = 0` for the least significant"),
            );
            None
        }
        (None, true, None) if !signal.bit.is_there() => {
            let label = "the signal does not say how its value lies in the registers";
            problems.push(
                Problem::new(signal.span, "missing key `type`", label).help("for example `type = \"f32\"`"),
            );
            None
        }
        (Some(told), _, _) => Some(told.value),
        (None, _, _) => Some(ValueType::Bool),
    }
}

fn report_too_wide(signal: &Signal, place: &Place, registers_max: Option<u16>, problems: &mut Vec<Problem>) {
    const ADDRESSES: u32 = 65_536;
    let width = place.value_type.width();
    if place.end() > ADDRESSES {
        let span = signal.address.given().map_or(signal.reference.span_or(signal.span), |at| at.span);
        let label = format!("the last of its {width} registers would be at {}", place.end() - 1);
        problems.push(
            Problem::new(span, "the value reaches beyond the table", label).help("addresses end at 65535"),
        );
    }
    if registers_max.is_some_and(|max| place.table.is_registers() && width > max) {
        let label = format!("takes {width} registers, more than the device's `max_registers`");
        problems.push(Problem::new(
            signal.r#type.span_or(signal.span),
            "the value cannot be read whole",
            label,
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The one-based and zero-based numbers of Application Protocol V1.1b3, section 4.4 and the
    /// examples of sections 6.1 to 6.4; the leading digits are common practice (from memory).
    #[test]
    fn a_reference_less_its_base_less_one_is_the_address() {
        for (reference, table, address) in [
            (40_108, Some(Table::Holding), 107), // section 6.3: register 108 is 00 6B on the wire
            (30_009, Some(Table::Input), 8),     // section 6.4: register 9 is 00 08
            (10_197, Some(Table::Discrete), 196), // section 6.2: input 197 is 00 C4
            (20, None, 19),                      // section 6.1: coil 20 is 00 13
            (400_001, Some(Table::Holding), 0),
            (465_536, Some(Table::Holding), 65_535),
            (365_536, Some(Table::Input), 65_535),
            (165_536, Some(Table::Discrete), 65_535),
        ] {
            assert_eq!(table_and_item(reference), Some((table, address + 1)), "{reference}");
        }
        for reference in [10_000, 20_001, 30_000, 40_000, 50_000, 65_536, 165_537, 200_000, 400_000] {
            assert_eq!(table_and_item(reference), None, "{reference}");
        }
    }
}
