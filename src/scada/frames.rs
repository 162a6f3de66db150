//! Requests off a stream of bytes, and the answers in their order. Pure.
//!
//! Source: *MODBUS Messaging on TCP/IP Implementation Guide V1.0b*, section 3.1.3: transaction id (2,
//! echoed), protocol id (2, zero for Modbus), length (2, of what follows), unit id (1, echoed).

use crate::scada::image::Image;
use crate::scada::request;

/// Transaction id, protocol id, length.
const BEFORE_LENGTH_COUNTS: usize = 6;
/// A unit id and a function code are the least that a request can be.
const LENGTH_MIN: u16 = 2;
/// A unit id and the longest PDU, 253 bytes (V1.1b3, section 4.1).
const LENGTH_MAX: u16 = 254;

/// The most bytes of one frame.
pub(super) const FRAME_BYTES_MAX: usize = 260;

/// The bytes cannot be cut into frames any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NotModbus;

/// Answers every whole request that `arrived` begins with, in order, and takes it off.
///
/// # Errors
/// When a header claims a length that no request has: where the next one begins is not known.
pub(super) fn answer_all(arrived: &mut Vec<u8>, image: &Image, out: &mut Vec<u8>) -> Result<(), NotModbus> {
    let mut rest: &[u8] = arrived;
    while let Some((frame, after)) = split_frame(rest)? {
        answer(frame, image, out);
        rest = after;
    }
    let answered = arrived.len() - rest.len();
    arrived.drain(..answered);
    Ok(())
}

/// A whole frame, and what comes after it.
type Split<'a> = (&'a [u8], &'a [u8]);

/// The first frame; `None` while it is not whole.
fn split_frame(bytes: &[u8]) -> Result<Option<Split<'_>>, NotModbus> {
    let Some([_, _, _, _, length_high, length_low]) = bytes.first_chunk::<BEFORE_LENGTH_COUNTS>() else {
        return Ok(None);
    };
    let length = u16::from_be_bytes([*length_high, *length_low]);
    if !(LENGTH_MIN..=LENGTH_MAX).contains(&length) {
        return Err(NotModbus);
    }
    Ok(bytes.split_at_checked(BEFORE_LENGTH_COUNTS + usize::from(length)))
}

/// Answers one whole frame. A frame of another protocol is discarded, and so is one to a unit id
/// that the standard holds in reserve.
fn answer(frame: &[u8], image: &Image, out: &mut Vec<u8>) {
    let [transaction_high, transaction_low, 0, 0, _, _, unit, function, ref rest @ ..] = *frame else {
        return;
    };
    if !is_ours(unit) {
        return;
    }
    out.extend([transaction_high, transaction_low, 0, 0, 0, 0, unit]);
    let pdu_begins = out.len();
    request::answer(function, rest, image, out);
    let length = u16::try_from(1 + out.len() - pdu_begins).unwrap_or(LENGTH_MAX);
    let length_at = pdu_begins - 3..pdu_begins - 1;
    if let Some(field) = out.get_mut(length_at) {
        field.copy_from_slice(&length.to_be_bytes());
    }
}

/// 255 and 0 address a server by its IP address alone; masters that know only serial unit ids send
/// 1 to 247. All mean this box. 248 to 254 are in reserve.
const fn is_ours(unit: u8) -> bool {
    matches!(unit, 0..=247 | 255)
}

/// The whole frame that reads `quantity` input registers from `address` on, as unit 1 and with
/// transaction 1: to be tried by hand.
pub fn read_request(address: u16, quantity: u16) -> [u8; 12] {
    let mut frame = [0, 1, 0, 0, 0, 6, 1, 0, 0, 0, 0, 0];
    frame[7..].copy_from_slice(&request::read_input_registers(address, quantity));
    frame
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What the server answers, and what it holds back for the rest to come.
    fn asked(bytes: &[u8], image: &Image) -> (Vec<u8>, usize) {
        let (mut arrived, mut out) = (bytes.to_vec(), Vec::new());
        answer_all(&mut arrived, image, &mut out).unwrap();
        (out, arrived.len())
    }

    /// The examples of V1.1b3, sections 6.3, 6.4 and 7, behind a header: transaction 1, unit 17.
    #[test]
    fn whole_frames_are_answered_as_the_standards_examples_say() {
        let image = Image::of_registers(0x6B, vec![555, 0, 100]);
        let request = [0, 1, 0, 0, 0, 6, 0x11, 3, 0, 0x6B, 0, 3];
        let answer = [0, 1, 0, 0, 0, 9, 0x11, 3, 6, 0x02, 0x2B, 0, 0, 0, 0x64];
        assert_eq!(asked(&request, &image), (answer.to_vec(), 0));

        let image = Image::of_registers(8, vec![10]);
        let request = [0, 1, 0, 0, 0, 6, 0x11, 4, 0, 8, 0, 1];
        assert_eq!(asked(&request, &image).0, [0, 1, 0, 0, 0, 5, 0x11, 4, 2, 0, 0x0A]);

        let request = [0, 1, 0, 0, 0, 6, 0x11, 1, 0x04, 0xA1, 0, 1];
        assert_eq!(asked(&request, &image).0, [0, 1, 0, 0, 0, 3, 0x11, 0x81, 2]);
    }

    /// The example of the open Modbus/TCP specification (1999): one register at offset 4, unit 9,
    /// holds 5.
    #[test]
    fn the_example_of_the_first_modbus_tcp_specification_holds() {
        let image = Image::of_registers(4, vec![5]);
        let request = [0, 0, 0, 0, 0, 6, 9, 3, 0, 4, 0, 1];
        assert_eq!(asked(&request, &image).0, [0, 0, 0, 0, 0, 5, 9, 3, 2, 0, 5]);
    }

    #[test]
    fn requests_sent_at_once_are_answered_in_their_order_however_they_are_cut() {
        let image = Image::of_registers(0, vec![7, 8, 9]);
        let request = |transaction: u8, address: u8| [0xAB, transaction, 0, 0, 0, 6, 1, 4, 0, address, 0, 1];
        let bytes = [request(1, 0), request(2, 1), request(3, 9), request(4, 2)].concat();
        let whole = asked(&bytes, &image).0;
        assert_eq!(whole[1], 1);
        assert_eq!(whole[22..31], [0xAB, 3, 0, 0, 0, 3, 1, 0x84, 2]);
        for cut in 0..=bytes.len() {
            let (mut arrived, mut out) = (bytes[..cut].to_vec(), Vec::new());
            answer_all(&mut arrived, &image, &mut out).unwrap();
            arrived.extend(&bytes[cut..]);
            answer_all(&mut arrived, &image, &mut out).unwrap();
            assert_eq!((out, arrived.len()), (whole.clone(), 0), "cut at {cut}");
        }
    }

    #[test]
    fn a_frame_of_another_protocol_is_discarded_and_the_next_one_answered() {
        let image = Image::of_registers(0, vec![7]);
        let other = [0, 1, 0, 1, 0, 6, 1, 3, 0, 0, 0, 1];
        let ours = [0, 2, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1];
        assert_eq!(asked(&other, &image), (Vec::new(), 0));
        assert_eq!(asked(&[other, ours].concat(), &image).0, [0, 2, 0, 0, 0, 5, 1, 3, 2, 0, 7]);
    }

    #[test]
    fn every_unit_id_but_the_reserved_ones_is_answered_and_echoed() {
        let image = Image::of_registers(0, vec![7]);
        for unit in 0..=255 {
            let (told, _) = asked(&[0, 1, 0, 0, 0, 6, unit, 3, 0, 0, 0, 1], &image);
            assert_eq!(told.is_empty(), (248..=254).contains(&unit), "unit {unit}");
            assert!(told.get(6).is_none_or(|echoed| *echoed == unit));
        }
    }

    #[test]
    fn a_length_that_no_request_has_ends_the_stream() {
        let image = Image::of_registers(0, vec![7]);
        for length in [0, 1, 255, 256, 0xFFFF] {
            let [high, low] = u16::to_be_bytes(length);
            let mut arrived = vec![0, 1, 0, 0, high, low, 1, 3];
            assert_eq!(answer_all(&mut arrived, &image, &mut Vec::new()), Err(NotModbus), "{length}");
        }
    }

    proptest! {
        #[test]
        fn whatever_arrives_is_answered_in_whole_frames_or_ends_the_stream(
            bytes in prop::collection::vec(prop_oneof![3 => 0_u8..8, 1 => any::<u8>()], 0..600)
        ) {
            let image = Image::of_registers(0, vec![7; 300]);
            let (mut arrived, mut out) = (bytes, Vec::new());
            let ended = answer_all(&mut arrived, &image, &mut out);
            prop_assert!(ended.is_err() || arrived.len() < FRAME_BYTES_MAX);
            let mut rest: &[u8] = &out;
            while let Some((frame, after)) = split_frame(rest).unwrap() {
                prop_assert_eq!(&frame[2..4], &[0, 0]);
                rest = after;
            }
            prop_assert!(rest.is_empty());
        }
    }
}
