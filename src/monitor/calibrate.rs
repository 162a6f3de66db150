//! Readings against calibration gas, as a person has them recorded while a device is in function check.
//!
//! Nothing is adjusted, and no record is corrected: what the analyzer said of a gas is kept, with what it
//! means in % of the span and how far it has moved since it was last left alone.

use std::collections::BTreeMap;
use std::time::Duration;

use jiff::civil::Date;

use crate::calibration::{Answers, Compared, Doubt, Gas, Point, Stage, drift_pct, is_settled, passes};
use crate::moment::Wall;
use crate::monitor::care::{CareState, Hindrance, Work, Worked};
use crate::monitor::step::Step;
use crate::monitor::{Detail, EventKind, Plan, Who};
use crate::names::nearest;
use crate::proving::loop_check::Measured;
use crate::signal::{DeviceIndex, Range, SignalIndex, Value};

/// The gas that a person says is in the cell of an analyzer.
#[derive(Debug, Clone, PartialEq)]
pub struct GasTest {
    /// The device's id.
    pub device: String,
    /// The signal's id, with or without that of its device.
    pub signal: String,
    /// Which end of the range the gas belongs to.
    pub point: Point,
    /// Before or after any adjustment.
    pub stage: Stage,
    /// What the certificate says, in the signal's unit; finite.
    pub standard: f64,
    /// What the cylinder or the source is called.
    pub standard_id: String,
    /// The last day on which the certificate is good.
    pub expires: Option<Date>,
    /// What day it is there.
    pub today: Date,
    /// It is to be recorded whatever makes the gas doubtful.
    pub despite: bool,
}

/// A reading against calibration gas, as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// The signal's id, with that of its device.
    pub signal: String,
    /// Which end of the range the gas belongs to.
    pub point: Point,
    /// Before or after any adjustment.
    pub stage: Stage,
    /// When.
    pub at: Wall,
    /// When the function check began in which it was recorded: readings of two function checks are no pair,
    /// since nobody knows what was done to the analyzer between them. `None` where that is not known.
    pub session: Option<Wall>,
    /// By whom.
    pub by: Who,
    /// What the certificate says, in the signal's unit.
    pub standard: f64,
    /// What the cylinder or the source is called.
    pub standard_id: String,
    /// The last day on which its certificate is good, if somebody said so.
    pub expires: Option<Date>,
    /// What the analyzer said, in the signal's unit.
    pub reading: f64,
    /// How far that is from the standard, in % of the span.
    pub error_pct: f64,
    /// How far it may be, in % of the span.
    pub tolerance_pct: f64,
    /// How far the analyzer has moved since it was last left alone, in % of the span. `None` where that is
    /// not known, and as left.
    pub drift_pct: Option<f64>,
    /// What made it doubtful; somebody had it recorded all the same.
    pub doubts: Vec<Doubt>,
}

impl Recorded {
    /// Whether the error keeps to the tolerance.
    pub fn pass(&self) -> bool {
        passes(self.error_pct, self.tolerance_pct)
    }

    /// What the journal is told of it beside when and by whom.
    pub(super) fn detail(&self) -> BTreeMap<&'static str, Detail> {
        let text = |text: &str| Detail::Text(text.to_owned());
        let mut detail = BTreeMap::from([
            ("signal", text(&self.signal)),
            ("point", text(self.point.word())),
            ("stage", text(self.stage.word())),
            ("standard", Detail::Number(self.standard)),
            ("standard_id", text(&self.standard_id)),
            ("reading", Detail::Number(self.reading)),
            ("error_pct", Detail::Number(self.error_pct)),
            ("tolerance_pct", Detail::Number(self.tolerance_pct)),
            ("pass", Detail::Flag(self.pass())),
        ]);
        detail.extend(self.drift_pct.map(|drift| ("drift_pct", Detail::Number(drift))));
        detail.extend(self.expires.map(|day| ("expires", Detail::Text(day.to_string()))));
        detail.extend(self.session.map(|since| ("session", Detail::Text(since.to_string()))));
        if !self.doubts.is_empty() {
            let words = self.doubts.iter().map(|doubt| doubt.word().to_owned()).collect();
            detail.insert("doubts", Detail::List(words));
            detail.insert("despite", Detail::Flag(true));
        }
        detail
    }
}

impl CareState {
    /// The last record of a signal at a point and stage.
    fn last(&self, signal: &str, point: Point, stage: Stage) -> Option<&Recorded> {
        self.records
            .iter()
            .find(|known| (known.signal.as_str(), known.point, known.stage) == (signal, point, stage))
    }

    /// Keeps a record in the place of the one before of the same signal, point and stage.
    pub(super) fn keep(&mut self, record: Recorded) {
        let of = |record: &Recorded| (record.signal.clone(), record.point, record.stage);
        self.records.retain(|known| of(known) != of(&record));
        self.sensor.keep(&record);
        self.records.push(record);
    }
}

impl Step<'_> {
    /// Takes an answer into account of which a calibration may be recorded.
    pub(super) fn note_answer(&mut self, signal: SignalIndex, value: Option<Value>) {
        let care = &mut self.state.known.care[self.plan.signals[signal.0].device.0];
        if care.function_check.is_some() {
            let now = self.state.now.mono;
            care.answers.entry(signal).or_default().take(now, value.and_then(Value::number));
        }
    }

    /// Records what a device says of the gas in its cell.
    pub(super) fn record_gas_test(&mut self, test: &GasTest, work: &Work) -> Result<Worked, Hindrance> {
        let device = self.known_device(&test.device)?;
        let signal = self.known_signal(device, &test.signal)?;
        if self.state.known.care[device.0].function_check.is_none() {
            return Err(Hindrance::NotInFunctionCheck);
        }
        let range = self.plan.signals[signal.0].range.ok_or(Hindrance::NoRange)?;
        let gas = Gas { point: test.point, concentration: test.standard, expires: test.expires };
        let mut doubts = gas.doubts(range, test.today);
        if !doubts.is_empty() && !test.despite {
            return Err(Hindrance::DoubtfulGas(doubts));
        }
        let (measured, over) = self.measured(device, signal)?;
        let tolerance_pct = self.plan.devices[device.0].care.tolerance_pct;
        if !is_settled(measured.scatter, range, tolerance_pct) {
            doubts.push(Doubt::Unsettled);
        }
        if !doubts.is_empty() && !test.despite {
            return Err(Hindrance::DoubtfulGas(doubts));
        }
        let compared = Compared { standard: test.standard, reading: measured.mean };
        let error_pct = compared.error_pct(range).ok_or(Hindrance::NoRange)?;
        let record =
            Recorded { doubts, ..self.record(device, signal, test, (measured.mean, error_pct), work) };
        self.tell_gas_test(device, signal, &record, (measured, over), range, work);
        let care = &mut self.state.known.care[device.0];
        care.answers.remove(&signal);
        care.keep(record.clone());
        care.reckon_due(&self.plan.devices[device.0].care, self.state.now);
        let due = care.falls_due;
        let until = care.function_check.as_ref().map(|check| check.until.wall);
        self.state.wake_by(due);
        self.look_at_siskin();
        let mut worked = Worked::of(self.plan.devices[device.0].id.clone(), until);
        worked.recorded = Some(Box::new(record));
        Ok(worked)
    }

    fn known_signal(&self, device: DeviceIndex, id: &str) -> Result<SignalIndex, Hindrance> {
        let full = format!("{}.{id}", self.plan.devices[device.0].id);
        let known =
            || self.plan.signals_of(device).map(|index| (index, self.plan.signals[index.0].id.as_str()));
        let found = known().find(|(_, known)| *known == id || *known == full);
        found.map(|(index, _)| index).ok_or_else(|| {
            let nearest = nearest(&full, known().map(|(_, known)| known)).map(str::to_owned);
            Hindrance::UnknownSignal { nearest }
        })
    }

    /// What the answers come to that the device has given of late, if it still answers; and the time
    /// that they took.
    fn measured(&self, device: DeviceIndex, signal: SignalIndex) -> Result<(Measured, Duration), Hindrance> {
        let (state, spec) = (&self.state.signals[signal.0], &self.plan.signals[signal.0]);
        let silent = state.fault.is_some() || state.is_too_old(spec.stale_after, self.state.now.mono);
        let answers = self.state.known.care[device.0].answers.get(&signal).filter(|_| !silent);
        let too_few = Hindrance::TooFewAnswers { have: answers.map_or(0, Answers::len) };
        let (numbers, over) = answers.and_then(Answers::enough).ok_or_else(|| too_few.clone())?;
        Ok((Measured::of(&numbers).ok_or(too_few)?, over))
    }

    fn record(
        &self,
        device: DeviceIndex,
        signal: SignalIndex,
        test: &GasTest,
        (reading, error_pct): (f64, f64),
        work: &Work,
    ) -> Recorded {
        let id = &self.plan.signals[signal.0].id;
        let left = self.state.known.care[device.0].last(id, test.point, Stage::AsLeft);
        let left = left.filter(|_| test.stage == Stage::AsFound);
        Recorded {
            signal: id.clone(),
            point: test.point,
            stage: test.stage,
            at: self.state.now.wall,
            session: self.state.known.care[device.0].function_check.as_ref().map(|check| check.since),
            by: work.who.clone(),
            standard: test.standard,
            standard_id: test.standard_id.clone(),
            expires: test.expires,
            reading,
            error_pct,
            tolerance_pct: self.plan.devices[device.0].care.tolerance_pct,
            drift_pct: left.map(|left| drift_pct(error_pct, left.error_pct)),
            doubts: Vec::new(),
        }
    }

    fn tell_gas_test(
        &mut self,
        device: DeviceIndex,
        signal: SignalIndex,
        record: &Recorded,
        (measured, over): (Measured, Duration),
        range: Range,
        work: &Work,
    ) {
        let mut detail = record.detail();
        detail.insert(
            "readings",
            Detail::Number(f64::from(u32::try_from(measured.readings).unwrap_or(u32::MAX))),
        );
        detail.insert("scatter", Detail::Number(measured.scatter));
        detail.insert("over_s", Detail::Number(over.as_secs_f64()));
        detail.insert("span", Detail::Number(range.high - range.low));
        let unit = self.plan.signals[signal.0].unit.clone();
        detail.extend(unit.map(|unit| ("unit", Detail::Text(unit))));
        self.tell_work(EventKind::CalibrationRecorded, device, Some(work), detail);
    }
}

/// What is recorded of each signal of a device that the plan still has.
pub(super) fn of_signals_there(plan: &Plan, device: DeviceIndex, record: &Recorded) -> bool {
    plan.signals_of(device).any(|signal| plan.signals[signal.0].id == record.signal)
}
