//! What is known of the lines and the devices on them.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::monitor::{self, DeviceState, DeviceStatus, LineStatus, Snapshot};
use crate::view::{Elapsed, Instant, Word, status};

/// What is known of one line. Everything but its id is `null` before its first report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Its id.
    pub id: String,
    /// Whether it can carry questions.
    pub state: Option<LineState>,
    /// Why it cannot.
    pub cause: Option<String>,
    /// Share of the time that the wire was in use lately, 0 to 1.
    pub load: Option<f64>,
    /// What the site asks of the line as a share of what it can carry.
    pub demand: Option<f64>,
    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest.
    pub noisy: Option<bool>,
    /// Questions sent since the daemon started, retries included.
    pub transactions: Option<u64>,
    /// Questions without an answer in time.
    pub timeouts: Option<u64>,
    /// Damaged frames.
    pub crc_errors: Option<u64>,
    /// Exception answers.
    pub exceptions: Option<u64>,
    /// Good frames that came after their time, and were not used.
    pub late_responses: Option<u64>,
    /// Everything that is counted.
    pub counters: Option<Counters>,
}

/// Whether a line can carry questions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LineState {
    /// Its port is open.
    Up,
    /// Its port cannot be opened or has gone away.
    Down,
}

/// What is known of one device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Device {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The id of its line.
    pub line: String,
    /// Its unit id.
    pub unit_id: u8,
    /// Whether it answers.
    pub state: Word<DeviceState>,
    /// When its last good answer came.
    pub last_response: Option<Instant>,
    /// How long ago that was.
    pub last_response_s: Option<Elapsed>,
    /// Median response time lately, in milliseconds.
    pub response_median_ms: Option<f64>,
    /// Registers that it refuses.
    pub refused: Option<Vec<String>>,
    /// Everything that is counted, of this device alone.
    pub counters: Option<Counters>,
}

/// What has been counted since the daemon started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Counters {
    /// Questions sent, retries included.
    pub requests: u64,
    /// Good answers.
    pub answers: u64,
    /// Questions without an answer in time.
    pub timeouts: u64,
    /// Damaged frames: wrong CRC.
    pub crc_errors: u64,
    /// Whole frames that answered no question of ours.
    pub foreign_frames: u64,
    /// Exception answers.
    pub exceptions: u64,
    /// Exception answers by code, 1 to 11; the first place counts all other codes.
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

impl Line {
    /// What is known of `line`.
    pub fn of(line: &LineStatus) -> Line {
        let report = line.report.as_ref();
        let counters = report.map(|report| Counters::from(report.counters));
        let (state, cause) = match report.map(|report| &report.state) {
            None => (None, None),
            Some(monitor::LineState::Up) => (Some(LineState::Up), None),
            Some(monitor::LineState::Down(cause)) => (Some(LineState::Down), Some(cause.clone())),
        };
        Line {
            id: line.id.clone(),
            state,
            cause,
            load: report.map(|report| report.load),
            demand: report.map(|report| report.demand),
            noisy: report.map(|report| report.noisy),
            transactions: counters.map(|counters| counters.requests),
            timeouts: counters.map(|counters| counters.timeouts),
            crc_errors: counters.map(|counters| counters.crc_errors),
            exceptions: counters.map(|counters| counters.exceptions),
            late_responses: counters.map(|counters| counters.late_responses),
            counters,
        }
    }
}

impl Device {
    /// What `snapshot` knows of `device`, seen at `now`.
    pub fn of(device: &DeviceStatus, snapshot: &Snapshot, now: Moment) -> Device {
        let report = device.report.as_ref();
        let present = report.filter(|_| !status::is_stale(snapshot, now));
        let last_response = report.and_then(|report| report.last_response);
        Device {
            id: device.id.clone(),
            name: device.name.clone(),
            line: device.line.clone(),
            unit_id: device.unit_id,
            state: Word(present.map_or(DeviceState::Unknown, |report| report.state)),
            last_response: last_response.map(Instant::from),
            last_response_s: last_response.map(|at| Elapsed::between(at, now)),
            response_median_ms: report
                .and_then(|report| report.response)
                .map(|response| millis(response.p50)),
            refused: report.map(|report| report.refused.clone()),
            counters: report.map(|report| report.counters.into()),
        }
    }
}

impl From<monitor::Counters> for Counters {
    fn from(counters: monitor::Counters) -> Self {
        Counters {
            requests: counters.requests,
            answers: counters.answers,
            timeouts: counters.timeouts,
            crc_errors: counters.crc_errors,
            foreign_frames: counters.foreign_frames,
            exceptions: counters.exceptions,
            exceptions_by_code: counters.exceptions_by_code,
            late_responses: counters.late_responses,
            resynchronisations: counters.resynchronisations,
            retries: counters.retries,
            missed_polls: counters.missed_polls,
        }
    }
}

fn millis(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1e3
}
