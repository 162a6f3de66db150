//! What a line reports of itself and its devices, apart from any reading.
//!
//! A line sends a report when a state changes and otherwise about once a second. Counters run from
//! the start of the daemon and only grow.

use std::time::Duration;

use crate::moment::Moment;
use crate::signal::{DeviceIndex, LineIndex};

/// Whether a line can carry questions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LineState {
    /// Its port is open.
    Up,
    /// Its port cannot be opened or has gone away, and why.
    Down(String),
}

/// Whether a device answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeviceState {
    /// It has not been asked yet.
    Unknown,
    /// It answers.
    Online,
    /// It answers, with errors.
    Degraded,
    /// It does not answer.
    Lost,
}

impl DeviceState {
    /// The word used in JSON and on every face.
    pub const fn word(self) -> &'static str {
        match self {
            DeviceState::Unknown => "unknown",
            DeviceState::Online => "online",
            DeviceState::Degraded => "degraded",
            DeviceState::Lost => "lost",
        }
    }
}

/// A line's report on itself.
#[derive(Debug, Clone, PartialEq)]
pub struct LineReport {
    /// Which line.
    pub line: LineIndex,
    /// Whether it can carry questions.
    pub state: LineState,
    /// Share of the time that the wire was in use lately, 0 to 1.
    pub load: f64,
    /// How much more the site asks of the line than it can carry: 1.0 = just all of it.
    pub demand: f64,
    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest.
    pub noisy: bool,
    /// Counters over all devices.
    pub counters: Counters,
    /// One report for each device on the line.
    pub devices: Vec<DeviceReport>,
}

/// A line's report on one of its devices.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceReport {
    /// Which device.
    pub device: DeviceIndex,
    /// Whether it answers.
    pub state: DeviceState,
    /// When its last good answer came.
    pub last_response: Option<Moment>,
    /// Median response time lately: end of the question to first byte of the answer.
    pub response_median: Option<Duration>,
    /// Registers the device refuses, in words, e.g. `input 40`.
    pub refused: Vec<String>,
    /// Counters of this device alone.
    pub counters: Counters,
}

/// What has been counted since the daemon started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Questions sent, retries included.
    pub requests: u64,
    /// Good answers.
    pub answers: u64,
    /// Questions without an answer in time.
    pub timeouts: u64,
    /// Damaged frames: wrong CRC.
    pub crc_errors: u64,
    /// Whole frames that answered no question of ours: other unit, function or length.
    pub foreign_frames: u64,
    /// Exception answers.
    pub exceptions: u64,
    /// Exception answers by code; index 0 counts codes above 11.
    pub exceptions_by_code: [u64; 12],
    /// Good frames that came after their time, and were not used.
    pub late_responses: u64,
    /// Times that question and answer had to be brought into step again.
    pub resynchronisations: u64,
    /// Questions asked again.
    pub retries: u64,
    /// Polls that began later than one whole period after they were due.
    pub missed_polls: u64,
}
