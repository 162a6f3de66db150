//! What can go wrong on a simulated line, as a plan of typed rules.

use std::time::Duration;

use crate::config::SerialSettings;

/// Something that goes wrong with an answer, or with the wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The device does not answer.
    Silent,
    /// The answer comes later by this much.
    Late(Duration),
    /// The device answers with this exception code.
    Exception(u8),
    /// Only so many bytes of the answer come.
    Truncated(usize),
    /// Two devices have the same address and answer at once (Modbus over Serial Line V1.02, section
    /// 4.2.1 warns of it). Nothing of the kind happens over Modbus TCP.
    Doubled,
    /// A whole, good frame that answers somebody else's question comes first.
    Foreign,
    /// The connection is closed instead of an answer; a serial device falls silent.
    HangUp,
    /// Each bit is flipped with this probability, both ways. Not over Modbus TCP.
    Noise(f64),
    /// The adapter hears itself: every question comes back at once. Not over Modbus TCP.
    Echo,
    /// The device is set to another speed or format. Only on a pseudo-terminal, where the asker's can be
    /// seen.
    Settings(SerialSettings),
    /// A and B are swapped: no device understands anything, and the line reads as low when the asker's
    /// driver lets go of it. Serial lines only.
    Swapped,
    /// Nothing holds the line when no driver does: it wavers before and after each answer. Serial lines
    /// only.
    Floating,
    /// The first so many bytes of the answer are lost, as by an adapter that is slow to turn from sending
    /// to receiving. Serial lines only.
    BeginningLost(usize),
}

impl Fault {
    /// The other settings, when it is that.
    pub(super) fn settings(self) -> Option<SerialSettings> {
        if let Fault::Settings(settings) = self { Some(settings) } else { None }
    }
}

/// A fault, whom it befalls and how often.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rule {
    /// The unit it befalls; `None` = every unit of the line.
    pub unit: Option<u8>,
    /// What goes wrong.
    pub fault: Fault,
    /// How likely it is each time, 0 to 1.
    pub chance: f64,
}

impl Rule {
    /// A fault that befalls every answer of the line.
    pub const fn line(fault: Fault) -> Rule {
        Rule { unit: None, fault, chance: 1.0 }
    }

    /// A fault that befalls every answer of one unit.
    pub const fn unit(unit: u8, fault: Fault) -> Rule {
        Rule { unit: Some(unit), fault, chance: 1.0 }
    }

    /// The same, but only now and then.
    #[must_use]
    pub const fn with_chance(self, chance: f64) -> Rule {
        Rule { chance, ..self }
    }
}
