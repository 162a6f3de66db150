//! What passes the guard of a serial line, against what answers the question.

use siskin::modbus::bare::RtuGuard;
use siskin::modbus::plan::Block;

use crate::recipe::{FRAMES_MAX, Recipe, function};
use crate::reference::{answers_on_serial, question_frame, sealed};

/// Lets one stream arrive at the guard.
pub fn attack(input: &[u8]) {
    let mut recipe = Recipe(input);
    let (unit, block) = recipe.question();
    let certain = recipe.byte().is_multiple_of(2);
    let (stream, plain) = stream(&mut recipe, unit, block);
    let mut guard = RtuGuard::waiting(unit, block, certain);
    let passed: Vec<Vec<u8>> = recipe.pieces(&stream).iter().filter_map(|piece| guard.push(piece)).collect();
    guard.settle();

    assert!(passed.len() <= 1, "two answers to one question");
    if let Some(passed) = passed.first() {
        assert!(answers_on_serial(unit, block, certain, passed), "passed: {passed:02x?}");
        assert!(stream.windows(passed.len()).any(|part| part == passed), "never sent: {passed:02x?}");
    }
    if let Some(plain) = plain {
        assert_eq!(passed.first(), Some(&plain), "an answer in plain sight");
    }
}

/// What arrives, and the answer if nothing but echoes stands before it.
fn stream(recipe: &mut Recipe, unit: u8, block: Block) -> (Vec<u8>, Option<Vec<u8>>) {
    let echo = question_frame(unit, block);
    let (mut stream, mut plain) = (Vec::new(), None);
    let mut nothing_else_yet = true;
    for _ in 0..FRAMES_MAX {
        if recipe.is_used_up() {
            break;
        }
        let answer = sealed(&[&[unit][..], &recipe.answer(block)].concat());
        let frame = match recipe.byte() % 10 {
            0 | 1 => answer.clone(),
            2 => other_answer(recipe, unit, block),
            3 => answer[..recipe.below(answer.len())].to_vec(),
            4 => flipped(recipe, answer.clone()),
            5 => {
                let unit = unit ^ recipe.one_of(&[0, 0, 1]);
                let function = function(block.table) ^ recipe.one_of(&[0x80, 0x80, 0x81, 0x00]);
                sealed(&[unit, function, recipe.byte()])
            }
            6 => echo.clone(),
            7 => {
                let count = recipe.below(16);
                recipe.bytes(count).to_vec()
            }
            8 => {
                let count = recipe.below(32);
                sealed(recipe.bytes(count))
            }
            _ => longer_or_shorter(recipe, &answer),
        };
        if nothing_else_yet && frame == answer && !answer.starts_with(&echo) && !echo.starts_with(&answer) {
            plain = Some(frame.clone());
        }
        nothing_else_yet &= frame == echo;
        stream.extend(frame);
    }
    (stream, plain)
}

/// A whole answer, but of another unit, function or length.
fn other_answer(recipe: &mut Recipe, unit: u8, block: Block) -> Vec<u8> {
    let unit = unit ^ recipe.one_of(&[0, 1, 2]);
    let function = function(block.table) ^ recipe.one_of(&[0, 1, 7]);
    let bytes = recipe.byte();
    let data = vec![recipe.byte(); usize::from(bytes)];
    sealed(&[&[unit, function, bytes][..], &data].concat())
}

fn flipped(recipe: &mut Recipe, mut frame: Vec<u8>) -> Vec<u8> {
    for _ in 0..=recipe.byte() % 4 {
        let bit = recipe.below(frame.len() * 8);
        frame[bit / 8] ^= 1 << (bit % 8);
    }
    frame
}

/// Right in all but its length, which its byte count belies; the check sum is right.
fn longer_or_shorter(recipe: &mut Recipe, answer: &[u8]) -> Vec<u8> {
    let mut body = answer[..answer.len() - 2].to_vec();
    match recipe.byte() % 4 {
        0 => body.truncate(body.len() - 1),
        1 => body.truncate(body.len().saturating_sub(2).max(3)),
        2 => body.push(recipe.byte()),
        _ => body.extend([recipe.byte(), recipe.byte()]),
    }
    sealed(&body)
}
