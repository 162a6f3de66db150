//! The care that people take of devices: function check, and what they record of their work.
//!
//! A function check withholds every signal of a device: it is known not to measure the gas that flows,
//! because a person works on it. It ends when a person says so, or at its deadline; then an alarm stands
//! until somebody has been there, since nobody has said that process gas flows again. Why this is so, and
//! what becomes of the *measurement lost* alarms meanwhile: `docs/decisions/0007-function-check.md`.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::alarm::{AlarmSpec, Fault, Kind, Priority};
use crate::calibration::{Answers, Care, Doubt, Stage};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::calibrate::{GasTest, Recorded};
use crate::monitor::restore::deadline;
use crate::monitor::sensor::{self, Fitted, SensorChange, SensorState};
use crate::monitor::state::Flush;
use crate::monitor::step::Step;
use crate::monitor::{Detail, DeviceLabel, Event, EventKind, Who};
use crate::names::nearest;
use crate::signal::{DeviceIndex, SignalIndex};

/// What a person does to a device, or records of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Work {
    /// What.
    pub kind: WorkKind,
    /// Who.
    pub who: Who,
    /// Why, in their words.
    pub remark: Option<String>,
}

/// What a person does.
#[derive(Debug, Clone, PartialEq)]
pub enum WorkKind {
    /// Takes a device into function check.
    BeginFunctionCheck {
        /// Its id.
        device: String,
        /// For how long at most.
        lasting: Duration,
        /// What for, in a word or two.
        purpose: String,
        /// It may be in function check already: the new deadline takes the place of the old one.
        again: bool,
    },
    /// Says that a device measures process gas again.
    EndFunctionCheck {
        /// Its id.
        device: String,
    },
    /// Has recorded what was proven of a device. The monitor keeps it and judges nothing by it.
    Prove {
        /// Its id.
        device: String,
        /// What was proven.
        kind: EventKind,
        /// With these details.
        detail: BTreeMap<&'static str, Detail>,
    },
    /// Has what a device says of a calibration gas recorded.
    RecordGasTest(Box<GasTest>),
    /// Has put a new sensor into a device.
    ChangeSensor(Box<SensorChange>),
    /// Says something for the record.
    Note {
        /// The device it is about; `None`: the site.
        about: Option<String>,
        /// What they say.
        text: String,
    },
}

/// What has become of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Worked {
    /// The device's id; the site's for a note on the site.
    pub subject: String,
    /// When the function check ends, if the device is in one now.
    pub until: Option<Wall>,
    /// What was recorded of a calibration gas.
    pub recorded: Option<Box<Recorded>>,
    /// The new sensor.
    pub fitted: Option<Box<Fitted>>,
}

impl Worked {
    pub(super) fn of(subject: String, until: Option<Wall>) -> Worked {
        Worked { subject, until, recorded: None, fitted: None }
    }
}

/// Why nothing was done.
#[derive(Debug, Clone, PartialEq)]
pub enum Hindrance {
    /// There is no such device; perhaps this one was meant.
    UnknownDevice {
        /// The nearest id.
        nearest: Option<String>,
    },
    /// The device is in function check already.
    AlreadyInFunctionCheck(FunctionCheck),
    /// The device is not in function check.
    NotInFunctionCheck,
    /// No function check of the device may last so long.
    TooLong {
        /// The longest time allowed.
        max: Duration,
    },
    /// The device has no such signal; perhaps this one was meant.
    UnknownSignal {
        /// The nearest id.
        nearest: Option<String>,
    },
    /// The signal has no range, so that no error can be told in % of its span.
    NoRange,
    /// The gas is doubtful, and nobody said that it is to be recorded all the same.
    DoubtfulGas(Vec<Doubt>),
    /// The device has not answered often enough since the gas came, or since the last record.
    TooFewAnswers {
        /// How often it has.
        have: usize,
    },
    /// The site file says nothing of a sensor of the device.
    NoSensor,
    /// A sensor cannot have been in place since a time that is yet to come.
    NotYet,
}

/// A function check under way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FunctionCheck {
    /// Who began it.
    pub by: Who,
    /// When it began; more time given to it does not begin it anew.
    pub since: Wall,
    /// When it ends by itself.
    pub until: Moment,
    /// What for.
    pub purpose: String,
}

/// How things stand with the care of one device.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct CareState {
    pub(super) function_check: Option<FunctionCheck>,
    /// The last function check ran out, and nobody has ended it.
    pub(super) overrun: bool,
    /// What its signals said lately, while it is in function check.
    pub(super) answers: BTreeMap<SignalIndex, Answers>,
    /// The last record of each signal, point and stage, oldest first.
    pub(super) records: Vec<Recorded>,
    /// It has not been calibrated for longer than the site allows.
    pub(super) calibration_due: bool,
    /// When it will be.
    pub(super) falls_due: Option<Mono>,
    pub(super) sensor: SensorState,
}

impl CareState {
    /// Of a device of which nothing is on record.
    pub(super) fn new(care: &Care, now: Moment) -> CareState {
        let mut state = CareState::default();
        state.reckon_due(care, now);
        state
    }

    /// When something changes by itself: its function check ends, its calibration falls due, its sensor has
    /// settled or is worn.
    pub(super) fn deadline(&self) -> Option<Mono> {
        let ends = self.function_check.as_ref().map(|check| check.until.mono);
        ends.into_iter().chain(self.falls_due).chain(self.sensor.deadline()).min()
    }

    /// When it was last left alone after a reading against calibration gas.
    pub(super) fn last_left(&self) -> Option<Wall> {
        let left = self.records.iter().filter(|record| record.stage == Stage::AsLeft);
        left.map(|record| record.at).max()
    }

    /// Puts another sensor in. What was calibrated before it was there tells nothing of it.
    pub(super) fn fit(&mut self, fitted: Fitted, settles: Option<Mono>) {
        let since = fitted.since;
        self.records.retain(|record| record.at >= since);
        self.sensor.fit(fitted, settles);
    }

    /// Reckons anew what is due, and when it will be: a calibration, a new sensor.
    pub(super) fn reckon_due(&mut self, care: &Care, now: Moment) {
        let left = |every| self.last_left().map_or(now.mono, |at| deadline(at, every, now));
        let due = care.every.map(left);
        self.calibration_due = due.is_some_and(|due| due <= now.mono);
        self.falls_due = due.filter(|due| *due > now.mono);
        self.sensor.reckon(care.sensor.as_ref(), now);
    }
}

/// The alarms that devices have without asking: each that of a forgotten function check, that of a due
/// calibration where the site says how often, and that of a spent sensor where it says what it can bear.
pub(super) fn alarms(devices: &[DeviceLabel]) -> Vec<AlarmSpec> {
    let with_index = || devices.iter().enumerate().map(|(index, device)| (DeviceIndex(index), device));
    let overrun = with_index().map(|(index, device)| overrun_alarm(index, device));
    let reminded = with_index().filter(|(_, device)| device.care.every.is_some());
    let due = reminded.map(|(index, device)| due_alarm(index, device));
    overrun.chain(due).chain(sensor::alarms(devices)).collect()
}

fn due_alarm(index: DeviceIndex, device: &DeviceLabel) -> AlarmSpec {
    let (id, name) = (&device.id, &device.name);
    AlarmSpec {
        priority: Priority::Low,
        cause: Some("No reading as left is on record, or the last is older than the site allows.".to_owned()),
        consequence: Some("How far the readings can be trusted is not known.".to_owned()),
        action: Some(format!(
            "Have the analyzer calibrated, and its readings recorded with `siskin calibration record {id}`."
        )),
        ..AlarmSpec::new(
            format!("{id}.calibration_due"),
            format!("{name}: calibration is due"),
            None,
            Kind::Fault(Fault::CalibrationDue(index)),
        )
    }
}

fn overrun_alarm(index: DeviceIndex, device: &DeviceLabel) -> AlarmSpec {
    let (id, name) = (&device.id, &device.name);
    AlarmSpec {
        priority: Priority::Medium,
        cause: Some(
            "A function check reached its deadline: the work took longer, or was forgotten.".to_owned(),
        ),
        consequence: Some("Calibration gas may be taken for process gas: readings are uncertain.".to_owned()),
        action: Some(format!(
            "See that process gas flows through the analyzer, then `siskin calibration end {id}`; \
             still at work: `siskin calibration begin {id}`."
        )),
        ..AlarmSpec::new(
            format!("{id}.function_check_overrun"),
            format!("{name}: function check not ended"),
            None,
            Kind::Fault(Fault::FunctionCheckOverrun(index)),
        )
    }
}

impl Step<'_> {
    /// Does what a person asks.
    pub(super) fn work(&mut self, work: &Work) {
        let worked = match &work.kind {
            WorkKind::BeginFunctionCheck { device, lasting, purpose, again } => self
                .device_to_begin(device, *lasting, *again)
                .map(|device| self.begin_function_check(device, *lasting, purpose, work)),
            WorkKind::EndFunctionCheck { device } => {
                self.device_to_end(device).map(|device| self.end_function_check(device, Some(work)))
            }
            WorkKind::Prove { device, kind, detail } => self.prove(device, *kind, detail, work),
            WorkKind::RecordGasTest(test) => self.record_gas_test(test, work),
            WorkKind::ChangeSensor(change) => self.change_sensor(change, work),
            WorkKind::Note { about, text } => self.note(about.as_deref(), text, work),
        };
        self.output.worked = Some(worked);
    }

    fn device_to_begin(&self, id: &str, lasting: Duration, again: bool) -> Result<DeviceIndex, Hindrance> {
        let device = self.known_device(id)?;
        let max = self.plan.devices[device.0].care.function_check_max;
        match &self.state.known.care[device.0].function_check {
            Some(under_way) if !again => Err(Hindrance::AlreadyInFunctionCheck(under_way.clone())),
            Some(_) | None if lasting > max => Err(Hindrance::TooLong { max }),
            Some(_) | None => Ok(device),
        }
    }

    fn device_to_end(&self, id: &str) -> Result<DeviceIndex, Hindrance> {
        let device = self.known_device(id)?;
        let care = &self.state.known.care[device.0];
        let there_is_one = care.function_check.is_some() || care.overrun;
        if there_is_one { Ok(device) } else { Err(Hindrance::NotInFunctionCheck) }
    }

    pub(super) fn known_device(&self, id: &str) -> Result<DeviceIndex, Hindrance> {
        let known = || self.plan.devices.iter().map(|device| device.id.as_str());
        let nearest = || nearest(id, known()).map(str::to_owned);
        self.plan.device(id).ok_or_else(|| Hindrance::UnknownDevice { nearest: nearest() })
    }

    fn begin_function_check(
        &mut self,
        device: DeviceIndex,
        lasting: Duration,
        purpose: &str,
        work: &Work,
    ) -> Worked {
        let now = self.state.now;
        let until = now.at(now.mono + lasting);
        let (by, purpose) = (work.who.clone(), purpose.to_owned());
        let mut detail = BTreeMap::from([
            ("until", Detail::Text(until.wall.to_string())),
            ("for_s", Detail::Number(lasting.as_secs_f64())),
            ("purpose", Detail::Text(purpose.clone())),
        ]);
        let care = &mut self.state.known.care[device.0];
        let began = care.function_check.as_ref().map(|before| before.since);
        let since = began.unwrap_or(now.wall);
        care.function_check = Some(FunctionCheck { by, since, until, purpose });
        care.overrun = false;
        if began.is_some() {
            detail.insert("again", Detail::Flag(true));
        }
        self.tell_work(EventKind::FunctionCheckBegun, device, Some(work), detail);
        self.state.wake_by(Some(until.mono));
        self.care_changed(device);
        Worked::of(self.plan.devices[device.0].id.clone(), Some(until.wall))
    }

    /// Ends it; without `work` at its deadline.
    fn end_function_check(&mut self, device: DeviceIndex, work: Option<&Work>) -> Worked {
        let care = &mut self.state.known.care[device.0];
        care.answers.clear();
        let mut detail = BTreeMap::new();
        if std::mem::replace(&mut care.overrun, work.is_none()) {
            detail.insert("overrun", Detail::Flag(true));
        }
        if let Some(ended) = care.function_check.take() {
            detail.insert("begun_by", Detail::Text(ended.by.to_string()));
            detail.insert("purpose", Detail::Text(ended.purpose));
        }
        if work.is_none() {
            detail.insert("by", Detail::Text(BY_DEADLINE.to_owned()));
        }
        self.tell_work(EventKind::FunctionCheckEnded, device, work, detail);
        for signal in self.plan.signals_of(device) {
            // Whatever was seen of the sample line, other gas was in it.
            self.state.signals[signal.0].flush = Flush::Violated;
        }
        self.care_changed(device);
        Worked::of(self.plan.devices[device.0].id.clone(), None)
    }

    /// Takes note of the calibrations that have fallen due.
    pub(super) fn note_due_calibrations(&mut self) {
        let now = self.state.now;
        let mut fallen_due = false;
        for (care, label) in self.state.known.care.iter_mut().zip(&self.plan.devices) {
            if care.falls_due.is_some_and(|due| due <= now.mono) {
                care.falls_due = None;
                care.calibration_due = label.care.every.is_some();
                fallen_due = true;
            }
        }
        if fallen_due {
            self.look_at_siskin();
        }
    }

    /// Ends the function checks whose time is over.
    pub(super) fn end_due_function_checks(&mut self) {
        let now = self.state.now.mono;
        for device in (0..self.plan.devices.len()).map(DeviceIndex) {
            let function_check = &self.state.known.care[device.0].function_check;
            if function_check.as_ref().is_some_and(|check| check.until.mono <= now) {
                self.end_function_check(device, None);
            }
        }
    }

    fn note(&mut self, about: Option<&str>, text: &str, work: &Work) -> Result<Worked, Hindrance> {
        let device = about.map(|id| self.known_device(id)).transpose()?;
        let subject = device.map_or(&self.plan.site_id, |device| &self.plan.devices[device.0].id).clone();
        let detail = BTreeMap::from([("text", Detail::Text(text.to_owned()))]);
        let (at, kind) = (self.state.now, EventKind::Note);
        self.tell(Event { at, kind, subject: subject.clone(), who: Some(work.who.clone()), detail });
        Ok(Worked::of(subject, None))
    }

    fn prove(
        &mut self,
        id: &str,
        kind: EventKind,
        detail: &BTreeMap<&'static str, Detail>,
        work: &Work,
    ) -> Result<Worked, Hindrance> {
        let device = self.known_device(id)?;
        self.tell_work(kind, device, Some(work), detail.clone());
        let function_check = &self.state.known.care[device.0].function_check;
        let until = function_check.as_ref().map(|check| check.until.wall);
        Ok(Worked::of(self.plan.devices[device.0].id.clone(), until))
    }

    /// Tells what was done to a device.
    pub(super) fn tell_work(
        &mut self,
        kind: EventKind,
        device: DeviceIndex,
        work: Option<&Work>,
        mut detail: BTreeMap<&'static str, Detail>,
    ) {
        let remark = work.and_then(|work| work.remark.clone());
        detail.extend(remark.map(|remark| ("remark", Detail::Text(remark))));
        let (at, subject) = (self.state.now, self.plan.devices[device.0].id.clone());
        self.tell(Event { at, kind, subject, who: work.map(|work| work.who.clone()), detail });
    }

    /// Judges anew what hangs on the care of a device.
    fn care_changed(&mut self, device: DeviceIndex) {
        self.judge_signals_of(device);
        self.look_at_siskin();
    }
}

/// The detail `by` of a function check that ended by itself.
pub(super) const BY_DEADLINE: &str = "deadline";
