//! What is known of the lines and the devices on them.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::monitor::{self, DeviceState, DeviceStatus, LineStatus, Snapshot};
use crate::view::{Calibration, Elapsed, Instant, Sensor, Word, status};

/// What is known of one line. Everything but its id is `null` before its first report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Its id.
    pub id: String,
    /// Whether it can carry questions.
    pub state: Option<LineState>,
    /// Why it cannot; of a lent line, who has it and until when.
    pub cause: Option<String>,
    /// Share of the time that the wire was in use lately, 0 to 1.
    pub load: Option<f64>,
    /// What the site asks of the line as a share of what it can carry: above 1, every period is
    /// stretched by so much.
    pub demand: Option<f64>,
    /// How late polls lately began after they were due.
    pub lateness: Option<Spread>,
    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest.
    pub noisy: Option<bool>,
    /// What a person should know of the line's port and could change: one sentence each.
    pub hints: Option<Vec<String>>,
    /// Questions sent since the daemon started, retries included.
    pub transactions: Option<u64>,
    /// Questions without an answer in time.
    pub timeouts: Option<u64>,
    /// Damaged frames.
    pub crc_errors: Option<u64>,
    /// Exception answers of the devices themselves.
    pub exceptions: Option<u64>,
    /// Exceptions by which a gateway speaks for a device that does not.
    pub gateway_exceptions: Option<u64>,
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
    /// It is lent to somebody who works on it; its devices are not asked.
    Lent,
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
    /// Response times lately: end of the question to first byte of the answer.
    pub response: Option<Spread>,
    /// Registers that it refuses.
    pub refused: Option<Vec<String>>,
    /// Everything that is counted, of this device alone.
    pub counters: Option<Counters>,
    /// The blocks it is asked for, those with the shortest period first.
    pub blocks: Option<Vec<Block>>,
    /// The function check that it is in: a person works on it, and nothing it says is a measurement.
    pub function_check: Option<FunctionCheck>,
    /// Whether its last function check ran out, and nobody has ended it.
    pub function_check_overrun: bool,
    /// The last reading of each of its signals against calibration gas, by point and stage, oldest first.
    #[serde(default)]
    pub calibrations: Vec<Calibration>,
    /// When the next calibration is due; `null` where the site does not say how often, or none is on record.
    #[serde(default)]
    pub calibration_due: Option<Instant>,
    /// Its sensor; `null` where the site file says nothing of one.
    #[serde(default)]
    pub sensor: Option<Sensor>,
}

/// A function check under way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FunctionCheck {
    /// What for, in a word or two.
    pub purpose: String,
    /// Since when.
    pub since: Instant,
    /// When it ends by itself.
    pub until: Instant,
    /// The operating-system user who began it.
    pub user: String,
    /// The name that they gave.
    pub name: Option<String>,
}

/// What is known of one block of a device: registers or bits that one question asks for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Block {
    /// The block in words, with addresses as sent on the wire, e.g. `input 0–9`.
    pub block: String,
    /// How often it is to be had.
    pub period_s: Elapsed,
    /// Response times lately.
    pub response: Option<Spread>,
    /// Everything that is counted, of this block alone.
    pub counters: Counters,
}

/// How the durations lie that were lately measured, in milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Spread {
    /// The shortest.
    pub min_ms: f64,
    /// Half of them are no longer than this: the median.
    pub p50_ms: f64,
    /// Nine of ten.
    pub p90_ms: f64,
    /// Ninety-nine of a hundred.
    pub p99_ms: f64,
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
    /// Exception answers of the devices themselves.
    pub exceptions: u64,
    /// Exceptions by which a gateway speaks for a device that does not: 0A, no way to it; 0B, no answer
    /// from it.
    pub gateway_exceptions: u64,
    /// All exception answers by code, 1 to 11, a gateway's too; the first place counts all other codes.
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
            Some(monitor::LineState::Lent(loan)) => (Some(LineState::Lent), Some(lent_to(loan))),
        };
        Line {
            id: line.id.clone(),
            state,
            cause,
            load: report.map(|report| report.load),
            demand: report.map(|report| report.demand),
            lateness: report.and_then(|report| report.lateness).map(Spread::from),
            noisy: report.and_then(|report| report.noisy),
            hints: report.map(|report| report.hints.clone()),
            transactions: counters.map(|counters| counters.requests),
            timeouts: counters.map(|counters| counters.timeouts),
            crc_errors: counters.map(|counters| counters.crc_errors),
            exceptions: counters.map(|counters| counters.exceptions),
            gateway_exceptions: counters.map(|counters| counters.gateway_exceptions),
            late_responses: counters.map(|counters| counters.late_responses),
            counters,
        }
    }

    /// Whether more is asked of the line than it can carry.
    pub fn is_overloaded(&self) -> bool {
        self.demand.is_some_and(|demand| demand > 1.0)
    }
}

impl Device {
    /// What `snapshot` knows of `device`, seen at `now`.
    pub fn of(device: &DeviceStatus, snapshot: &Snapshot, now: Moment) -> Device {
        let report = device.report.as_ref();
        let present = report.filter(|_| !status::is_stale(snapshot, now) && !is_lent(snapshot, &device.line));
        let response = report.and_then(|report| report.response).map(Spread::from);
        let last_response = report.and_then(|report| report.last_response);
        Device {
            id: device.id.clone(),
            name: device.name.clone(),
            line: device.line.clone(),
            unit_id: device.unit_id,
            state: Word(present.map_or(DeviceState::Unknown, |report| report.state)),
            last_response: last_response.map(Instant::from),
            last_response_s: last_response.map(|at| Elapsed::between(at, now)),
            response_median_ms: response.map(|response| response.p50_ms),
            response,
            refused: report.map(|report| report.refused.clone()),
            counters: report.map(|report| report.counters.into()),
            blocks: report.map(|report| report.blocks.iter().map(Block::from).collect()),
            function_check: device.function_check.as_ref().map(FunctionCheck::from),
            function_check_overrun: device.function_check_overrun,
            calibrations: device.calibrations.iter().map(Calibration::from).collect(),
            calibration_due: device.calibration_due.map(Instant),
            sensor: device.sensor.as_ref().map(|sensor| Sensor::of(sensor, now)),
        }
    }
}

impl From<&monitor::FunctionCheck> for FunctionCheck {
    fn from(check: &monitor::FunctionCheck) -> Self {
        FunctionCheck {
            purpose: check.purpose.clone(),
            since: Instant(check.since),
            until: Instant(check.until.wall),
            user: check.by.user.clone(),
            name: check.by.name.clone(),
        }
    }
}

impl From<&monitor::BlockReport> for Block {
    fn from(report: &monitor::BlockReport) -> Self {
        Block {
            block: report.block.clone(),
            period_s: Elapsed(report.period),
            response: report.response.map(Spread::from),
            counters: report.counters.into(),
        }
    }
}

impl From<monitor::Spread> for Spread {
    fn from(spread: monitor::Spread) -> Self {
        Spread {
            min_ms: millis(spread.min),
            p50_ms: millis(spread.p50),
            p90_ms: millis(spread.p90),
            p99_ms: millis(spread.p99),
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
            gateway_exceptions: counters.gateway_exceptions,
            exceptions_by_code: counters.exceptions_by_code,
            late_responses: counters.late_responses,
            resynchronisations: counters.resynchronisations,
            retries: counters.retries,
            missed_polls: counters.missed_polls,
        }
    }
}

/// `to R. Vale (operator) until 15:30:00 UTC: looking for the bad wire`.
fn lent_to(loan: &monitor::Loan) -> String {
    let remark = loan.remark.as_ref().map_or_else(String::new, |remark| format!(": {remark}"));
    let until = loan.until.wall.strftime("%H:%M:%S UTC");
    format!("to {} until {until}{remark}", loan.who)
}

fn is_lent(snapshot: &Snapshot, line: &str) -> bool {
    let report = snapshot.lines.iter().find(|known| known.id == line).and_then(|line| line.report.as_ref());
    report.is_some_and(|report| matches!(report.state, monitor::LineState::Lent(_)))
}

fn millis(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1e3
}
