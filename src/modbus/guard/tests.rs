//! The guard against streams of every kind: whole and cut answers, damage, echoes, others' frames.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;

use super::*;
use crate::modbus::frame::{Shape, crc, question};
use crate::signal::Table;

fn sealed(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(crc(body).to_le_bytes());
    frame
}

/// An answer with `count` registers, all of them `word`.
fn answer(unit: u8, function: u8, count: u8, word: u16) -> Vec<u8> {
    let mut body = vec![unit, function, count * 2];
    (0..count).for_each(|_| body.extend(word.to_be_bytes()));
    sealed(&body)
}

fn guard() -> Guard {
    let mut guard = Guard::default();
    guard.expect(question(1, Table::Holding, 100, 2), true);
    guard
}

#[test]
fn the_answer_passes_however_it_is_cut_into_pieces() {
    let answer = answer(1, 3, 2, 0xABCD);
    for cut in 0..=answer.len() {
        let mut guard = guard();
        let first = guard.push(&answer[..cut]);
        let passed = first.or_else(|| guard.push(&answer[cut..]));
        assert_eq!(passed.as_ref(), Some(&answer), "cut at {cut}");
        assert_eq!(guard.settle(), Overheard::default());
    }
}

#[test]
fn no_other_unit_function_or_length_passes() {
    for other in [answer(2, 3, 2, 7), answer(1, 4, 2, 7), answer(1, 3, 1, 7), answer(1, 3, 3, 7)] {
        let mut guard = guard();
        assert_eq!(guard.push(&other), None, "{other:02x?}");
        let overheard = guard.settle();
        assert_eq!((overheard.frames.len(), overheard.damaged), (1, 0), "{other:02x?}");
    }
}

#[test]
fn no_flipped_bit_passes() {
    let right = answer(1, 3, 2, 0x5AA5);
    for bit in 0..right.len() * 8 {
        let mut damaged = right.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let mut guard = guard();
        assert_eq!(guard.push(&damaged), None, "bit {bit}");
        assert!(guard.settle().damaged >= 1, "bit {bit}");
    }
}

#[test]
fn the_answer_is_found_behind_noise_that_looks_like_a_long_frame() {
    let mut bytes = vec![0x00, 0x03, 0xF0];
    bytes.extend(answer(1, 3, 2, 9));
    let mut guard = guard();
    assert_eq!(guard.push(&bytes), Some(answer(1, 3, 2, 9)));
    assert_eq!(guard.settle().damaged, 1);
}

#[test]
fn the_answer_is_found_behind_another_units_answer_and_a_truncated_one() {
    let mut bytes = answer(7, 3, 2, 1);
    bytes.extend(&answer(1, 3, 2, 2)[..6]);
    bytes.extend(answer(1, 3, 2, 3));
    let mut guard = guard();
    assert_eq!(guard.push(&bytes), Some(answer(1, 3, 2, 3)));
    let heard = guard.settle();
    assert_eq!(heard.frames, [Whole::Answer(Shape { unit: 7, function: 3, byte_count: 4 })]);
    assert_eq!(heard.damaged, 1);
}

#[test]
fn an_echo_is_stripped_and_reported() {
    let mut bytes = question(1, Table::Holding, 100, 2).bytes().to_vec();
    bytes.extend(answer(1, 3, 2, 3));
    let mut guard = guard();
    assert_eq!(guard.push(&bytes), Some(answer(1, 3, 2, 3)));
    assert_eq!(guard.settle(), Overheard { echoes: 1, ..Overheard::default() });
}

/// A request for 17 to 24 bits from an address 0x03xx on reads as an answer of three bytes, CRC
/// and all.
#[test]
fn an_echo_that_looks_exactly_like_an_answer_is_still_an_echo() {
    let question = question(1, Table::Coil, 0x0310, 20);
    let mut guard = Guard::default();
    guard.expect(question, true);
    assert_eq!(guard.push(&question.bytes()), None);
    let real = sealed(&[1, 1, 3, 0xFF, 0x00, 0x0F]);
    assert_eq!(guard.push(&real), Some(real));
    assert_eq!(guard.settle().echoes, 1);
}

#[test]
fn an_echo_behind_noise_that_looks_exactly_like_an_answer_is_no_answer() {
    let question = question(0x36, Table::Discrete, 0x0354, 18);
    let mut guard = Guard::default();
    guard.expect(question, true);
    // The noise looks like the beginning of a long frame.
    let mut bytes = vec![0x00, 0x03, 0xF0];
    bytes.extend(question.bytes());
    assert_eq!(guard.push(&bytes), None);
    let real = sealed(&[0x36, 2, 3, 0xFF, 0x00, 0x03]);
    assert_eq!(guard.push(&real), Some(real));
}

/// Questions whose first seven bytes are an answer, CRC and all: one register, or 9 to 16 bits, from an
/// address 0x02xx on. An adapter hands its echo on in pieces.
#[test]
fn the_beginning_of_an_echo_that_looks_exactly_like_an_answer_is_no_answer() {
    for question in [question(4, Table::Holding, 0x02B0, 1), question(6, Table::Coil, 0x0200, 12)] {
        let echo = question.bytes();
        assert!(frame::crc_is_right(&echo[..7]), "it looks like an answer");
        for (before, cut) in [(&[][..], 7), (&[][..], 8), (&[0x00, 0x03, 0xF0][..], 7)] {
            let mut guard = Guard::default();
            guard.expect(question, true);
            assert_eq!(guard.push(&[before, &echo[..cut]].concat()), None);
            assert_eq!(guard.push(&echo[cut..]), None);
            assert_eq!(guard.answer_before_silence(), None, "all of it has come back");
            let real = sealed(&[question.unit, echo[1], 2, 0x0F, 0xF0]);
            assert_eq!(guard.push(&real), Some(real));
        }
    }
}

#[test]
fn an_answer_that_looks_like_the_beginning_of_an_echo_passes_once_nothing_has_followed() {
    let question = question(6, Table::Coil, 0x0200, 12);
    let all_off = sealed(&[6, 1, 2, 0, 0]);
    assert_eq!(all_off, question.bytes()[..7]);
    let mut guard = Guard::default();
    guard.expect(question, true);
    assert_eq!(guard.push(&all_off[..6]), None);
    assert_eq!(guard.answer_before_silence(), None, "not whole yet");
    assert_eq!(guard.push(&all_off[6..]), None);
    assert!(guard.is_damaged(), "it is not waited for longer than for a damaged answer");
    assert_eq!(guard.answer_before_silence(), Some(all_off.clone()));
    assert_eq!(guard.settle(), Overheard::default());
    // Where questions are known to come back, it stays one that came back and lost its end.
    guard.expect(question, true);
    assert_eq!(guard.push(&question.bytes()), None);
    guard.expect(question, true);
    assert_eq!(guard.push(&all_off), None);
    assert_eq!(guard.answer_before_silence(), None);
}

#[test]
fn a_character_or_two_of_noise_do_not_pass_for_a_damaged_answer() {
    let mut guard = guard();
    guard.push(&[0x00, 0x00, 0xFF]);
    assert!(!guard.is_damaged());
    guard.push(&[0x00, 0x00]);
    assert!(guard.is_damaged());
    guard.expect(question(1, Table::Holding, 100, 2), true);
    guard.settle();
    guard.expect(question(1, Table::Holding, 100, 2), true);
    assert!(!guard.is_damaged(), "with each question anew");
}

#[test]
fn an_exception_passes_only_when_it_can_be_meant_for_nobody_else() {
    let exception = sealed(&[1, 0x83, 2]);
    assert_eq!(guard().push(&exception), Some(exception.clone()));
    let mut guard = Guard::default();
    guard.expect(question(1, Table::Holding, 100, 2), false);
    assert_eq!(guard.push(&exception), None);
    assert_eq!(guard.settle().frames, [Whole::Exception { unit: 1, function: 3 }]);
}

#[test]
fn an_answer_whose_data_read_as_a_request_still_passes() {
    // The first eight bytes of this answer bear the CRC of a request of six.
    let mut body = vec![1, 3, 8, 0x11, 0x22, 0x33];
    body.extend(crc(&body).to_le_bytes());
    body.extend([0x44, 0x55, 0x66]);
    let answer = sealed(&body);
    let mut guard = Guard::default();
    guard.expect(question(1, Table::Holding, 0, 4), true);
    assert_eq!(guard.push(&answer[..8]), None);
    assert_eq!(guard.push(&answer[8..]), Some(answer.clone()));
}

#[test]
fn a_babbling_line_does_not_grow_the_buffer() {
    let mut guard = guard();
    for _ in 0..1000 {
        assert_eq!(guard.push(&[0x01, 0x03, 0xF8].repeat(20)), None);
        assert!(guard.bytes.len() <= frame::FRAME_BYTES_MAX + 60);
        assert!(guard.overheard.frames.len() <= FRAMES_HEARD_MAX);
    }
}

/// An independent reading of the rule, for one question at a time: the answer is the first
/// stretch of bytes with the right unit, function, length and CRC, and not the echo.
fn reference(question: &Question, bytes: &[u8]) -> Option<Vec<u8>> {
    let echo = question.bytes();
    let header = [question.unit, question.block.table.function(), question.shape().byte_count];
    let with_data = (header.to_vec(), usize::from(header[2]) + 5);
    let exception = (vec![header[0], header[1] | 0x80], 5);
    let stretches = (0..bytes.len())
        .flat_map(|at| [&with_data, &exception].map(|(head, length)| (at, head.clone(), *length)));
    stretches
        .filter_map(|(at, head, length)| bytes.get(at..at + length).filter(|it| it.starts_with(&head)))
        .find(|it| !echo.starts_with(it) && crc16_by_table(&it[..it.len() - 2]) == it[it.len() - 2..])
        .map(<[u8]>::to_vec)
}

/// The CRC by polynomial division, most significant bit first, on mirrored bytes: another way
/// than the code under test goes.
fn crc16_by_table(bytes: &[u8]) -> [u8; 2] {
    let mut register: u32 = 0xFFFF;
    for byte in bytes {
        register ^= u32::from(byte.reverse_bits()) << 8;
        for _ in 0..8 {
            register <<= 1;
            if register & 0x1_0000 != 0 {
                register ^= 0x1_8005;
            }
        }
    }
    u16::try_from(register).unwrap().reverse_bits().to_le_bytes()
}

fn piece() -> impl Strategy<Value = Vec<u8>> {
    let word = any::<u16>();
    prop_oneof![
        3 => (1..4u8, 3..5u8, 1..5u8, word).prop_map(|(u, f, n, w)| answer(u, f, n, w)),
        2 => word.prop_map(|w| answer(1, 3, 2, w)),
        1 => (word, 0..9usize).prop_map(|(w, keep)| answer(1, 3, 2, w)[..keep].to_vec()),
        1 => (word, 0..72usize).prop_map(|(w, bit)| {
            let mut damaged = answer(1, 3, 2, w);
            damaged[bit / 8] ^= 1 << (bit % 8);
            damaged
        }),
        1 => (1..3u8, 1..12u8).prop_map(|(unit, code)| sealed(&[unit, 0x83, code])),
        1 => Just(question(1, Table::Holding, 100, 2).bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..12),
    ]
}

proptest! {
    #[test]
    fn the_guard_passes_what_a_naive_reading_of_the_rule_passes(
        pieces in prop::collection::vec(piece(), 0..6),
        cuts in prop::collection::vec(1..20usize, 1..40),
    ) {
        let bytes = pieces.concat();
        let question = question(1, Table::Holding, 100, 2);
        let mut guard = Guard::default();
        guard.expect(question, true);
        let mut rest = bytes.as_slice();
        let mut passed = None;
        for cut in cuts.iter().cycle() {
            if passed.is_some() || rest.is_empty() {
                break;
            }
            let (now, later) = rest.split_at((*cut).min(rest.len()));
            passed = guard.push(now);
            rest = later;
        }
        prop_assert_eq!(passed, reference(&question, &bytes));
    }

    #[test]
    fn nothing_that_arrives_makes_the_guard_fail(
        reads in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 0..8),
    ) {
        let mut guard = guard();
        for read in reads {
            guard.push(&read);
        }
        guard.settle();
        prop_assert!(guard.bytes.is_empty());
    }
}
