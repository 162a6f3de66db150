//! Everything known at one time: one immutable value, replaced as a whole.
//!
//! Faces read it and nothing else. They add what only they can know: how old it is when they show it.

use std::time::Duration;

use crate::alarm::{AlarmSpec, Kind, Life, Priority, Shelf, Verdict, Withheld};
use crate::calibration::{Exposure, SensorCare, Wear};
use crate::moment::{Moment, Wall};
use crate::monitor::care::CareState;
use crate::monitor::state::AlarmState;
use crate::monitor::{
    ClockStatus, Decision, DeviceLabel, DeviceReport, DiskUse, Fitted, FunctionCheck, LineReport, Plan,
    Recorded, State,
};
use crate::signal::{Sample, SignalIndex, SignalSpec, Value};
use crate::units::Circumstances;

/// Everything known at one time.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// When it was true.
    pub at: Moment,
    /// Grows with every event; an operator action says with it what its caller had seen.
    pub seq: u64,
    /// The site's id.
    pub site_id: String,
    /// The site's name.
    pub site_name: String,
    /// The IANA name of the zone in which people there live.
    pub time_zone: String,
    /// What is known of the wall clock.
    pub clock: ClockStatus,
    /// What the record takes on the disk; `None` before it was measured.
    pub disk: Option<DiskUse>,
    /// Every line, in site order.
    pub lines: Vec<LineStatus>,
    /// Every device, in site order.
    pub devices: Vec<DeviceStatus>,
    /// Every signal, in site order.
    pub signals: Vec<SignalStatus>,
    /// Every alarm, in site order.
    pub alarms: Vec<AlarmStatus>,
}

/// What is known of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct LineStatus {
    /// Its id.
    pub id: String,
    /// Its last report; `None` before the first.
    pub report: Option<LineReport>,
}

/// What is known of a device.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceStatus {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The id of its line.
    pub line: String,
    /// Its unit id.
    pub unit_id: u8,
    /// Its line's last report on it; `None` before the first.
    pub report: Option<DeviceReport>,
    /// The function check that it is in, if it is.
    pub function_check: Option<FunctionCheck>,
    /// Its last function check ran out, and nobody has ended it.
    pub function_check_overrun: bool,
    /// The last reading of each of its signals against calibration gas, by point and stage, oldest first.
    pub calibrations: Vec<Recorded>,
    /// When the next calibration is due; `None` where the site does not say how often, or none is on record.
    pub calibration_due: Option<Wall>,
    /// Its sensor; `None` where the site file says nothing of one.
    pub sensor: Option<SensorStatus>,
}

/// What is known of a device's sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorStatus {
    /// The signal that it measures, as `device.signal`.
    pub signal: String,
    /// That signal's unit.
    pub unit: Option<String>,
    /// What it can bear.
    pub care: SensorCare,
    /// The sensor that is in place; `None` when none is on record.
    pub fitted: Option<Fitted>,
    /// Whether it still settles.
    pub settling: bool,
    /// How much gas it has seen; `None` until that was worked out.
    pub exposure: Option<Exposure>,
    /// How far it is worn.
    pub wear: Wear,
    /// What it was found at by each calibration since it was put in, oldest first, and no more than
    /// [`crate::monitor::DRIFTS_KEPT_MAX`].
    pub found: Vec<Recorded>,
}

/// What is known of a signal.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalStatus {
    /// `device.signal`.
    pub id: String,
    /// What a person calls it, when the site file says so.
    pub name: Option<String>,
    /// Its ISA-5.1 tag.
    pub tag: Option<String>,
    /// Its unit.
    pub unit: Option<String>,
    /// What the ways from its unit to others depend on.
    pub circumstances: Circumstances,
    /// The name of its present state, when it has named states.
    pub state: Option<String>,
    /// What is known of it now.
    pub sample: Sample,
    /// When its device last answered for it; `None` when it never did.
    pub read: Option<Moment>,
    /// What the device last said, whatever that is worth: no measurement while the sample has no value.
    /// For the person at the analyzer; no other face tells it.
    pub last_answer: Option<(Value, Moment)>,
    /// The last value of good quality, and when it was read.
    pub last_good: Option<(Value, Moment)>,
    /// Since when the quality and its reasons have been what they are.
    pub since: Moment,
}

/// What is known of an alarm.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmStatus {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// The signal it watches; `None` for an alarm on siskin itself.
    pub signal: Option<SignalIndex>,
    /// What it watches for.
    pub kind: Kind,
    /// Whether it watches a limit that the gas itself must keep ([`Plan::limits_gas`]).
    pub limits_gas: bool,
    /// How urgently an operator must act.
    pub priority: Priority,
    /// Where it is in its life cycle.
    pub life: Life,
    /// Why it is withheld from the operator, if it is.
    pub withheld: Option<Withheld>,
    /// When its shelving ends at the latest, if it is shelved.
    pub shelved_until: Option<Wall>,
    /// Whether its shelving ends when its condition is gone for the first time, too.
    pub shelved_once: bool,
    /// Whose decision it is that it is withheld; `None` when it is told, or when the site's own logic
    /// withholds it.
    pub withheld_by: Option<Decision>,
    /// Alarms with the same group are told apart by which of them came first.
    pub first_out_group: Option<String>,
    /// Whether it was the first of its group to be raised.
    pub first_out: bool,
    /// Whether its condition holds now, deadband and delays applied; `None` when that cannot be known.
    pub active: Option<bool>,
    /// Whether its condition holds although it is not raised: its on-delay runs.
    pub pending: bool,
    /// Whether it needs a reset to go away, now or once its condition is gone.
    pub latching: bool,
    /// Since when it has been in this state; `None` when it never left normal.
    pub since: Option<Wall>,
    /// When it was last raised.
    pub raised: Option<Wall>,
    /// When it was last cleared; `None` while it stands raised.
    pub cleared: Option<Wall>,
    /// When it was acknowledged since it was last raised.
    pub acknowledged: Option<Wall>,
    /// What may have brought it about.
    pub cause: Option<String>,
    /// What happens when nobody acts.
    pub consequence: Option<String>,
    /// What to do.
    pub action: Option<String>,
    /// How long the operator has before the consequence sets in.
    pub time_to_respond: Option<Duration>,
}

/// Everything known after the last step.
pub fn snapshot(plan: &Plan, state: &State) -> Snapshot {
    Snapshot {
        at: state.now,
        seq: state.seq,
        site_id: plan.site_id.clone(),
        site_name: plan.site_name.clone(),
        time_zone: plan.time_zone.clone(),
        clock: state.known.clock,
        disk: state.known.record.as_ref().and_then(|record| record.disk),
        lines: line_statuses(plan, state),
        devices: device_statuses(plan, state),
        signals: signal_statuses(plan, state),
        alarms: alarm_statuses(plan, state),
    }
}

fn line_statuses(plan: &Plan, state: &State) -> Vec<LineStatus> {
    let status =
        |(id, report): (&String, &Option<LineReport>)| LineStatus { id: id.clone(), report: report.clone() };
    plan.lines.iter().zip(&state.known.lines).map(status).collect()
}

fn device_statuses(plan: &Plan, state: &State) -> Vec<DeviceStatus> {
    let report = |line: usize, device: usize| {
        let report = state.known.lines.get(line)?.as_ref()?;
        report.devices.iter().find(|known| known.device.0 == device).cloned()
    };
    let status = |(index, label): (usize, &DeviceLabel)| DeviceStatus {
        id: label.id.clone(),
        name: label.name.clone(),
        line: plan.lines[label.line.0].clone(),
        unit_id: label.unit_id,
        report: report(label.line.0, index),
        function_check: state.known.care[index].function_check.clone(),
        function_check_overrun: state.known.care[index].overrun,
        calibrations: state.known.care[index].records.clone(),
        calibration_due: next_due(label, &state.known.care[index]),
        sensor: sensor_status(plan, label, &state.known.care[index]),
    };
    plan.devices.iter().enumerate().map(status).collect()
}

fn next_due(label: &DeviceLabel, care: &CareState) -> Option<Wall> {
    care.last_left()?.checked_add(label.care.every?).ok()
}

fn sensor_status(plan: &Plan, label: &DeviceLabel, care: &CareState) -> Option<SensorStatus> {
    let sensor = label.care.sensor.as_ref()?;
    let measured = &plan.signals[sensor.signal.0];
    Some(SensorStatus {
        signal: measured.id.clone(),
        unit: measured.unit.clone(),
        care: sensor.clone(),
        fitted: care.sensor.fitted.clone(),
        settling: care.sensor.settles.is_some(),
        exposure: care.sensor.exposure,
        wear: care.sensor.wear.unwrap_or(Wear::Unknown),
        found: care.sensor.found.iter().filter(|found| found.signal == measured.id).cloned().collect(),
    })
}

fn signal_statuses(plan: &Plan, state: &State) -> Vec<SignalStatus> {
    let status = |(index, spec): (usize, &SignalSpec)| {
        let sample = state.known.samples[index];
        SignalStatus {
            id: spec.id.clone(),
            name: spec.name.clone(),
            tag: spec.tag.clone(),
            unit: spec.unit.clone(),
            circumstances: plan.circumstances[index],
            state: sample.value().and_then(|value| spec.states.of(value)).map(str::to_owned),
            sample,
            read: state.signals[index].last.map(|last| last.at),
            last_answer: state.signals[index].last.and_then(|last| Some((last.value?, last.at))),
            last_good: state.signals[index].last_good,
            since: state.signals[index].since,
        }
    };
    plan.signals.iter().enumerate().map(status).collect()
}

fn alarm_statuses(plan: &Plan, state: &State) -> Vec<AlarmStatus> {
    let status = |(spec, state): (&AlarmSpec, &AlarmState)| AlarmStatus {
        limits_gas: plan.limits_gas(spec),
        id: spec.id.clone(),
        name: spec.name.clone(),
        signal: spec.signal,
        kind: spec.kind.clone(),
        priority: spec.priority,
        life: state.life,
        withheld: state.standing.withheld(),
        shelved_until: state.standing.shelf.map(|shelf| shelf.until().wall),
        shelved_once: matches!(state.standing.shelf, Some(Shelf::OneShot(_))),
        withheld_by: state.withheld_by().cloned(),
        first_out_group: spec.first_out_group.clone(),
        first_out: state.first_out,
        active: state.active(),
        pending: state.verdict == Verdict::Holds && !state.life.is_active(),
        latching: spec.latching,
        since: state.since,
        raised: state.raised,
        cleared: state.cleared,
        acknowledged: state.acknowledged,
        cause: spec.cause.clone(),
        consequence: spec.consequence.clone(),
        action: spec.action.clone(),
        time_to_respond: spec.time_to_respond,
    };
    plan.alarms.iter().zip(&state.alarms).map(status).collect()
}
