//! The devices of one simulated line, and what they say to a question, faults included.
//!
//! Pure: the time comes in, chance comes from the seed, and what goes out is a plan of an answer
//! that the wire then carries. It knows nothing of frames: see [`super::rtu`] and [`super::tcp`].

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use crate::config::SerialSettings;
use crate::moment::Mono;
use crate::signal::{CurrentLoop, Place, Scale, Table};
use crate::simulate::memory::{self, Memory};
use crate::simulate::{Fault, Process, Random, Rule};

/// One value of a device, and the part of the process it shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Where it lies.
    pub place: Place,
    /// From counts to milliamps, for a loop.
    pub current: Option<CurrentLoop>,
    /// From the raw number (or the milliamps) to the unit.
    pub scale: Option<Scale>,
    /// Which value of the process, by its place there.
    pub source: usize,
}

impl Point {
    /// The number the registers hold when the process value is `value`.
    fn raw(&self, value: f64) -> f64 {
        let value = self.scale.map_or(value, |scale| backwards(scale, value));
        self.current.map_or(value, |current| backwards(current.milliamps, value))
    }
}

fn backwards(scale: Scale, output: f64) -> f64 {
    Scale { from: scale.to, to: scale.from }.apply(output)
}

/// A device with one unit id.
#[derive(Debug, Clone)]
pub struct Device {
    unit: u8,
    memory: Memory,
    points: Vec<Point>,
    turnaround: Duration,
    items_max: u16,
    answers_from: Mono,
}

impl Device {
    /// A device that holds nothing yet and answers as fast as the standard lets it.
    pub fn new(unit: u8) -> Self {
        Device {
            unit,
            memory: Memory::default(),
            points: Vec::new(),
            turnaround: Duration::ZERO,
            items_max: u16::MAX,
            answers_from: Mono::ZERO,
        }
    }

    /// The same device with these registers (or bits, as 0 and 1) from `start` on.
    #[must_use]
    pub fn with(mut self, table: Table, start: u16, items: &[u16]) -> Self {
        self.memory.store(table, start, items);
        self
    }

    /// The same device showing a value of the process.
    #[must_use]
    pub fn showing(mut self, point: Point) -> Self {
        self.memory.store_number(&point.place, 0.0);
        self.points.push(point);
        self
    }

    /// The same device taking this long from the end of a question to the start of its answer.
    #[must_use]
    pub fn turnaround(mut self, turnaround: Duration) -> Self {
        self.turnaround = turnaround;
        self
    }

    /// The same device giving at most so many items at once.
    #[must_use]
    pub fn items_max(mut self, items_max: u16) -> Self {
        self.items_max = items_max;
        self
    }

    /// What it holds.
    pub fn memory(&mut self) -> &mut Memory {
        &mut self.memory
    }

    /// Loses its power at `now` and answers again after `power_up`.
    pub fn power_cycle(&mut self, now: Mono, power_up: Duration) {
        self.answers_from = now + power_up;
    }

    fn answer(&mut self, question: &[u8], process: &Process, now: Mono) -> Vec<u8> {
        for point in &self.points {
            self.memory.store_number(&point.place, point.raw(process.value(point.source, now)));
        }
        self.memory.answer(question, self.items_max)
    }
}

/// What a line has seen since it began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Good questions to a device of this line.
    pub questions: u64,
    /// Questions that began before the line had been silent for 3.5 characters; they are ignored.
    pub short_gaps: u64,
    /// Questions with a wrong check sum, or that were no frame at all.
    pub damaged: u64,
    /// Good questions to a unit that is not there.
    pub unknown_units: u64,
    /// Questions that would have written; each was refused with *illegal function*.
    pub writes_refused: u64,
    /// Answers begun, exceptions included.
    pub answers: u64,
    /// Exception answers among them.
    pub exceptions: u64,
    /// Answers that a fault kept back or spoiled.
    pub spoiled: u64,
}

/// An answer on its way: what is said, when, and how it is spoiled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The unit that answers.
    pub unit: u8,
    /// What it says.
    pub pdu: Vec<u8>,
    /// From the end of the question to the start of the answer.
    pub turnaround: Duration,
    /// What a fault adds to that.
    pub late: Duration,
    /// Another unit's good frame goes first.
    pub foreign: bool,
    /// Two devices answer at once.
    pub doubled: bool,
    /// Only so many bytes of the frame come.
    pub truncated: Option<usize>,
    /// So many of its first bytes are lost.
    pub beginning_lost: usize,
    /// The connection is closed instead.
    pub hang_up: bool,
}

/// The devices of one line.
#[derive(Debug)]
pub struct Line {
    devices: Vec<Device>,
    rules: Vec<Rule>,
    process: Arc<Mutex<Process>>,
    random: Random,
    counts: Counts,
    /// What the devices are set to; `None` = whatever the asker is.
    settings: Option<SerialSettings>,
}

impl Line {
    /// Devices without a process behind them; `seed` decides every chance.
    pub fn new(devices: Vec<Device>, seed: u64) -> Self {
        Line::showing(devices, Arc::default(), seed)
    }

    /// Devices that show the values of a process, which several lines may share.
    pub fn showing(devices: Vec<Device>, process: Arc<Mutex<Process>>, seed: u64) -> Self {
        let (rules, random, counts) = (Vec::new(), Random::new(seed), Counts::default());
        Line { devices, rules, process, random, counts, settings: None }
    }

    /// Replaces the fault plan.
    pub fn set_faults(&mut self, rules: Vec<Rule>) {
        self.rules = rules;
    }

    /// The same line, whose devices understand nobody who is set otherwise.
    #[must_use]
    pub fn set_to(mut self, settings: SerialSettings) -> Self {
        self.settings = Some(settings);
        self
    }

    /// The speed of its devices, if they mind.
    pub(super) fn baud(&self) -> Option<u32> {
        self.settings.map(|settings| settings.baud)
    }

    /// What a unit is set to, if it minds.
    pub(super) fn settings_of(&self, unit: u8) -> Option<SerialSettings> {
        let befallen = |rule: &&Rule| rule.unit.is_none_or(|befallen| befallen == unit);
        self.rules.iter().filter(befallen).find_map(|rule| rule.fault.settings()).or(self.settings)
    }

    /// Whether this befalls the whole line, or this unit, now.
    pub(super) fn suffers(&mut self, fault: Fault, unit: Option<u8>) -> bool {
        self.rules.iter().any(|rule| {
            rule.fault == fault
                && (rule.unit.is_none() || rule.unit == unit)
                && self.random.happens(rule.chance)
        })
    }

    /// The device with this unit id.
    pub fn device(&mut self, unit: u8) -> Option<&mut Device> {
        self.devices.iter_mut().find(|device| device.unit == unit)
    }

    /// What has been seen so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    pub(super) fn count_short_gap(&mut self) {
        self.counts.short_gaps += 1;
    }

    pub(super) fn count_damaged(&mut self) {
        self.counts.damaged += 1;
    }

    /// Whether questions come back to the asker now.
    pub(super) fn echoes(&mut self) -> bool {
        self.rules
            .iter()
            .any(|rule| rule.fault == Fault::Echo && rule.unit.is_none() && self.random.happens(rule.chance))
    }

    /// Flips bits of a frame that travels now, either way.
    pub(super) fn add_noise(&mut self, frame: &mut [u8], unit: Option<u8>) {
        for rule in &self.rules {
            if let Fault::Noise(bit_error_rate) = rule.fault
                && (rule.unit.is_none() || rule.unit == unit)
                && self.random.happens(rule.chance)
                && self.random.flip_bits(frame, bit_error_rate) > 0
            {
                self.counts.spoiled += 1;
            }
        }
    }

    /// What `unit` says to a question that ended at `now`; `None` when nothing comes.
    pub(super) fn answer(&mut self, unit: u8, question: &[u8], now: Mono) -> Option<Answer> {
        const WRITING: [u8; 6] = [5, 6, 15, 16, 22, 23];
        let Some(device) = self.devices.iter_mut().find(|device| device.unit == unit) else {
            self.counts.unknown_units += 1;
            return None;
        };
        self.counts.questions += 1;
        if question.first().is_some_and(|function| WRITING.contains(function)) {
            self.counts.writes_refused += 1;
        }
        if now < device.answers_from {
            return None;
        }
        let process = self.process.lock().unwrap_or_else(PoisonError::into_inner);
        let pdu = device.answer(question, &process, now);
        drop(process);
        let turnaround = device.turnaround;
        let (late, foreign, doubled, truncated, hang_up) = (Duration::ZERO, false, false, None, false);
        let whole =
            Answer { unit, pdu, turnaround, late, foreign, doubled, truncated, beginning_lost: 0, hang_up };
        let answer = self.befallen(whole)?;
        self.counts.answers += 1;
        if answer.pdu.first().is_some_and(|function| function & 0x80 != 0) {
            self.counts.exceptions += 1;
        }
        Some(answer)
    }

    /// The answer after the fault plan has had its way; `None` when it is kept back.
    fn befallen(&mut self, mut answer: Answer) -> Option<Answer> {
        let mut spoiled = false;
        let mut silent = false;
        for rule in &self.rules {
            if rule.unit.is_some_and(|unit| unit != answer.unit)
                || is_of_the_wire(rule.fault)
                || !self.random.happens(rule.chance)
            {
                continue;
            }
            spoiled = true;
            match rule.fault {
                Fault::Silent => silent = true,
                Fault::Late(by) => answer.late += by,
                Fault::Exception(code) => {
                    let function = answer.pdu.first().copied().unwrap_or_default() & 0x7F;
                    answer.pdu = memory::exception(function, code);
                }
                Fault::Truncated(bytes) => answer.truncated = Some(bytes),
                Fault::Doubled => answer.doubled = true,
                Fault::Foreign => answer.foreign = true,
                Fault::HangUp => answer.hang_up = true,
                Fault::BeginningLost(bytes) => answer.beginning_lost = bytes,
                Fault::Noise(_) | Fault::Echo | Fault::Settings(_) | Fault::Swapped | Fault::Floating => {}
            }
        }
        self.counts.spoiled += u64::from(spoiled);
        (!silent).then_some(answer)
    }
}
/// Whether a fault is the wire's to play, and does not touch what the device says.
const fn is_of_the_wire(fault: Fault) -> bool {
    matches!(fault, Fault::Noise(_) | Fault::Echo | Fault::Settings(_) | Fault::Swapped | Fault::Floating)
}
