//! Speed and character format as one word each: `19200` and `8E1`, eight data bits, even parity, one
//! stop bit.

use crate::config::{Parity, SerialSettings};

/// Parity and stop bits of a serial line; data bits are always eight on a line of RTU frames (Modbus
/// over Serial Line V1.02, section 2.5.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Format {
    /// The parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Format {
    /// Every format that there is.
    pub const ALL: [Format; 6] = [
        Format::new(Parity::Even, 1),
        Format::new(Parity::Odd, 1),
        Format::new(Parity::None, 2),
        Format::new(Parity::None, 1),
        Format::new(Parity::Even, 2),
        Format::new(Parity::Odd, 2),
    ];

    /// The formats that the standard names (section 2.5.1): even parity is the default, odd may be
    /// offered, and without parity there are two stop bits. A receiver looks at the first stop bit alone,
    /// so that the last also reaches devices with one.
    pub const STANDARD: [Format; 3] =
        [Format::new(Parity::Even, 1), Format::new(Parity::Odd, 1), Format::new(Parity::None, 2)];

    const fn new(parity: Parity, stop_bits: u8) -> Format {
        Format { parity, stop_bits }
    }

    /// That of these settings.
    pub fn of(settings: &SerialSettings) -> Format {
        Format { parity: settings.parity, stop_bits: settings.stop_bits }
    }

    /// As one word: `8E1`.
    pub fn word(self) -> String {
        format!("8{}{}", letter(self.parity), self.stop_bits)
    }

    /// The format of this word, in capitals or not.
    pub fn from_word(word: &str) -> Option<Format> {
        Format::ALL.into_iter().find(|format| format.word().eq_ignore_ascii_case(word))
    }

    /// At this speed.
    pub fn at(self, baud: u32) -> SerialSettings {
        SerialSettings { baud, parity: self.parity, stop_bits: self.stop_bits }
    }
}

const fn letter(parity: Parity) -> char {
    match parity {
        Parity::None => 'N',
        Parity::Even => 'E',
        Parity::Odd => 'O',
    }
}

/// Settings in words: `9600 8N1`.
pub fn settings_text(settings: &SerialSettings) -> String {
    format!("{} {}", settings.baud, Format::of(settings).word())
}

/// The word of the site file for a parity.
pub const fn parity_word(parity: Parity) -> &'static str {
    match parity {
        Parity::None => "none",
        Parity::Even => "even",
        Parity::Odd => "odd",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_format_is_read_back_from_its_word() {
        for format in Format::ALL {
            assert_eq!(Format::from_word(&format.word().to_lowercase()), Some(format));
        }
        assert_eq!(Format::from_word("7E1"), None, "RTU frames have eight data bits");
        assert_eq!(settings_text(&Format::new(Parity::None, 1).at(9600)), "9600 8N1");
    }
}
