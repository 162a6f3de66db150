//! What is known of a line that is looked at closely: of each device, what came of its questions, in
//! numbers and, where somebody listened, in bytes.
//!
//! Gathered from single answers ([`crate::modbus::Answered`]) or from what a daemon has counted. It
//! judges nothing: see [`diagnosis`](super::diagnosis).

use std::time::Duration;

use crate::commission::order::OrderDoubt;
use crate::config::SerialSettings;
use crate::modbus::plan::Block;
use crate::modbus::{Answered, Reply};

/// So many exchanges of a device are kept byte by byte.
pub const EXCHANGES_KEPT_MAX: usize = 64;

/// How frames travel on the line, as far as it matters to faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Medium {
    /// A serial port.
    Serial,
    /// RTU frames over TCP: a device server stands between.
    DeviceServer,
    /// Modbus TCP.
    Network,
}

/// What is known of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// How frames travel.
    pub medium: Medium,
    /// The settings it was asked under; `None` where it has none of its own.
    pub settings: Option<SerialSettings>,
    /// What the site asks of it as a share of what it can carry, where that is known.
    pub demand: Option<f64>,
    /// Every device that was asked.
    pub devices: Vec<DeviceEvidence>,
}

/// What is known of one device.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DeviceEvidence {
    /// What to call it.
    pub id: String,
    /// Its unit id.
    pub unit: u8,
    /// What came of its questions.
    pub tally: Tally,
    /// Response times, in the order of the answers.
    pub responses: Vec<Duration>,
    /// What was heard, question by question; empty where nobody listened.
    pub exchanges: Vec<Exchange>,
    /// Under which other settings it answered, when it did not under the line's own.
    pub elsewhere: Option<SerialSettings>,
    /// Values that make sense only in another order.
    pub orders: Vec<OrderDoubt>,
}

/// What came of questions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Questions put.
    pub asked: u64,
    /// Good answers.
    pub answers: u64,
    /// Nothing came.
    pub silent: u64,
    /// Something came that was no answer.
    pub garbled: u64,
    /// The line was never silent, so that the question could not be put.
    pub unrest: u64,
    /// Exceptions of the device itself by code; index 0 counts codes above 11.
    pub exceptions: [u64; 12],
    /// Exceptions by which a gateway speaks for it.
    pub gateway: u64,
    /// Good answers beside which stray bytes were heard.
    pub strays: u64,
    /// Good answers after which this unit answered once more.
    pub twice: u64,
    /// Answers of this unit that came after their time.
    pub late: u64,
    /// Questions that came back.
    pub echoes: u64,
    /// Whole frames that are questions of somebody else, or answers of nobody who was asked.
    pub foreign: u64,
}

/// One question, and all that was heard until its time was over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exchange {
    /// What was asked for.
    pub block: Block,
    /// Every byte that arrived.
    pub heard: Vec<u8>,
    /// Whether the answer was among them.
    pub answered: bool,
}

impl Tally {
    /// Whether the device itself has spoken, be it with an exception.
    pub fn spoke(&self) -> bool {
        self.answers > 0 || self.refusals() > 0
    }

    /// Exceptions of the device itself.
    pub fn refusals(&self) -> u64 {
        self.exceptions.iter().sum()
    }
}

impl Evidence {
    /// Takes in what came of a question to the device at `index`.
    pub fn take(&mut self, index: usize, block: Block, answered: &Answered) {
        let units: Vec<u8> = self.devices.iter().map(|device| device.unit).collect();
        let Some(device) = self.devices.get_mut(index) else { return };
        device.take(block, answered);
        let own = device.unit;
        for unit in answered.heard.units.iter().filter(|unit| **unit != own) {
            match units.iter().position(|known| known == unit) {
                Some(other) => self.devices[other].tally.late += 1,
                None => self.devices[index].tally.foreign += 1,
            }
        }
    }
}

impl DeviceEvidence {
    /// A device of which nothing is known yet.
    pub fn new(id: String, unit: u8) -> DeviceEvidence {
        DeviceEvidence { id, unit, ..DeviceEvidence::default() }
    }

    /// So many more answers of this unit were heard than the one that was waited for: late ones, as long
    /// as questions are unanswered; beyond that, a second device speaks.
    fn take_again(&mut self, answers: usize) {
        let tally = &mut self.tally;
        for _ in 0..answers {
            if tally.late < tally.silent + tally.garbled {
                tally.late += 1;
            } else {
                tally.twice += 1;
            }
        }
    }

    fn take(&mut self, block: Block, answered: &Answered) {
        let heard = &answered.heard;
        self.tally.asked += 1;
        let tally = &mut self.tally;
        tally.echoes += u64::from(heard.echoes);
        tally.foreign += u64::from(heard.questions);
        let own = heard.units.iter().filter(|unit| **unit == self.unit).count();
        let good = matches!(answered.reply, Reply::Registers(_) | Reply::Bits(_));
        match answered.reply {
            Reply::Registers(_) | Reply::Bits(_) => {
                tally.answers += 1;
                tally.strays += u64::from(heard.damaged > 0);
                self.responses.extend(answered.response);
            }
            Reply::Exception(0x0A | 0x0B) => tally.gateway += 1,
            Reply::Exception(code) => {
                let known = usize::from(code);
                tally.exceptions[if known < tally.exceptions.len() { known } else { 0 }] += 1;
            }
            Reply::Silence => tally.silent += 1,
            // Its late answer, and nothing else: it was silent in its time.
            Reply::Garbled if own > 0 && heard.damaged == 0 => tally.silent += 1,
            Reply::Garbled => tally.garbled += 1,
            Reply::Unrest => tally.unrest += 1,
        }
        self.take_again(own);
        if self.exchanges.len() < EXCHANGES_KEPT_MAX {
            self.exchanges.push(Exchange { block, heard: heard.bytes.clone(), answered: good });
        }
    }
}
