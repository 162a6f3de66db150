//! Questions, and the frames of a serial line as bytes: what a question looks like on the wire,
//! what its answer must look like, and where a whole frame begins and ends.
//!
//! The protocol library composes and decodes frames; what stands here is only what the
//! [guard](super::guard) needs to know *before* the library sees a byte. Only the four functions
//! that read exist here.

use crate::modbus::plan::Block;
/// Bytes of a request to read: unit, function, address, quantity, CRC.
pub(super) const QUESTION_BYTES: usize = 8;
/// Bytes of an exception answer: unit, function with its top bit set, code, CRC.
pub(super) const EXCEPTION_BYTES: usize = 5;
/// Bytes of an answer beyond its data: unit, function, byte count, CRC.
pub const ANSWER_OVERHEAD_BYTES: usize = 5;
/// The longest frame of a serial line (over Serial Line V1.02, section 2.5.1).
pub(super) const FRAME_BYTES_MAX: usize = 256;
/// Set in the function code of an exception answer (Application Protocol V1.1b3, section 4.1).
const EXCEPTION_BIT: u8 = 0x80;

/// One question to one unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Question {
    /// Whom it is put to.
    pub unit: u8,
    /// What is asked for.
    pub block: Block,
}

impl Question {
    /// The whole frame, as it goes out on a serial line.
    pub fn bytes(&self) -> [u8; QUESTION_BYTES] {
        let [start_high, start_low] = self.block.start.to_be_bytes();
        let [count_high, count_low] = self.block.count.to_be_bytes();
        let body = [self.unit, self.block.table.function(), start_high, start_low, count_high, count_low];
        let [crc_low, crc_high] = crc(&body).to_le_bytes();
        let [unit, function, ..] = body;
        [unit, function, start_high, start_low, count_high, count_low, crc_low, crc_high]
    }

    /// What its answer looks like: all that tells one answer of a unit from another.
    pub fn shape(&self) -> Shape {
        Shape::of(self.unit, self.block)
    }

    /// Bytes of its whole answer.
    pub fn answer_bytes(&self) -> usize {
        ANSWER_OVERHEAD_BYTES + usize::from(self.shape().byte_count)
    }
}

/// What can be seen of an answer's question. A serial line carries no transaction number: two
/// questions whose answers have one shape cannot be told apart by their answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Shape {
    /// Who answers.
    pub unit: u8,
    /// The function code, 1 to 4.
    pub function: u8,
    /// How many bytes of data.
    pub byte_count: u8,
}

impl Shape {
    /// The shape of a unit's answer for a block.
    pub fn of(unit: u8, block: Block) -> Shape {
        let bytes =
            if block.table.is_registers() { block.count.saturating_mul(2) } else { block.count.div_ceil(8) };
        let byte_count = u8::try_from(bytes).unwrap_or(u8::MAX);
        Shape { unit, function: block.table.function(), byte_count }
    }
}

/// A frame that is whole: its CRC is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whole {
    /// An answer with data.
    Answer(Shape),
    /// An exception answer.
    Exception {
        /// Who answers.
        unit: u8,
        /// The function code it answers, without the exception bit.
        function: u8,
    },
    /// Anything else: a request of another master, an answer to a function never asked here.
    Other,
}

/// What lies at the beginning of some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Beginning {
    /// A whole frame of this many bytes.
    Frame(Whole, usize),
    /// It may become a frame when more bytes come.
    Unfinished,
    /// No frame begins here.
    Nothing,
}

/// Looks for a frame at the very beginning of `bytes`.
///
/// A frame's length follows from its function code and byte count. Where a function leaves more
/// than one length open (a request and an answer share one code), the CRC decides.
pub(super) fn beginning(bytes: &[u8]) -> Beginning {
    let (Some(&unit), Some(&function)) = (bytes.first(), bytes.get(1)) else {
        return Beginning::Unfinished;
    };
    let answer = bytes.get(2).map(|&byte_count| {
        let shape = Shape { unit, function, byte_count };
        (Whole::Answer(shape), ANSWER_OVERHEAD_BYTES + usize::from(byte_count))
    });
    let possible: [Option<(Whole, usize)>; 2] = match function {
        1..=4 => match answer {
            Some((_, length)) if length > FRAME_BYTES_MAX => [None, Some((Whole::Other, QUESTION_BYTES))],
            Some(answer) => [Some(answer), Some((Whole::Other, QUESTION_BYTES))],
            None => return Beginning::Unfinished,
        },
        5 | 6 | 15 | 16 => [Some((Whole::Other, QUESTION_BYTES)), None],
        _ if function & EXCEPTION_BIT != 0 => {
            let function = function & !EXCEPTION_BIT;
            [Some((Whole::Exception { unit, function }, EXCEPTION_BYTES)), None]
        }
        _ => return Beginning::Nothing,
    };
    let mut unfinished = false;
    for (whole, length) in possible.into_iter().flatten() {
        match bytes.get(..length) {
            Some(frame) if crc_is_right(frame) => return Beginning::Frame(whole, length),
            Some(_) => {}
            None => unfinished = true,
        }
    }
    if unfinished { Beginning::Unfinished } else { Beginning::Nothing }
}

/// The function code of an exception answer.
pub(super) const fn exception(function: u8) -> u8 {
    function | EXCEPTION_BIT
}

/// Whether a frame's last two bytes are the CRC of all before them.
pub fn crc_is_right(frame: &[u8]) -> bool {
    frame.split_last_chunk::<2>().is_some_and(|(body, sent)| crc(body).to_le_bytes() == *sent)
}

/// CRC-16 of a serial line (over Serial Line V1.02, section 6.2.2): polynomial 0xA001 reflected,
/// begun at 0xFFFF, sent low byte first.
pub(super) fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| {
        (0..8).fold(crc ^ u16::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

#[cfg(test)]
use crate::signal::Table;

/// The question that reads `count` items of `table` of `unit` from `start` on.
#[cfg(test)]
pub(super) fn question(unit: u8, table: Table, start: u16, count: u16) -> Question {
    Question { unit, block: Block { table, start, count } }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    /// From *MODBUS over Serial Line V1.02*, section 6.2.2: the worked example of the CRC appendix
    /// (unit 2, function 7 gives 0x1241, sent 41 12).
    #[test]
    fn the_crc_is_that_of_the_standards_example() {
        assert_eq!(crc(&[0x02, 0x07]), 0x1241);
        assert!(crc_is_right(&[0x02, 0x07, 0x41, 0x12]));
    }

    /// The catalogue's check value for this CRC: "123456789" gives 0x4B37.
    #[test]
    fn the_crc_has_the_check_value_of_the_catalogue() {
        assert_eq!(crc(b"123456789"), 0x4B37);
    }

    /// Application Protocol V1.1b3, section 6.3: registers 108–110 are asked for with 03 006B 0003
    /// and answered with 03 06 and six bytes.
    #[test]
    fn a_question_and_its_answer_look_as_in_the_standards_example() {
        let question = question(17, Table::Holding, 0x006B, 3);
        assert_eq!(question.bytes()[..6], [17, 3, 0x00, 0x6B, 0x00, 0x03]);
        assert!(crc_is_right(&question.bytes()));
        assert_eq!(question.shape(), Shape { unit: 17, function: 3, byte_count: 6 });
        assert_eq!(question.answer_bytes(), 11);
    }

    /// Section 6.1: 19 coils are answered with three bytes.
    #[test]
    fn bits_are_packed_eight_to_a_byte() {
        assert_eq!(question(1, Table::Coil, 19, 19).shape().byte_count, 3);
        assert_eq!(question(1, Table::Discrete, 0, 8).shape().byte_count, 1);
        assert_eq!(question(1, Table::Discrete, 0, 2000).shape().byte_count, 250);
    }

    #[test]
    fn a_frame_is_recognised_only_when_it_is_whole_and_undamaged() {
        let mut frame = vec![9, 4, 2, 0x12, 0x34];
        frame.extend(crc(&frame).to_le_bytes());
        let shape = Shape { unit: 9, function: 4, byte_count: 2 };
        assert_eq!(beginning(&frame), Beginning::Frame(Whole::Answer(shape), 7));
        for length in 0..frame.len() {
            assert_eq!(beginning(&frame[..length]), Beginning::Unfinished, "{length} bytes");
        }
        frame[4] ^= 1;
        assert_eq!(beginning(&frame), Beginning::Unfinished, "it could yet be a request");
        frame.push(0);
        assert_eq!(beginning(&frame), Beginning::Nothing);
    }

    #[test]
    fn exceptions_and_requests_are_told_apart() {
        let mut frame = vec![9, 0x84, 2];
        frame.extend(crc(&frame).to_le_bytes());
        assert_eq!(beginning(&frame), Beginning::Frame(Whole::Exception { unit: 9, function: 4 }, 5));
        let request = question(9, Table::Input, 0x0203, 1).bytes();
        assert_eq!(beginning(&request), Beginning::Frame(Whole::Other, 8));
    }
}
