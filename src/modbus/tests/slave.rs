//! A scripted line to test against: devices that answer every address with a word made from it,
//! and that misbehave as they are told to.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio::time::sleep;

use crate::modbus::frame::crc;

/// The word that stands at an address of a table of a unit: no two of those asked for in these
/// tests have the same, so that an answer to another question shows.
pub fn word(unit: u8, function: u8, address: u16) -> u16 {
    u16::from(unit) << 12 ^ u16::from(function) << 10 ^ address
}

/// The bit that stands there.
pub fn bit(unit: u8, function: u8, address: u16) -> bool {
    word(unit, function, address).count_ones() % 2 == 1
}

/// A question as it arrives.
#[derive(Debug, Clone, Copy)]
pub struct Heard {
    pub unit: u8,
    pub function: u8,
    pub start: u16,
    pub count: u16,
    pub bytes: [u8; 8],
}

/// What is done on a question, one after the other.
#[derive(Debug, Clone)]
pub enum Act {
    Wait(Duration),
    Send(Vec<u8>),
}

pub fn sealed(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(crc(body).to_le_bytes());
    frame
}

pub fn exception(unit: u8, function: u8, code: u8) -> Vec<u8> {
    sealed(&[unit, function | 0x80, code])
}

impl Heard {
    /// The right answer.
    pub fn answer(&self) -> Vec<u8> {
        answer(self.unit, self.function, self.start, self.count)
    }
}

/// The right answer of a unit for a range.
pub fn answer(unit: u8, function: u8, start: u16, count: u16) -> Vec<u8> {
    let addresses = (0..count).map(|offset| start.wrapping_add(offset));
    let data: Vec<u8> = if function <= 2 {
        let bits: Vec<bool> = addresses.map(|address| bit(unit, function, address)).collect();
        let byte = |bits: &[bool]| bits.iter().rev().fold(0, |byte, bit| byte << 1 | u8::from(*bit));
        bits.chunks(8).map(byte).collect()
    } else {
        addresses.flat_map(|address| word(unit, function, address).to_be_bytes()).collect()
    };
    let mut body = vec![unit, function, u8::try_from(data.len()).unwrap()];
    body.extend(data);
    sealed(&body)
}

/// Reads questions and does what `script` says on each, one after the other: a question that
/// comes meanwhile waits, as in a slow device.
pub async fn serve(mut line: DuplexStream, mut script: impl FnMut(Heard) -> Vec<Act>) {
    let mut bytes = [0; 8];
    while line.read_exact(&mut bytes).await.is_ok() {
        assert_eq!(crc(&bytes[..6]).to_le_bytes(), bytes[6..], "a question is always whole");
        let [unit, function, start_high, start_low, count_high, count_low, ..] = bytes;
        let start = u16::from_be_bytes([start_high, start_low]);
        let count = u16::from_be_bytes([count_high, count_low]);
        for act in script(Heard { unit, function, start, count, bytes }) {
            match act {
                Act::Wait(time) => sleep(time).await,
                Act::Send(frame) => {
                    if line.write_all(&frame).await.is_err() {
                        return;
                    }
                }
            }
        }
    }
}

/// Chance that repeats itself: a xorshift generator.
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }

    pub fn percent(&mut self, chance: u64) -> bool {
        self.below(100) < chance
    }

    pub fn index(&mut self, length: usize) -> usize {
        usize::try_from(self.below(u64::try_from(length).unwrap())).unwrap()
    }

    pub fn between(&mut self, least: Duration, most: Duration) -> Duration {
        let span = u64::try_from((most - least).as_micros()).unwrap();
        least + Duration::from_micros(self.below(span.max(1)))
    }
}
