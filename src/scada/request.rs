//! One request and its answer: Modbus PDUs over an image. Pure.
//!
//! Source: *MODBUS Application Protocol V1.1b3*, sections 6.1 to 6.4 and 7. The order of the checks
//! is that of its state diagrams: function (01), quantity (03), address (02).

use crate::scada::image::Image;

/// Section 6.1: the most bits in one request.
const BITS_MAX: u16 = 2_000;
/// Section 6.3: the most registers in one request.
const REGISTERS_MAX: u16 = 125;

/// Function, address, quantity.
const READ_BYTES: usize = 5;

const READ_COILS: u8 = 1;
const READ_DISCRETE_INPUTS: u8 = 2;
const READ_HOLDING_REGISTERS: u8 = 3;
pub(super) const READ_INPUT_REGISTERS: u8 = 4;

/// Set in the function code of an exception answer.
const IS_EXCEPTION: u8 = 0x80;

/// Why a request is refused (section 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Exception {
    /// Not a function of this server: everything but reading.
    Function,
    /// There is nothing at this address, or not so much.
    Address,
    /// The quantity is out of bounds, or the request is of the wrong length.
    Value,
}

impl Exception {
    const fn code(self) -> u8 {
        match self {
            Exception::Function => 1,
            Exception::Address => 2,
            Exception::Value => 3,
        }
    }
}

/// The answer to the request that begins with `function` and goes on with `rest`, appended to `out`.
pub(super) fn answer(function: u8, rest: &[u8], image: &Image, out: &mut Vec<u8>) {
    let begin = out.len();
    let answered = match function {
        READ_COILS | READ_DISCRETE_INPUTS => read_bits(function, rest, image, out),
        READ_HOLDING_REGISTERS | READ_INPUT_REGISTERS => read_registers(function, rest, image, out),
        _ => Err(Exception::Function),
    };
    if let Err(exception) = answered {
        out.truncate(begin);
        out.extend([function | IS_EXCEPTION, exception.code()]);
    }
}

fn read_registers(function: u8, rest: &[u8], image: &Image, out: &mut Vec<u8>) -> Result<(), Exception> {
    let (address, quantity) = place(rest, REGISTERS_MAX)?;
    let registers = image.registers(address, quantity).ok_or(Exception::Address)?;
    begin(function, registers.len() * 2, out)?;
    out.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
    Ok(())
}

/// Eight bits to a byte, the first in the least place; the last byte is filled up with zeros.
fn read_bits(function: u8, rest: &[u8], image: &Image, out: &mut Vec<u8>) -> Result<(), Exception> {
    let (address, quantity) = place(rest, BITS_MAX)?;
    let bits = image.bits(address, quantity).ok_or(Exception::Address)?;
    begin(function, bits.len().div_ceil(8), out)?;
    out.extend(
        bits.chunks(8).map(|eight| eight.iter().rev().fold(0_u8, |byte, bit| byte << 1 | u8::from(*bit))),
    );
    Ok(())
}

fn begin(function: u8, bytes: usize, out: &mut Vec<u8>) -> Result<(), Exception> {
    let bytes = u8::try_from(bytes).map_err(|_| Exception::Value)?;
    out.extend([function, bytes]);
    Ok(())
}

/// Address and quantity of a read.
fn place(rest: &[u8], quantity_max: u16) -> Result<(u16, u16), Exception> {
    let [address_high, address_low, quantity_high, quantity_low] = *rest else {
        return Err(Exception::Value);
    };
    let quantity = u16::from_be_bytes([quantity_high, quantity_low]);
    if !(1..=quantity_max).contains(&quantity) {
        return Err(Exception::Value);
    }
    Ok((u16::from_be_bytes([address_high, address_low]), quantity))
}

/// The PDU that reads `quantity` input registers from `address` on.
pub(super) fn read_input_registers(address: u16, quantity: u16) -> [u8; READ_BYTES] {
    let ([address_high, address_low], [quantity_high, quantity_low]) =
        (address.to_be_bytes(), quantity.to_be_bytes());
    [READ_INPUT_REGISTERS, address_high, address_low, quantity_high, quantity_low]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the server answers to a whole PDU.
    fn asked(pdu: &[u8], image: &Image) -> Vec<u8> {
        let mut out = Vec::new();
        answer(pdu[0], &pdu[1..], image, &mut out);
        out
    }

    /// V1.1b3, section 6.3: registers 108 to 110 hold 555, 0 and 100.
    #[test]
    fn holding_registers_are_read_as_in_the_standards_example() {
        let image = Image::of_registers(0x6B, vec![555, 0, 100]);
        let told = asked(&[0x03, 0x00, 0x6B, 0x00, 0x03], &image);
        assert_eq!(told, [0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
    }

    /// Section 6.4: input register 9 holds 10.
    #[test]
    fn input_registers_are_read_as_in_the_standards_example() {
        let image = Image::of_registers(8, vec![10]);
        assert_eq!(asked(&[0x04, 0x00, 0x08, 0x00, 0x01], &image), [0x04, 0x02, 0x00, 0x0A]);
        assert_eq!(read_input_registers(8, 1), [0x04, 0x00, 0x08, 0x00, 0x01]);
    }

    /// Bits `from` to `to` of the data model, counted from 1, of which these are on.
    fn bits(to: usize, on: &[usize]) -> Image {
        Image::of_bits((1..=to).map(|number| on.contains(&number)).collect())
    }

    /// Section 6.1: coils 20 to 38.
    #[test]
    fn coils_are_read_as_in_the_standards_example() {
        let image = bits(38, &[20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38]);
        assert_eq!(asked(&[0x01, 0x00, 0x13, 0x00, 0x13], &image), [0x01, 0x03, 0xCD, 0x6B, 0x05]);
    }

    /// Section 6.2: discrete inputs 197 to 218.
    #[test]
    fn discrete_inputs_are_read_as_in_the_standards_example() {
        let on = [199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218];
        let told = asked(&[0x02, 0x00, 0xC4, 0x00, 0x16], &bits(218, &on));
        assert_eq!(told, [0x02, 0x03, 0xAC, 0xDB, 0x35]);
    }

    /// Section 7: a coil at an address that does not exist.
    #[test]
    fn an_address_that_is_not_there_is_refused_as_in_the_standards_example() {
        assert_eq!(asked(&[0x01, 0x04, 0xA1, 0x00, 0x01], &bits(100, &[])), [0x81, 0x02]);
    }

    /// Section 7, the explanation of code 02: a device with 100 registers, from 96 on.
    #[test]
    fn a_read_that_begins_inside_and_ends_outside_is_refused() {
        let image = Image::of_registers(0, vec![0; 100]);
        assert_eq!(asked(&[0x03, 0, 96, 0, 4], &image).len(), 2 + 8);
        assert_eq!(asked(&[0x03, 0, 96, 0, 5], &image), [0x83, 0x02]);
        assert_eq!(asked(&[0x03, 0xFF, 0xFF, 0, 2], &image), [0x83, 0x02]);
    }

    /// The state diagrams of sections 6.1 to 6.4: function, then quantity, then address.
    #[test]
    fn the_first_fault_in_the_standards_order_is_the_one_that_is_told() {
        let image = Image::of_registers(0, vec![0; 100]);
        let nowhere = [0xFF, 0xFF];
        for function in (0..=0xFF_u8).filter(|function| !(1..=4).contains(function)) {
            let told = asked(&[function, 0xFF, 0xFF, 0, 0], &image);
            assert_eq!(told, [function | 0x80, 0x01], "function {function}");
        }
        for (function, quantity) in [(1, 0), (1, 2001), (2, 0xFFFF), (3, 0), (3, 126), (4, 126), (4, 0xFFFF)]
        {
            let [high, low] = u16::to_be_bytes(quantity);
            let told = asked(&[function, nowhere[0], nowhere[1], high, low], &image);
            assert_eq!(told, [function | 0x80, 0x03], "{function} {quantity}");
        }
        assert_eq!(asked(&[3, nowhere[0], nowhere[1], 0, 1], &image), [0x83, 0x02]);
    }

    #[test]
    fn a_request_of_the_wrong_length_is_an_illegal_value() {
        let image = Image::of_registers(0, vec![0; 100]);
        for length in [1, 2, 4, 6, 200] {
            let mut pdu = vec![0; length];
            pdu[0] = 3;
            assert_eq!(asked(&pdu, &image), [0x83, 0x03], "{length}");
        }
    }

    #[test]
    fn the_most_that_may_be_asked_for_is_told_whole() {
        let image = Image::of_registers(0, (0..125).collect());
        let told = asked(&[3, 0, 0, 0, 125], &image);
        assert_eq!((told.len(), told[1], told[251]), (252, 250, 124));
        let told = asked(&[1, 0, 0, 0x07, 0xD0], &bits(2000, &[2000]));
        assert_eq!((told.len(), told[1], told[251]), (252, 250, 0x80));
    }
}
