//! Requests out of bytes and answers into bytes, for function codes 03 and 04.
//!
//! Written from MODBUS Application Protocol V1.1b3 (sections 6.3, 6.4), MODBUS over Serial Line V1.02
//! (section 6.2.2, CRC) and the MBAP header of section 4.1, without a look at siskin's own framing.

/// What travels on the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framing {
    /// Unit, function, data, CRC.
    Rtu,
    /// MBAP header, function, data.
    Tcp,
}

/// A request to read registers.
pub struct Request {
    pub bytes: Vec<u8>,
    pub unit: u8,
    pub function: u8,
    pub address: u16,
    pub count: u16,
}

const RTU_REQUEST_BYTES: usize = 8;
const TCP_REQUEST_BYTES: usize = 12;

impl Framing {
    /// The next whole request; bytes that begin none are passed over.
    pub fn take_request(self, input: &mut Vec<u8>) -> Option<Request> {
        let length = match self {
            Framing::Rtu => RTU_REQUEST_BYTES,
            Framing::Tcp => TCP_REQUEST_BYTES,
        };
        while input.len() >= length {
            let bytes = &input[..length];
            let (whole, pdu) = match self {
                Framing::Rtu => (crc(bytes) == 0, &bytes[..6]),
                Framing::Tcp => (bytes[2..6] == [0, 0, 0, 6], &bytes[6..]),
            };
            if !whole || !matches!(pdu[1], 3 | 4) {
                input.remove(0);
                continue;
            }
            let request = Request {
                bytes: bytes.to_vec(),
                unit: pdu[0],
                function: pdu[1],
                address: u16::from_be_bytes([pdu[2], pdu[3]]),
                count: u16::from_be_bytes([pdu[4], pdu[5]]),
            };
            input.drain(..length);
            return Some(request);
        }
        None
    }

    /// An answer to `request` as if from `unit` and `function`, holding `words`.
    pub fn response(
        self,
        request: &Request,
        unit: u8,
        function: u8,
        words: impl Iterator<Item = u16>,
    ) -> Vec<u8> {
        let data: Vec<u8> = words.flat_map(u16::to_be_bytes).collect();
        let mut pdu = vec![unit, function, data.len() as u8];
        pdu.extend(data);
        match self {
            Framing::Rtu => {
                let sum = crc(&pdu).to_le_bytes();
                pdu.extend(sum);
                pdu
            }
            Framing::Tcp => {
                let mut frame = request.bytes[..4].to_vec();
                frame.extend((pdu.len() as u16).to_be_bytes());
                frame.extend(pdu);
                frame
            }
        }
    }
}

/// CRC-16 of the serial line: reflected, polynomial A001, from FFFF. Over a whole frame it is zero.
pub fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}
