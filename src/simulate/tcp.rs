//! A Modbus TCP connection as a device sees it.
//!
//! Pure, like [`super::rtu`]. A stream that cannot be cut into frames any more is hung up, as the
//! Modbus Messaging on TCP/IP Implementation Guide V1.0b advises in section 4.2.2.

use std::collections::VecDeque;

use crate::moment::Mono;
use crate::simulate::frame::{TcpHeader, tcp_frame};
use crate::simulate::{Line, Wire};

/// So many bytes are kept of a stream that waits to be cut into frames.
const HEARD_BYTES_MAX: usize = 4096;

/// One end of a Modbus TCP connection.
#[derive(Debug, Default)]
pub struct TcpWire {
    heard: Vec<u8>,
    outgoing: VecDeque<(Mono, Vec<u8>)>,
    hung_up: bool,
}

impl TcpWire {
    /// A connection on which nothing has been said yet.
    pub fn new() -> Self {
        TcpWire::default()
    }

    fn take_question(&mut self, now: Mono, line: &mut Line) -> Option<()> {
        let header = TcpHeader::parse(&self.heard)?;
        if !(2..=TcpHeader::LENGTH_MAX).contains(&header.length) {
            line.count_damaged();
            self.hung_up = true;
            return None;
        }
        let end = TcpHeader::BYTES - 1 + usize::from(header.length);
        let pdu = self.heard.get(TcpHeader::BYTES..end)?.to_vec();
        self.heard.drain(..end);
        if header.protocol != 0 {
            line.count_damaged();
        } else if let Some(answer) = line.answer(header.unit, &pdu, now) {
            self.hung_up |= answer.hang_up;
            let due = now + answer.turnaround + answer.late;
            if answer.foreign {
                let other = header.transaction.wrapping_add(0x8000);
                self.outgoing.push_back((due, tcp_frame(other, answer.unit, &answer.pdu)));
            }
            let mut frame = tcp_frame(header.transaction, answer.unit, &answer.pdu);
            frame.truncate(answer.truncated.unwrap_or(frame.len()));
            self.outgoing.push_back((due, frame));
        }
        Some(())
    }
}

impl Wire for TcpWire {
    fn hear(&mut self, bytes: &[u8], now: Mono, line: &mut Line) {
        let room = HEARD_BYTES_MAX.saturating_sub(self.heard.len());
        self.hung_up |= bytes.len() > room;
        self.heard.extend(bytes.iter().take(room));
        while !self.hung_up && self.take_question(now, line).is_some() {}
    }

    fn next_due(&self) -> Option<Mono> {
        self.outgoing.iter().map(|(due, _)| *due).min()
    }

    /// No silence parts frames here.
    fn askable_from(&self) -> Option<Mono> {
        None
    }

    fn take_due(&mut self, now: Mono, _line: &mut Line) -> Vec<u8> {
        let mut due = Vec::new();
        self.outgoing.retain(|(at, frame)| {
            let ripe = *at <= now;
            if ripe {
                due.extend(frame);
            }
            !ripe
        });
        due
    }

    fn hung_up(&self) -> bool {
        self.hung_up
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::signal::Table;
    use crate::simulate::{Device, Fault, Rule};

    fn line() -> Line {
        Line::new(vec![Device::new(0x11).with(Table::Holding, 107, &[555, 0, 100])], 1)
    }

    // Modbus Application Protocol V1.1b3, section 6.3, behind the header of section 4.1.
    const QUESTION: [u8; 12] = [0, 1, 0, 0, 0, 6, 0x11, 3, 0, 0x6B, 0, 3];
    const ANSWER: [u8; 15] = [0, 1, 0, 0, 0, 9, 0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64];

    #[test]
    fn the_standards_example_is_answered_as_it_says() {
        let (mut wire, mut line) = (TcpWire::new(), line());
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        assert_eq!(wire.take_due(Mono::ZERO, &mut line), ANSWER);
    }

    #[test]
    fn questions_may_come_in_pieces_and_together() {
        let (mut wire, mut line) = (TcpWire::new(), line());
        let stream = [QUESTION, QUESTION].concat();
        for byte in stream {
            wire.hear(&[byte], Mono::ZERO, &mut line);
        }
        assert_eq!(wire.take_due(Mono::ZERO, &mut line), [ANSWER, ANSWER].concat());
    }

    #[test]
    fn a_frame_of_another_protocol_is_dropped_and_the_next_one_answered() {
        let (mut wire, mut line) = (TcpWire::new(), line());
        let mut other = QUESTION;
        other[3] = 1;
        wire.hear(&[other, QUESTION].concat(), Mono::ZERO, &mut line);
        assert_eq!(wire.take_due(Mono::ZERO, &mut line), ANSWER);
        assert_eq!(line.counts().damaged, 1);
    }

    #[test]
    fn a_length_that_cannot_be_ends_the_connection() {
        for length in [0_u16, 1, 255, 65_535] {
            let (mut wire, mut line) = (TcpWire::new(), line());
            let [high, low] = length.to_be_bytes();
            wire.hear(&[0, 1, 0, 0, high, low, 0x11, 3], Mono::ZERO, &mut line);
            assert!(wire.hung_up(), "length {length}");
        }
    }

    #[test]
    fn late_foreign_and_hung_up_answers_are_so() {
        let (mut wire, mut line) = (TcpWire::new(), line());
        line.set_faults(vec![
            Rule::unit(0x11, Fault::Late(Duration::from_millis(5))),
            Rule::unit(0x11, Fault::Foreign),
        ]);
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        assert!(wire.take_due(Mono::from_millis(4), &mut line).is_empty());
        let came = wire.take_due(Mono::from_millis(5), &mut line);
        assert_eq!((&came[..2], &came[15..]), (&[0x80, 1][..], &ANSWER[..]));

        line.set_faults(vec![Rule::unit(0x11, Fault::HangUp)]);
        wire.hear(&QUESTION, Mono::ZERO, &mut line);
        assert!(wire.hung_up());
    }
}
