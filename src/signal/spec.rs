//! A signal as the site file describes it, checked and ready to use.

use std::time::Duration;

use crate::signal::{CurrentLoop, Place, Scale, Value};

/// A line's place in the site's list of lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LineIndex(pub usize);

/// A device's place in the site's list of devices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceIndex(pub usize);

/// The id of the device that a signal's id, `device.signal`, begins with.
pub fn device_id(signal: &str) -> &str {
    signal.split_once('.').map_or(signal, |(device, _)| device)
}

/// A signal's place in the site's list of signals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SignalIndex(pub usize);

/// One signal of one device.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalSpec {
    /// `device.signal`, unique in the site.
    pub id: String,
    /// What a person calls it, when the site file says so.
    pub name: Option<String>,
    /// Its ISA-5.1 tag.
    pub tag: Option<String>,
    /// The device it is read from.
    pub device: DeviceIndex,
    /// Where it lies in the device.
    pub place: Place,
    /// From counts to milliamps, for a signal that is a current loop.
    pub current: Option<CurrentLoop>,
    /// From the raw number (or the milliamps) to the unit.
    pub scale: Option<Scale>,
    /// Names for the states of a bit or the codes of an integer.
    pub states: States,
    /// The unit of the scaled value.
    pub unit: Option<String>,
    /// The measuring range in that unit.
    pub range: Option<Range>,
    /// All must hold, else the sample is not a measurement.
    pub valid_when: Vec<Guard>,
    /// How long samples stay uncertain after validity returns; zero when not asked for.
    pub settle: Duration,
    /// How often it is asked for.
    pub poll_every: Duration,
    /// How old its last answer may be before the sample is no longer one.
    pub stale_after: Duration,
}

impl SignalSpec {
    /// A signal of which nothing more is asked: as it is read, once a second, stale after five.
    pub fn new(id: impl Into<String>, device: DeviceIndex, place: Place) -> Self {
        SignalSpec {
            id: id.into(),
            name: None,
            tag: None,
            device,
            place,
            current: None,
            scale: None,
            states: States::default(),
            unit: None,
            range: None,
            valid_when: Vec::new(),
            settle: Duration::ZERO,
            poll_every: Duration::from_secs(1),
            stale_after: Duration::from_secs(5),
        }
    }
}

/// Named states: `(code, name)`, in the order of the site file. A bit has the codes 0 and 1.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct States(pub Vec<(i64, String)>);

impl States {
    /// The name of a code.
    pub fn name(&self, code: i64) -> Option<&str> {
        self.0.iter().find(|(known, _)| *known == code).map(|(_, name)| name.as_str())
    }

    /// The name of the state that a value stands for.
    pub fn of(&self, value: Value) -> Option<&str> {
        match value {
            Value::Flag(flag) => self.name(i64::from(flag)),
            Value::Number(number) => {
                let named = |(code, _): &&(i64, String)| code_as_number(*code) == number;
                self.0.iter().find(named).map(|(_, name)| name.as_str())
            }
        }
    }

    /// The code of a name.
    pub fn code(&self, name: &str) -> Option<i64> {
        self.0.iter().find(|(_, known)| known == name).map(|(code, _)| *code)
    }
}

/// A closed interval with `low < high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Least value that belongs to it.
    pub low: f64,
    /// Greatest value that belongs to it.
    pub high: f64,
}

/// One condition on another signal that must hold for a sample to be a measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Guard {
    /// The signal that is looked at.
    pub signal: SignalIndex,
    /// What must hold of it.
    pub test: GuardTest,
}

/// What a guard asks of its signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum GuardTest {
    /// Strictly greater.
    Above(f64),
    /// Strictly less.
    Below(f64),
    /// Within, ends included.
    Between(Range),
    /// A bit in this state.
    Is(bool),
    /// An integer equal to this code.
    IsCode(i64),
}

/// A code as the number a register value is compared with; exact up to 2^53 either way.
#[expect(clippy::as_conversions, reason = "i64 to f64 has no lossless form; codes are small integers")]
pub(crate) fn code_as_number(code: i64) -> f64 {
    code as f64
}
