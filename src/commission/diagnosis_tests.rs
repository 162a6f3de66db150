//! Each cause from the counters and bytes that show it. The same faults, planted on a simulated line, are
//! in `tests/it/bad_lines.rs`.

#![allow(clippy::unwrap_used)]

use super::*;
use crate::commission::evidence::Tally;
use crate::commission::order::OrderDoubt;
use crate::modbus::plan::Block;
use crate::signal::{Order, Table};

const BLOCK: Block = Block { table: Table::Holding, start: 107, count: 3 };

/// Modbus Application Protocol V1.1b3, section 6.3, as an RTU frame.
const ANSWER: [u8; 11] = [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64, 0xC8, 0xBA];

fn device(unit: u8, tally: Tally) -> DeviceEvidence {
    DeviceEvidence { tally: Tally { asked: 10, ..tally }, ..DeviceEvidence::new(format!("d{unit}"), unit) }
}

fn well(unit: u8) -> DeviceEvidence {
    device(unit, Tally { answers: 10, ..Tally::default() })
}

/// A device to whose questions these bytes came, and no answer.
fn garbled(unit: u8, heard: &[u8]) -> DeviceEvidence {
    let exchange = Exchange { block: BLOCK, heard: heard.to_vec(), answered: false };
    DeviceEvidence {
        exchanges: vec![exchange; 10],
        ..device(unit, Tally { garbled: 10, ..Tally::default() })
    }
}

fn found(devices: Vec<DeviceEvidence>) -> Vec<(String, Option<String>)> {
    let evidence = Evidence { medium: Medium::Serial, settings: None, demand: Some(0.4), devices };
    diagnose(&evidence).into_iter().map(|it| (it.cause.word().to_owned(), it.device)).collect()
}

#[track_caller]
fn finds(devices: Vec<DeviceEvidence>, expected: &[(&str, Option<&str>)]) {
    let found = found(devices);
    let found: Vec<(&str, Option<&str>)> =
        found.iter().map(|(word, device)| (word.as_str(), device.as_deref())).collect();
    assert_eq!(found, expected);
}

#[test]
fn a_line_that_is_well_and_one_that_was_not_asked_have_nothing_wrong() {
    finds(vec![well(1), well(2)], &[]);
    finds(vec![DeviceEvidence::new("d1".to_owned(), 1)], &[]);
    finds(Vec::new(), &[]);
    let one_lost = device(1, Tally { answers: 9, silent: 1, ..Tally::default() });
    finds(vec![one_lost, well(2)], &[]);
}

#[test]
fn a_dead_line_is_told_once_and_not_for_every_device() {
    let silent = |unit| device(unit, Tally { silent: 10, ..Tally::default() });
    finds(vec![silent(1), silent(2)], &[("nothing_heard", None)]);
    finds(vec![garbled(1, &[0]), garbled(2, &[0])], &[("held_low", None)]);
    finds(vec![garbled(1, &[0; 11])], &[("wrong_parity", None)]);
    finds(vec![silent(1), well(2)], &[("silent_device", Some("d1"))]);
}

#[test]
fn a_device_that_answers_elsewhere_is_neither_silent_nor_is_the_line_dead() {
    let silent = device(1, Tally { silent: 10, ..Tally::default() });
    let settings = crate::commission::format::Format::from_word("8O1").unwrap().at(19_200);
    let elsewhere = DeviceEvidence { elsewhere: Some(settings), ..silent };
    finds(vec![elsewhere.clone()], &[("other_settings", Some("d1"))]);
    finds(vec![elsewhere, well(2)], &[("other_settings", Some("d1"))]);
}

#[test]
fn what_is_left_of_an_answer_tells_what_became_of_the_rest() {
    for lost in 1..=3 {
        finds(vec![garbled(0x11, &ANSWER[lost..]), well(2)], &[("beginning_lost", Some("d17"))]);
    }
    finds(vec![garbled(0x11, &ANSWER[..7]), well(2)], &[("cut_short", Some("d17"))]);
    let mut talked_over = ANSWER;
    talked_over[5] = 0x40;
    finds(vec![garbled(0x11, &talked_over), well(2)], &[("same_address", Some("d17"))]);
}

#[test]
fn damage_of_one_device_is_its_own_and_of_several_the_lines() {
    let noisy = |unit| device(unit, Tally { answers: 7, garbled: 3, ..Tally::default() });
    finds(vec![noisy(1), well(2)], &[("noisy_device", Some("d1"))]);
    finds(vec![noisy(1), noisy(2)], &[("noise", None)]);
    let floating = |unit| device(unit, Tally { answers: 10, strays: 10, ..Tally::default() });
    finds(vec![floating(1), floating(2)], &[("floating", None)]);
}

#[test]
fn who_is_late_is_told_and_whom_it_spoils() {
    let late = device(1, Tally { late: 10, ..Tally::default() });
    finds(vec![late.clone(), well(2)], &[("too_slow", Some("d1"))]);
    let spoiled = device(2, Tally { answers: 9, garbled: 1, ..Tally::default() });
    finds(vec![late, spoiled], &[("late_spoils", Some("d1")), ("noisy_device", Some("d2"))]);
    let twice = device(1, Tally { answers: 10, twice: 10, ..Tally::default() });
    finds(vec![twice, well(2)], &[("same_address", Some("d1"))]);
}

#[test]
fn others_on_the_line_echoes_unrest_and_a_gateway_are_told() {
    let foreign = device(1, Tally { answers: 10, foreign: 2, ..Tally::default() });
    finds(vec![foreign], &[("another_master", None)]);
    let echoing = device(1, Tally { answers: 10, echoes: 10, ..Tally::default() });
    finds(vec![echoing], &[("echo", None)]);
    let restless = device(1, Tally { unrest: 10, ..Tally::default() });
    finds(vec![restless], &[("never_silent", None)]);
    let gateway = device(1, Tally { gateway: 10, ..Tally::default() });
    finds(vec![gateway, well(2)], &[("gateway_silent", Some("d1"))]);
}

#[test]
fn a_device_that_refuses_is_there() {
    for (code, word) in [(2, "refuses"), (6, "busy"), (4, "device_fault"), (0, "device_fault")] {
        let mut tally = Tally::default();
        tally.exceptions[code] = 10;
        finds(vec![device(1, tally)], &[(word, Some("d1"))]);
    }
}

#[test]
fn a_value_in_the_wrong_order_and_an_overloaded_line_are_told_last() {
    let doubt = OrderDoubt {
        signal: "d1.gas".to_owned(),
        reads: Some(-3.9e21),
        would_read: vec![(3.217, Order::LowFirst, Order::HighFirst)],
    };
    let swapped = DeviceEvidence { orders: vec![doubt], ..well(1) };
    let evidence =
        Evidence { medium: Medium::Serial, settings: None, demand: Some(1.3), devices: vec![swapped] };
    let found = diagnose(&evidence);
    let words: Vec<&str> = found.iter().map(|finding| finding.cause.word()).collect();
    assert_eq!(words, ["wrong_order", "overloaded"]);
    assert!(found[0].why.contains("d1.gas") && found[0].why.contains("3.217"), "{}", found[0].why);
}
