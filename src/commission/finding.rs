//! What may be wrong with a line, in words: what it is, and what a person looks at.
//!
//! Figures of an RS-485 line are those of Modbus over Serial Line V1.02: sections 3.3.2 and 3.4.4
//! (common, shield), 3.4.3 (length, stubs), 3.4.5 (termination), 3.4.6 (polarization).

use crate::config::SerialSettings;
use crate::signal::Order;

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cause {
    /// The line reads as low when nobody drives it.
    HeldLow,
    /// The wrong one of two parities.
    WrongParity,
    /// Nobody answers, and nothing is heard.
    NothingHeard,
    /// The line is never silent.
    NeverSilent,
    /// A device is set to these other settings.
    OtherSettings(SerialSettings),
    /// Somebody else asks on the line.
    AnotherMaster,
    /// Two devices have one unit id.
    SameAddress,
    /// The first bytes of answers are lost.
    BeginningLost,
    /// Answers end too early.
    CutShort,
    /// A device's late answers run into those of others.
    LateSpoils,
    /// A device needs more time than it is given.
    TooSlow,
    /// One device is silent, others are not.
    SilentDevice,
    /// A gateway gets no answer from a device.
    GatewaySilent,
    /// Damage befalls the line as a whole.
    Noise,
    /// Damage befalls one device.
    NoisyDevice,
    /// Nothing holds the idle line.
    Floating,
    /// A device refuses what it is asked for.
    Refuses,
    /// A device says that it is busy.
    Busy,
    /// A device says that it failed.
    DeviceFault,
    /// A value makes sense only in this other order.
    WrongOrder {
        /// Of words.
        word_order: Order,
        /// Of bytes.
        byte_order: Order,
    },
    /// More is asked of the line than it can carry.
    Overloaded,
    /// The adapter hears itself.
    Echo,
}

/// Something that is probably wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What.
    pub cause: Cause,
    /// The device it befalls; `None`: the line.
    pub device: Option<String>,
    /// What it rests on.
    pub why: String,
}

impl Finding {
    /// Of the line as a whole.
    pub fn line(cause: Cause, why: String) -> Finding {
        Finding { cause, device: None, why }
    }

    /// Of one device.
    pub fn device(cause: Cause, id: &str, why: String) -> Finding {
        Finding { cause, device: Some(id.to_owned()), why }
    }
}

/// What makes the wire itself sound, and what to look at where it is not.
const WIRING: &[&str] = &[
    "termination at both ends of the trunk and nowhere else: 150 ohm, or 1 nF and 120 ohm with polarization",
    "the third conductor: one common for all devices, earthed at one point only; the shield earthed at one end",
    "length: 1000 m at 9600; stubs of 20 m at most",
    "power and motor cables beside it; a loose terminal",
];

const SILENCE: &[&str] = &[
    "the power of the devices and of the adapter",
    "A and B: makers label them both ways; swap them at the adapter, once, and try again",
    "the common between adapter and devices",
    "speed, parity and unit id in the devices' menus: `siskin scan` looks under all of them",
    "whether the adapter switches between sending and receiving (`rs485` in the site file)",
];

impl Cause {
    /// For machines.
    pub const fn word(self) -> &'static str {
        match self {
            Cause::HeldLow => "held_low",
            Cause::WrongParity => "wrong_parity",
            Cause::NothingHeard => "nothing_heard",
            Cause::NeverSilent => "never_silent",
            Cause::OtherSettings(_) => "other_settings",
            Cause::AnotherMaster => "another_master",
            Cause::SameAddress => "same_address",
            Cause::BeginningLost => "beginning_lost",
            Cause::CutShort => "cut_short",
            Cause::LateSpoils => "late_spoils",
            Cause::TooSlow => "too_slow",
            Cause::SilentDevice => "silent_device",
            Cause::GatewaySilent => "gateway_silent",
            Cause::Noise => "noise",
            Cause::NoisyDevice => "noisy_device",
            Cause::Floating => "floating",
            Cause::Refuses => "refuses",
            Cause::Busy => "busy",
            Cause::DeviceFault => "device_fault",
            Cause::WrongOrder { .. } => "wrong_order",
            Cause::Overloaded => "overloaded",
            Cause::Echo => "echo",
        }
    }

    /// For people, one sentence.
    pub const fn sentence(self) -> &'static str {
        match self {
            Cause::HeldLow => {
                "The line is low when nobody drives it: A and B are swapped, or it has no polarization."
            }
            Cause::WrongParity => "The parity is the other one of even and odd.",
            Cause::NothingHeard => {
                "Nobody answers, and not a byte is heard: no power, A and B swapped, a cut wire, or wrong settings."
            }
            Cause::NeverSilent => {
                "The line is never silent: a device talks without end, or somebody else asks on it."
            }
            Cause::OtherSettings(_) => "It is set to another speed or format than the line.",
            Cause::AnotherMaster => "Somebody else asks on this line. A line bears one master.",
            Cause::SameAddress => "Two devices have this unit id and answer together.",
            Cause::BeginningLost => {
                "The adapter turns from sending to receiving too late: it misses the first bytes."
            }
            Cause::CutShort => "Its answers end too early.",
            Cause::LateSpoils => "Its late answers run into those of other devices.",
            Cause::TooSlow => "It needs more time than `response_timeout` gives it.",
            Cause::SilentDevice => "It does not answer, and the others do.",
            Cause::GatewaySilent => "The gateway is there, and gets no answer from it.",
            Cause::Noise => "Answers are damaged now and then, of more than one device: the wire.",
            Cause::NoisyDevice => "Its answers alone are damaged now and then: its own connection.",
            Cause::Floating => {
                "Nothing holds the line when no driver does: no polarization, or no termination."
            }
            Cause::Refuses => "It is there, and does not have what it is asked for.",
            Cause::Busy => "It is there, and busy.",
            Cause::DeviceFault => "It is there, and says that it failed.",
            Cause::WrongOrder { .. } => "The value makes sense only in another order of words or bytes.",
            Cause::Overloaded => "More is asked of the line than it can carry.",
            Cause::Echo => "The adapter hears what it sends. The echo is taken off; nothing is lost.",
        }
    }

    /// What a person looks at.
    pub const fn look_at(self) -> &'static [&'static str] {
        match self {
            Cause::HeldLow => &[
                "A and B: makers label them both ways; swap them at the adapter, once, and try again",
                "polarization at one place: 450 to 650 ohm from D1 to 5 V and from D0 to the common",
            ],
            Cause::WrongParity => &["the parity in the devices' menus and in the site file"],
            Cause::NothingHeard => SILENCE,
            Cause::NeverSilent | Cause::AnotherMaster => &[
                "whether another program, panel or controller asks on this line: let it, or siskin, do it alone",
                "which device it is: disconnect one after the other",
            ],
            Cause::OtherSettings(_) => &["its menu: set it as the line is set, or give it a line of its own"],
            Cause::SameAddress => &[
                "the unit ids in the devices' menus: disconnect one of the two and ask again",
                "whether a new device still has the unit id it came with",
            ],
            Cause::BeginningLost => &[
                "the adapter's direction control; on a board, `rs485` with a shorter `delay_after`",
                "a longer response delay in the device's menu, where it has one",
            ],
            Cause::CutShort => &[
                "`max_registers` of the device: ask for fewer at once",
                "pauses within its answers: a device server or adapter that hands them on in pieces",
            ],
            Cause::LateSpoils | Cause::TooSlow => &[
                "`response_timeout` of the line: well above the device's slowest answer",
                "what the device does meanwhile: calibration, a slow display",
            ],
            Cause::SilentDevice => &[
                "its power",
                "its unit id, speed and parity: `siskin scan` finds it under whatever it has",
                "its stub, A and B at its own terminals",
            ],
            Cause::GatewaySilent => &["the far side of the gateway: power, unit id, wiring of the device"],
            Cause::Noise | Cause::NoisyDevice => WIRING,
            Cause::Floating => &[
                "polarization at one place: 450 to 650 ohm from D1 to 5 V and from D0 to the common",
                "termination at both ends of the trunk and nowhere else",
            ],
            Cause::Refuses => &[
                "the table: input (04) or holding (03) registers",
                "the address: a list of registers may count from 1 where the wire counts from 0",
                "`siskin read` shows what is there",
            ],
            Cause::Busy => &["whether it is in calibration or starting up; ask again"],
            Cause::DeviceFault => &["the device's own display and its maker's manual"],
            Cause::WrongOrder { .. } => &[
                "`word_order` and `byte_order` of the signal: `siskin read … --expect` with what its display shows",
            ],
            Cause::Overloaded => {
                &["longer `poll_every`, a faster line, or fewer devices on it: `siskin check` reckons"]
            }
            Cause::Echo => &["the adapter's echo switch, if it has one; a four-wire adapter on two wires"],
        }
    }

    /// Whether it explains why nobody answers.
    pub(super) const fn silences_all(self) -> bool {
        matches!(self, Cause::HeldLow | Cause::WrongParity | Cause::NothingHeard | Cause::NeverSilent)
    }

    /// The weightiest have the least.
    pub(super) const fn rank(self) -> u8 {
        match self {
            Cause::HeldLow | Cause::WrongParity | Cause::NothingHeard | Cause::NeverSilent => 0,
            Cause::OtherSettings(_) | Cause::AnotherMaster => 1,
            Cause::SameAddress | Cause::BeginningLost | Cause::CutShort | Cause::LateSpoils => 2,
            Cause::SilentDevice | Cause::GatewaySilent | Cause::TooSlow => 3,
            Cause::Noise | Cause::NoisyDevice | Cause::Floating => 4,
            Cause::Refuses | Cause::Busy | Cause::DeviceFault | Cause::WrongOrder { .. } => 5,
            Cause::Overloaded | Cause::Echo => 6,
        }
    }
}
