//! What becomes of characters when sender and receiver are set to other speeds or formats.
//!
//! A receiver waits for the line to fall, and from there looks at it once in the middle of every bit at
//! *its own* speed (Modbus over Serial Line V1.02, section 2.5.1, for the bits of a character). Pure; levels
//! as they are on the wire, without noise and rise times.

use crate::config::{Parity, SerialSettings};

/// A character as a receiver made it out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Character {
    byte: u8,
    /// Parity and stop bit were as they must be.
    sound: bool,
}

/// What a device makes of a frame; `None` when a character of it was not sound: it then ignores all.
pub(super) fn heard_by_device(
    bytes: &[u8],
    sent: SerialSettings,
    received: SerialSettings,
) -> Option<Vec<u8>> {
    let characters = received_as(bytes, sent, received);
    characters.iter().all(|character| character.sound).then(|| characters.iter().map(|it| it.byte).collect())
}

/// What a serial port hands to its program of a frame. A character that is not sound is a zero where
/// parity is checked, and dropped where there is none: so `termios(3)` has it for the settings that the
/// serial library makes.
pub(super) fn heard_by_host(bytes: &[u8], sent: SerialSettings, received: SerialSettings) -> Vec<u8> {
    let as_handed = |character: &Character| match (character.sound, received.parity) {
        (true, _) => Some(character.byte),
        (false, Parity::None) => None,
        (false, Parity::Even | Parity::Odd) => Some(0),
    };
    received_as(bytes, sent, received).iter().filter_map(as_handed).collect()
}

fn received_as(bytes: &[u8], sent: SerialSettings, received: SerialSettings) -> Vec<Character> {
    let levels = levels(bytes, sent);
    let wire = Levels { levels, baud: sent.baud };
    let parity_bits = u64::from(received.parity != Parity::None);
    let mut characters = Vec::new();
    let mut from = 0;
    while let Some(start) = wire.falls_from(from) {
        // The middle of bit `n` after the fall; bit 0 is the start bit.
        let bit = |n: u64| wire.level(start, n, received.baud);
        let byte = (0..8).fold(0_u8, |byte, n| byte | u8::from(bit(1 + n)) << n);
        let parity_is_right = match received.parity {
            Parity::None => true,
            Parity::Even => bit(9) == is_odd(byte),
            Parity::Odd => bit(9) != is_odd(byte),
        };
        let sound = parity_is_right && bit(9 + parity_bits);
        characters.push(Character { byte, sound });
        // The middle of the stop bit, in bits of the sender, upwards.
        let stop_halves = 2 * (9 + parity_bits) + 1;
        let passed = stop_halves * u64::from(sent.baud) / (2 * u64::from(received.baud));
        from = start + usize::try_from(passed).unwrap_or(usize::MAX).max(1);
    }
    characters
}

/// The line, bit by bit of the sender; high when idle.
fn levels(bytes: &[u8], sent: SerialSettings) -> Vec<bool> {
    let mut levels = vec![true];
    for byte in bytes {
        levels.push(false);
        levels.extend((0..8).map(|n| byte >> n & 1 == 1));
        match sent.parity {
            Parity::None => {}
            Parity::Even => levels.push(is_odd(*byte)),
            Parity::Odd => levels.push(!is_odd(*byte)),
        }
        levels.extend((0..sent.stop_bits).map(|_| true));
    }
    levels
}

fn is_odd(byte: u8) -> bool {
    byte.count_ones() % 2 == 1
}

struct Levels {
    levels: Vec<bool>,
    baud: u32,
}

impl Levels {
    /// The first bit of the sender from `from` on with which the line falls.
    fn falls_from(&self, from: usize) -> Option<usize> {
        let fall =
            |at: &usize| self.levels.get(at - 1) == Some(&true) && self.levels.get(*at) == Some(&false);
        (from.max(1)..self.levels.len()).find(fall)
    }

    /// The level in the middle of a receiver's bit `n` after the sender's bit `start`.
    fn level(&self, start: usize, n: u64, baud: u32) -> bool {
        let passed = (2 * n + 1) * u64::from(self.baud) / (2 * u64::from(baud));
        let at = usize::try_from(passed).ok().and_then(|passed| start.checked_add(passed));
        at.and_then(|at| self.levels.get(at)).copied().unwrap_or(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: [u8; 8] = [0x01, 0x03, 0x00, 0x00, 0x00, 0x01, 0x84, 0x0A];

    const fn set(baud: u32, parity: Parity, stop_bits: u8) -> SerialSettings {
        SerialSettings { baud, parity, stop_bits }
    }

    #[test]
    fn equal_settings_and_another_count_of_stop_bits_change_nothing() {
        for parity in [Parity::None, Parity::Even, Parity::Odd] {
            for (sent, received) in [(1, 1), (2, 2), (2, 1), (1, 2)] {
                let (sent, received) = (set(9600, parity, sent), set(9600, parity, received));
                assert_eq!(
                    heard_by_device(&FRAME, sent, received),
                    Some(FRAME.to_vec()),
                    "{sent:?} {received:?}"
                );
                assert_eq!(heard_by_host(&FRAME, sent, received), FRAME);
            }
        }
    }

    #[test]
    fn other_parity_or_speed_is_never_understood() {
        let all = [9600, 19_200, 38_400].into_iter().flat_map(|baud| {
            [(Parity::None, 1), (Parity::Even, 1), (Parity::Odd, 1)]
                .map(|(parity, stop)| set(baud, parity, stop))
        });
        let own = set(9600, Parity::Even, 1);
        for other in all.filter(|other| *other != own) {
            assert_ne!(heard_by_device(&FRAME, own, other), Some(FRAME.to_vec()), "{other:?}");
            assert_ne!(heard_by_host(&FRAME, other, own), FRAME, "{other:?}");
        }
    }

    #[test]
    fn the_wrong_one_of_two_parities_reads_as_so_many_zeros() {
        let heard = heard_by_host(&FRAME, set(9600, Parity::Odd, 1), set(9600, Parity::Even, 1));
        assert_eq!(heard, [0; 8]);
    }

    #[test]
    fn at_half_the_speed_there_are_about_half_as_many_characters() {
        let heard = received_as(&[0x00; 8], set(19_200, Parity::None, 1), set(9600, Parity::None, 1));
        assert!((3..=5).contains(&heard.len()), "{heard:?}");
    }
}
