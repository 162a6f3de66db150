//! What passes the guard of a Modbus TCP connection, against what answers the question.

use siskin::modbus::bare::TcpGuard;
use siskin::modbus::plan::Block;

use crate::recipe::{FRAMES_MAX, Recipe};
use crate::reference::answers_on_tcp;

/// Lets one stream arrive at the guard.
pub fn attack(input: &[u8]) {
    let mut recipe = Recipe(input);
    let (unit, block) = recipe.question();
    let transaction = recipe.word();
    let (stream, plain) = stream(&mut recipe, transaction, unit, block);
    let mut guard = TcpGuard::waiting(transaction, unit, block);
    let passed: Vec<Vec<u8>> = recipe.pieces(&stream).iter().filter_map(|piece| guard.push(piece)).collect();

    assert!(passed.len() <= 1, "two answers to one question");
    if let Some(passed) = passed.first() {
        assert!(answers_on_tcp(transaction, unit, block, passed), "passed: {passed:02x?}");
        assert!(stream.windows(passed.len()).any(|part| part == passed), "never sent: {passed:02x?}");
    }
    if let Some(plain) = plain {
        assert_eq!(passed.first(), Some(&plain), "an answer in plain sight");
    }
}

/// What arrives, and the answer if only whole frames stand before it.
fn stream(recipe: &mut Recipe, transaction: u16, unit: u8, block: Block) -> (Vec<u8>, Option<Vec<u8>>) {
    let (mut stream, mut plain) = (Vec::new(), None);
    let mut in_step = true;
    for _ in 0..FRAMES_MAX {
        if recipe.is_used_up() {
            break;
        }
        let answer = framed(transaction, 0, 0, unit, &recipe.answer(block));
        let kind = recipe.byte() % 8;
        let frame = match kind {
            0 | 1 => answer,
            2 => framed(transaction ^ (1 << recipe.below(16)), 0, 0, unit, &recipe.answer(block)),
            3 => framed(transaction, 0, 0, unit ^ recipe.one_of(&[1, 2, 0]), &other_pdu(recipe, block)),
            4 => framed(transaction, 1 << recipe.below(16), 0, unit, &recipe.answer(block)),
            5 => framed(transaction, 0, recipe.word(), unit, &recipe.answer(block)),
            6 => answer[..recipe.below(answer.len())].to_vec(),
            _ => {
                let count = recipe.below(24);
                recipe.bytes(count).to_vec()
            }
        };
        if in_step && plain.is_none() && answers_on_tcp(transaction, unit, block, &frame) {
            plain = Some(frame.clone());
        }
        in_step &= kind <= 3;
        stream.extend(frame);
    }
    (stream, plain)
}

fn framed(transaction: u16, protocol: u16, length_lie: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap().wrapping_add(length_lie);
    let header = [transaction, protocol, length].map(u16::to_be_bytes).concat();
    [&header[..], &[unit], pdu].concat()
}

/// A whole PDU, but of another function or length, or an exception.
fn other_pdu(recipe: &mut Recipe, block: Block) -> Vec<u8> {
    let mut pdu = recipe.answer(block);
    match recipe.byte() % 5 {
        0 => pdu[0] ^= recipe.one_of(&[1, 7, 0x80]),
        1 => pdu[1] ^= 1 << recipe.below(8),
        2 => pdu.truncate(1 + recipe.below(pdu.len())),
        3 => pdu = vec![pdu[0] | 0x80, recipe.byte()],
        _ if pdu.len() < 253 => pdu.push(recipe.byte()),
        _ => {}
    }
    pdu
}
