//! What a line reports of itself and its devices apart from any reading, what the recorder reports
//! of itself, and what the monitor makes of it.
//!
//! A line sends a report when a state changes and otherwise about once a second. Counters run from
//! the start of the daemon and only grow.

use std::time::Duration;

use crate::moment::Moment;
use crate::monitor::step::Step;
use crate::monitor::{Detail, DiskUse, Event, EventKind, Who};
use crate::signal::{DeviceIndex, LineIndex};

/// Whether a line can carry questions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LineState {
    /// Its port is open.
    Up,
    /// Its port cannot be opened or has gone away, and why.
    Down(String),
    /// Its port is closed, so that somebody else can ask its devices.
    Lent(Box<Loan>),
}

/// To whom a line is lent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Loan {
    /// Who has it.
    pub who: Who,
    /// What for, in their words.
    pub remark: Option<String>,
    /// When it comes back at the latest.
    pub until: Moment,
}

impl LineState {
    fn loan(&self) -> Option<&Loan> {
        match self {
            LineState::Lent(loan) => Some(loan),
            LineState::Up | LineState::Down(_) => None,
        }
    }
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
    /// What the site asks of the line as a share of what it can carry: 1.0 = just all of it. Above,
    /// every period is stretched by so much.
    pub demand: f64,
    /// How late polls lately began after they were due.
    pub lateness: Option<Spread>,
    /// Whether damaged frames are so many that the CRC can no longer vouch for the rest; `None` while too
    /// few frames have come, in too short a time, to say.
    pub noisy: Option<bool>,
    /// What a person should know of the line's port and could change: one sentence each.
    pub hints: Vec<String>,
    /// Counters over all devices.
    pub counters: Counters,
    /// One report for each device on the line.
    pub devices: Vec<DeviceReport>,
}

impl LineReport {
    /// Whether more is asked of the line than it can carry.
    pub fn is_overloaded(&self) -> bool {
        self.demand > 1.0
    }
}

/// How the durations lie that were lately measured: quantiles of the nearest rank.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spread {
    /// The shortest.
    pub min: Duration,
    /// Half of them are no longer than this: the median.
    pub p50: Duration,
    /// Nine of ten.
    pub p90: Duration,
    /// Ninety-nine of a hundred.
    pub p99: Duration,
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
    /// Response times lately: end of the question to first byte of the answer.
    pub response: Option<Spread>,
    /// Registers the device refuses, in words, e.g. `input 40`.
    pub refused: Vec<String>,
    /// Counters of this device alone.
    pub counters: Counters,
    /// One report for each block it is asked for, those with the shortest period first.
    pub blocks: Vec<BlockReport>,
}

/// A line's report on one block of a device: registers or bits that one question asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BlockReport {
    /// The block in words, with addresses as sent on the wire, e.g. `input 0–9`.
    pub block: String,
    /// How often it is to be had.
    pub period: Duration,
    /// Response times lately.
    pub response: Option<Spread>,
    /// Counters of this block alone, from when it was first asked for as it is now.
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
    /// Exception answers of the devices themselves.
    pub exceptions: u64,
    /// Exceptions by which a gateway speaks for a device that does not: 0A, no way to it; 0B, no
    /// answer from it.
    pub gateway_exceptions: u64,
    /// All exception answers by code, a gateway's too; index 0 counts codes above 11.
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

/// The recorder's report on itself.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RecordReport {
    /// A damaged database was moved aside at this start.
    pub replaced: bool,
    /// Why the record cannot be written, while it cannot.
    pub failing: Option<String>,
    /// Whether it has been written to since the start.
    pub written: bool,
    /// What it takes on the disk.
    pub disk: Option<DiskUse>,
}

impl RecordReport {
    /// Whether the record cannot be written; `None` before the first attempt since the start.
    pub(super) fn fails(&self) -> Option<bool> {
        (self.written || self.failing.is_some()).then_some(self.failing.is_some())
    }
}

impl Step<'_> {
    /// Tells what has changed since the line's last report, and judges anew what hangs on it.
    pub(super) fn take_line_report(&mut self, report: LineReport) {
        let line = report.line;
        if line.0 >= self.plan.lines.len() {
            return;
        }
        let before = self.state.known.lines[line.0].replace(report.clone());
        self.tell_line_change(before.as_ref(), &report);
        let lent_before = before.as_ref().is_some_and(|before| before.state.loan().is_some());
        let loan_changed = lent_before != report.state.loan().is_some();
        let noise_changed = before.as_ref().and_then(|before| before.noisy) != report.noisy;
        let overload_changed = before.as_ref().map(LineReport::is_overloaded) != Some(report.is_overloaded());
        for device in &report.devices {
            let was = before.as_ref().and_then(|before| state_of(before, device.device));
            self.tell_device_change(device);
            let lost = device.state == DeviceState::Lost;
            if noise_changed || loan_changed || lost != (was == Some(DeviceState::Lost)) {
                self.judge_device(device.device, lost);
            }
        }
        if noise_changed || overload_changed {
            self.look_at_siskin();
        }
    }

    fn judge_device(&mut self, device: DeviceIndex, lost: bool) {
        for signal in self.plan.signals_of(device) {
            self.state.signals[signal.0].device_lost = lost;
        }
        self.judge_signals_of(device);
    }

    fn tell_line_change(&mut self, before: Option<&LineReport>, report: &LineReport) {
        let id = &self.plan.lines[report.line.0];
        let was_down = before.is_some_and(|before| matches!(before.state, LineState::Down(_)));
        self.tell_loan_change(before.and_then(|before| before.state.loan()), report);
        match &report.state {
            LineState::Down(cause) if !was_down => {
                self.tell_plainly(EventKind::LineDown, id, [("cause", Detail::Text(cause.clone()))]);
            }
            LineState::Up if was_down => self.tell_plainly(EventKind::LineUp, id, []),
            LineState::Down(_) | LineState::Up | LineState::Lent(_) => {}
        }
        match (before.and_then(|before| before.noisy) == Some(true), report.noisy) {
            (false, Some(true)) => self.tell_plainly(EventKind::LineNoisy, id, []),
            (true, Some(false)) => self.tell_plainly(EventKind::LineQuiet, id, []),
            (false, Some(false) | None) | (true, Some(true) | None) => {}
        }
    }

    /// Tells who has the line, and who no longer has it.
    fn tell_loan_change(&mut self, before: Option<&Loan>, report: &LineReport) {
        let now = report.state.loan();
        if before == now {
            return;
        }
        let (at, subject) = (self.state.now, self.plan.lines[report.line.0].clone());
        let tell = |kind, loan: &Loan, detail| {
            let who = Some(loan.who.clone());
            Event { at, kind, subject: subject.clone(), who, detail }
        };
        let returned = before.map(|loan| {
            let by = (at.mono >= loan.until.mono).then(|| ("by", Detail::Text("time".to_owned())));
            tell(EventKind::LineReturned, loan, by.into_iter().collect())
        });
        let lent = now.map(|loan| {
            let until = Detail::Text(loan.until.wall.to_string());
            let remark = loan.remark.clone().map(|remark| ("remark", Detail::Text(remark)));
            tell(EventKind::LineLent, loan, remark.into_iter().chain([("until", until)]).collect())
        });
        returned.into_iter().chain(lent).for_each(|event| self.tell(event));
    }

    /// Tells once that a device is lost, and once that it is back, whatever is not known in between: a line
    /// that is begun anew, or lent, knows nothing of its devices for a while.
    fn tell_device_change(&mut self, report: &DeviceReport) {
        let Some(device) = self.plan.devices.get(report.device.0) else { return };
        let is_lost = match report.state {
            DeviceState::Lost => true,
            DeviceState::Online | DeviceState::Degraded => false,
            DeviceState::Unknown => return,
        };
        if std::mem::replace(&mut self.state.known.told_lost[report.device.0], is_lost) != is_lost {
            let kind = if is_lost { EventKind::DeviceLost } else { EventKind::DeviceOnline };
            self.tell_plainly(kind, &device.id, []);
        }
    }
}

fn state_of(report: &LineReport, device: DeviceIndex) -> Option<DeviceState> {
    report.devices.iter().find(|known| known.device == device).map(|known| known.state)
}
