//! The frames of a Modbus line as a device sees them: the RTU check sum and pace, and the TCP header.
//!
//! Written from the standards and apart from the polling side on purpose: the two can only agree if
//! both are right.

use std::time::Duration;

/// The most bytes an RTU frame may have (Modbus over Serial Line V1.02, section 2.5.1).
pub(super) const FRAME_BYTES_MAX: usize = 256;

/// The check sum of an RTU frame: `x^16 + x^15 + x^2 + 1` reflected, preset to ones
/// (Modbus over Serial Line V1.02, section 6.2.2). It travels low byte first.
pub(super) fn check_sum(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |sum, byte| {
        (0..8).fold(sum ^ u16::from(*byte), |sum, _| if sum & 1 == 1 { sum >> 1 ^ 0xA001 } else { sum >> 1 })
    })
}

/// A whole RTU frame: address, PDU, check sum.
pub(super) fn rtu_frame(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    frame.extend(check_sum(&frame).to_le_bytes());
    frame
}

/// Takes an RTU frame apart; `None` when it is too short, or its check sum is wrong.
pub(super) fn rtu_parts(frame: &[u8]) -> Option<(u8, &[u8])> {
    let (body, sum) = frame.split_last_chunk::<2>()?;
    let (unit, pdu) = body.split_first()?;
    (!pdu.is_empty() && check_sum(body) == u16::from_le_bytes(*sum)).then_some((*unit, pdu))
}

/// The header of Modbus TCP (Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct TcpHeader {
    pub transaction: u16,
    pub protocol: u16,
    /// Bytes that follow the length field: the unit id and the PDU.
    pub length: u16,
    pub unit: u8,
}

impl TcpHeader {
    /// Its size on the wire.
    pub const BYTES: usize = 7;
    /// The greatest length it may tell: the unit id and a PDU of 253 bytes.
    pub const LENGTH_MAX: u16 = 254;

    /// The header at the front of `bytes`, when it is all there.
    pub fn parse(bytes: &[u8]) -> Option<TcpHeader> {
        let [t0, t1, p0, p1, l0, l1, unit] = *bytes.first_chunk()?;
        Some(TcpHeader {
            transaction: u16::from_be_bytes([t0, t1]),
            protocol: u16::from_be_bytes([p0, p1]),
            length: u16::from_be_bytes([l0, l1]),
            unit,
        })
    }
}

/// A whole Modbus TCP frame.
pub(super) fn tcp_frame(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let length = u16::try_from(pdu.len() + 1).unwrap_or(TcpHeader::LENGTH_MAX);
    let mut frame = Vec::with_capacity(TcpHeader::BYTES + pdu.len());
    frame.extend(transaction.to_be_bytes());
    frame.extend(0_u16.to_be_bytes());
    frame.extend(length.to_be_bytes());
    frame.push(unit);
    frame.extend(pdu);
    frame
}

/// How fast characters pass, and how long the line is silent between frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// Time one character takes.
    pub character: Duration,
    /// The silence that ends a frame: 3.5 characters, or 1.75 ms above 19200 baud
    /// (Modbus over Serial Line V1.02, section 2.5.1.1).
    pub silence: Duration,
}

impl Pace {
    const FIXED_SILENCE: Duration = Duration::from_micros(1750);

    /// Characters take no time; the silence is the least the standard knows.
    pub const UNPACED: Pace = Pace { character: Duration::ZERO, silence: Pace::FIXED_SILENCE };

    /// The pace of a serial line: `bits` on the wire for each character at `baud` bits per second.
    pub fn of(baud: u32, bits: u32) -> Pace {
        let nanos = u64::from(bits) * 1_000_000_000 / u64::from(baud.max(1));
        let character = Duration::from_nanos(nanos);
        let silence = if baud > 19_200 { Pace::FIXED_SILENCE } else { Duration::from_nanos(nanos * 7 / 2) };
        Pace { character, silence }
    }

    /// How long so many characters take.
    pub(super) fn characters(&self, count: usize) -> Duration {
        self.character.saturating_mul(u32::try_from(count).unwrap_or(u32::MAX))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use super::*;

    #[test]
    fn the_check_sum_is_that_of_the_published_examples() {
        // The catalogue's check value for CRC-16/MODBUS, and the worked example of Modbus over
        // Serial Line V1.02, appendix B.
        assert_eq!(check_sum(b"123456789"), 0x4B37);
        assert_eq!(rtu_frame(2, &[7]), [0x02, 0x07, 0x41, 0x12]);
    }

    #[test]
    fn a_frame_with_any_one_bit_flipped_is_not_taken() {
        let good = rtu_frame(0x11, &[0x03, 0x00, 0x6B, 0x00, 0x03]);
        assert_eq!(good, [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]);
        assert_eq!(rtu_parts(&good), Some((0x11, &[0x03, 0x00, 0x6B, 0x00, 0x03][..])));
        for bit in 0..good.len() * 8 {
            let mut bad = good.clone();
            *bad.get_mut(bit / 8).unwrap() ^= 1 << (bit % 8);
            assert_eq!(rtu_parts(&bad), None, "bit {bit}");
        }
    }

    #[test]
    fn a_frame_too_short_to_ask_anything_is_not_taken() {
        for length in 0..4 {
            assert_eq!(rtu_parts(&rtu_frame(2, &[7])[..length]), None);
        }
    }

    #[test]
    fn silences_are_those_of_the_serial_line_standard() {
        // Modbus over Serial Line V1.02, section 2.5.1.1, with its 11-bit characters.
        assert_eq!(Pace::of(9600, 11).silence.as_micros(), 4010);
        assert_eq!(Pace::of(19_200, 11).silence.as_micros(), 2005);
        assert_eq!(Pace::of(38_400, 11).silence.as_micros(), 1750);
        assert_eq!(Pace::of(9600, 11).character.as_nanos(), 1_145_833);
    }

    #[test]
    fn the_tcp_frame_is_that_of_the_open_specification() {
        // Open Modbus/TCP Specification, 1999: one register at offset 4 of unit 9 holds 5.
        let request = [0, 0, 0, 0, 0, 6, 9, 3, 0, 4, 0, 1];
        let header = TcpHeader::parse(&request).unwrap();
        assert_eq!(header, TcpHeader { transaction: 0, protocol: 0, length: 6, unit: 9 });
        assert_eq!(tcp_frame(0, 9, &[3, 2, 0, 5]), [0, 0, 0, 0, 0, 5, 9, 3, 2, 0, 5]);
    }
}
