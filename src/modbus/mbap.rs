//! Modbus TCP between the connection and the protocol library: of all that arrives, only the one
//! frame passes that is the answer to the question.
//!
//! The header (*MODBUS Messaging on TCP/IP Implementation Guide V1.0b*, section 3.1.3) carries a
//! transaction number, so an answer is known for certain. What is kept from the library is the
//! rest: it waits for frames of any length a header claims, and takes an answer of any quantity.

use crate::modbus::channel::Sieve;
use crate::modbus::frame::{self, Question, Whole};
use crate::modbus::guard::Overheard;

/// Bytes of any of the four reads: the header, function, address, quantity (Application Protocol
/// V1.1b3, sections 6.1 to 6.4).
const QUESTION_BYTES: usize = HEADER_BYTES + 5;
/// Bytes of the header: transaction, protocol (0 = Modbus), length, unit.
const HEADER_BYTES: usize = 7;
/// Bytes before those that the length field counts.
const BEFORE_LENGTH_COUNTS: usize = 6;
/// The most that the length field may say: a unit id and the longest PDU, 253 bytes.
const LENGTH_MAX: u16 = 254;
/// How many frames that are no answer are kept of one exchange; further ones are dropped.
const FRAMES_HEARD_MAX: usize = 64;

/// Collects what arrives on one connection, and finds the answer in it.
#[derive(Debug, Default)]
pub(super) struct Answers {
    waiting: Option<(u16, Question)>,
    /// The transaction number that the library has given the question.
    given: Option<[u8; 2]>,
    bytes: Vec<u8>,
    overheard: Overheard,
}

impl Answers {
    /// From here on the answer to `question`, sent with this transaction number, is waited for. The
    /// library numbers from zero on each connection; what is on the wire bears this number instead, so
    /// that a gateway which hands the answer to an earlier connection's question to this one fools
    /// nobody.
    pub fn expect(&mut self, transaction: u16, question: Question) {
        self.waiting = Some((transaction, question));
        self.given = None;
    }

    /// What was overheard since this was last asked.
    pub fn take_overheard(&mut self) -> Overheard {
        std::mem::take(&mut self.overheard)
    }

    /// A stream of frames cannot be taken up again behind a header that is none.
    fn give_up_the_stream(&mut self) {
        self.overheard.damaged = self.overheard.damaged.saturating_add(1);
        self.overheard.damaged_frames = self.overheard.damaged_frames.saturating_add(1);
        self.bytes.clear();
    }

    fn hear(&mut self) {
        if self.overheard.frames.len() < FRAMES_HEARD_MAX {
            self.overheard.frames.push(Whole::Other);
        }
    }
}

impl Sieve for Answers {
    fn push(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        self.bytes.extend_from_slice(arrived);
        while let Some(header) = self.bytes.first_chunk::<HEADER_BYTES>() {
            let [_, _, protocol_high, protocol_low, length_high, length_low, _] = *header;
            let length = u16::from_be_bytes([length_high, length_low]);
            if (protocol_high, protocol_low) != (0, 0) || !(2..=LENGTH_MAX).contains(&length) {
                self.give_up_the_stream();
                return None;
            }
            let whole = BEFORE_LENGTH_COUNTS + usize::from(length);
            if self.bytes.len() < whole {
                return None;
            }
            let mut frame: Vec<u8> = self.bytes.drain(..whole).collect();
            let answers =
                |(transaction, question): &(u16, Question)| is_answer(*transaction, question, &frame);
            if self.waiting.as_ref().is_some_and(answers) {
                self.waiting = None;
                if let (Some(given), Some(number)) = (self.given, frame.first_chunk_mut()) {
                    *number = given;
                }
                return Some(frame);
            }
            self.hear();
        }
        None
    }

    /// The question with the number that is waited for. What is shorter than a question is the rest of
    /// one that the connection did not take whole.
    fn instead_of(&mut self, bytes: &[u8]) -> Option<Vec<u8>> {
        let (transaction, _) = self.waiting?;
        let mut question: [u8; QUESTION_BYTES] = bytes.try_into().ok()?;
        let number = question.first_chunk_mut()?;
        self.given = Some(std::mem::replace(number, transaction.to_be_bytes()));
        Some(question.to_vec())
    }
}

/// Whether a whole frame answers the question: transaction, unit, function and length.
fn is_answer(transaction: u16, question: &Question, frame: &[u8]) -> bool {
    let shape = question.shape();
    let Some((header, pdu)) = frame.split_first_chunk::<HEADER_BYTES>() else {
        return false;
    };
    let [transaction_high, transaction_low, .., unit] = *header;
    let ours = u16::from_be_bytes([transaction_high, transaction_low]) == transaction && unit == shape.unit;
    ours && match *pdu {
        [function, _code] if function == frame::exception(shape.function) => true,
        [function, byte_count, ref data @ ..] => {
            (function, byte_count) == (shape.function, shape.byte_count)
                && data.len() == usize::from(byte_count)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use proptest::prelude::*;

    use super::*;
    use crate::modbus::frame::question;
    use crate::signal::Table;

    fn waiting() -> Answers {
        let mut answers = Answers::default();
        answers.expect(0x1501, question(0xFF, Table::Input, 4, 1));
        answers
    }

    /// From the implementation guide, section 4.3.4 example style: transaction 0x1501, one register.
    const ANSWER: [u8; 11] = [0x15, 0x01, 0, 0, 0, 5, 0xFF, 4, 2, 0x00, 0x05];

    #[test]
    fn the_answer_passes_however_it_is_cut_into_pieces() {
        for cut in 0..=ANSWER.len() {
            let mut answers = waiting();
            let first = answers.push(&ANSWER[..cut]);
            let passed = first.or_else(|| answers.push(&ANSWER[cut..]));
            assert_eq!(passed.as_deref(), Some(&ANSWER[..]), "cut at {cut}");
        }
    }

    #[test]
    fn no_other_transaction_unit_function_or_quantity_passes() {
        // Each position, and a value that makes it another frame of the same length.
        for (position, value) in [(0, 0x14), (1, 0x00), (6, 1), (7, 3), (8, 4), (8, 1)] {
            let mut other = ANSWER;
            other[position] = value;
            let mut answers = waiting();
            assert_eq!(answers.push(&other), None, "byte {position}");
            assert_eq!(answers.take_overheard().frames, [Whole::Other], "byte {position}");
            assert_eq!(answers.push(&ANSWER).as_deref(), Some(&ANSWER[..]), "after byte {position}");
        }
    }

    #[test]
    fn the_number_on_the_wire_is_ours_and_the_library_sees_its_own() {
        let mut answers = waiting();
        let librarys = [0, 0, 0, 0, 0, 6, 0xFF, 4, 0, 4, 0, 1];
        let sent = answers.instead_of(&librarys).unwrap();
        assert_eq!((&sent[..2], &sent[2..]), (&[0x15, 0x01][..], &librarys[2..]));
        assert_eq!(answers.instead_of(&librarys[5..]), None, "the rest of a question");
        let mut of_an_earlier_connection = ANSWER;
        of_an_earlier_connection[..2].copy_from_slice(&[0, 0]);
        assert_eq!(answers.push(&of_an_earlier_connection), None);
        let passed = answers.push(&ANSWER).unwrap();
        assert_eq!((&passed[..2], &passed[2..]), (&[0, 0][..], &ANSWER[2..]));
    }

    #[test]
    fn an_exception_passes() {
        let exception = [0x15, 0x01, 0, 0, 0, 3, 0xFF, 0x84, 2];
        assert_eq!(waiting().push(&exception).as_deref(), Some(&exception[..]));
    }

    #[test]
    fn a_header_that_is_none_is_not_waited_for() {
        for header in
            [[0x15, 0x01, 0, 1, 0, 5, 0xFF], [0x15, 0x01, 0, 0, 0xFF, 0xFF, 0xFF], [0x15, 1, 0, 0, 0, 1, 9]]
        {
            let mut answers = waiting();
            assert_eq!(answers.push(&header), None);
            assert_eq!(answers.take_overheard().damaged, 1);
            assert!(answers.bytes.is_empty());
        }
    }

    proptest! {
        #[test]
        fn nothing_that_arrives_makes_it_fail_or_grow(
            reads in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..300), 0..8),
        ) {
            let mut answers = waiting();
            for read in reads {
                answers.push(&read);
                prop_assert!(answers.bytes.len() < 300 + 260);
            }
        }
    }
}
