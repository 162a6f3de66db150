//! The sensor of a device: when it was changed, how it has fared since, and whether it is worn.
//!
//! A new sensor settles: until then its signal is no measurement. It is a new beginning in every respect:
//! what was calibrated before tells nothing of it, so that a calibration is due, and drift counts from the
//! first reading as left. How much gas it has seen comes in from outside, worked out from the record.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use crate::alarm::{AlarmSpec, Fault, Kind, Priority};
use crate::calibration::{Exposure, SensorCare, Stage, Wear};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::care::{CareState, Hindrance, Work, Worked};
use crate::monitor::restore::deadline;
use crate::monitor::step::Step;
use crate::monitor::{Detail, DeviceLabel, EventKind, Plan, Recorded, State, Who};
use crate::signal::{DeviceIndex, SignalIndex};

/// So many readings as found are kept of a sensor; the oldest go first.
pub const DRIFTS_KEPT_MAX: usize = 24;

/// A new sensor, as the person says who put it in.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorChange {
    /// The device's id.
    pub device: String,
    /// What stands on the sensor.
    pub serial: String,
    /// How long it lay open to air until it was in place.
    pub open_to_air: Option<Duration>,
    /// How long it settles; `None`: as the site file says, and not at all with `since`.
    pub settle: Option<Duration>,
    /// Since when it has been in place, where that is longer than just now.
    pub since: Option<Wall>,
}

/// The sensor that is in a device, as recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fitted {
    /// What stands on it.
    pub serial: String,
    /// Since when it has been in place.
    pub since: Wall,
    /// When that was recorded.
    pub at: Wall,
    /// By whom.
    pub by: Who,
    /// How long it lay open to air until it was in place.
    pub open_to_air: Option<Duration>,
    /// When it has settled, or had.
    pub settles_until: Option<Wall>,
}

/// How much gas a sensor has seen, worked out from the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureReport {
    /// The sensor's device.
    pub device: DeviceIndex,
    /// Since when that sensor has been in place: of another one it tells nothing.
    pub since: Wall,
    /// How much.
    pub exposure: Exposure,
}

/// A sensor that is in place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SensorInPlace {
    /// Its device.
    pub device: DeviceIndex,
    /// The signal that it measures, as `device.signal`.
    pub signal: String,
    /// Since when.
    pub since: Wall,
}

/// Every sensor that is on record as being in place.
pub fn sensors_in_place(plan: &Plan, state: &State) -> Vec<SensorInPlace> {
    let devices = plan.devices.iter().zip(&state.known.care).enumerate();
    let in_place = |(index, (label, care)): (usize, (&DeviceLabel, &CareState))| {
        let (sensor, fitted) = (label.care.sensor.as_ref()?, care.sensor.fitted.as_ref()?);
        let signal = plan.signals[sensor.signal.0].id.clone();
        Some(SensorInPlace { device: DeviceIndex(index), signal, since: fitted.since })
    };
    devices.filter_map(in_place).collect()
}

/// How things stand with the sensor of one device.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct SensorState {
    pub(super) fitted: Option<Fitted>,
    /// Until when it settles, if it still does.
    pub(super) settles: Option<Mono>,
    pub(super) exposure: Option<Exposure>,
    pub(super) wear: Option<Wear>,
    /// When its age wears it further.
    pub(super) wears: Option<Mono>,
    /// What it was found at by each calibration since it was put in, oldest first.
    pub(super) found: VecDeque<Recorded>,
    /// Whether the site wants to hear of its end.
    due_alarm: bool,
}

impl SensorState {
    /// Whether it is time for a new one, or nobody knows of the present one; `None` while it is not known
    /// what the present one has seen.
    pub(super) fn is_due(&self) -> Option<bool> {
        match self.wear {
            _ if !self.due_alarm => Some(false),
            _ if self.fitted.is_none() => Some(true),
            Some(Wear::Unknown) => None,
            Some(Wear::Fresh | Wear::Near | Wear::Spent) | None => Some(self.wear == Some(Wear::Spent)),
        }
    }

    /// When something changes by itself.
    pub(super) fn deadline(&self) -> Option<Mono> {
        self.settles.into_iter().chain(self.wears).min()
    }

    /// A sensor that was put in at some time, of which the record is to be asked what it has seen.
    pub(super) fn fit(&mut self, fitted: Fitted, settles: Option<Mono>) {
        let since = fitted.since;
        (self.exposure, self.wear) = (None, None);
        self.found.retain(|found| found.at >= since);
        (self.fitted, self.settles) = (Some(fitted), settles);
    }

    /// Keeps what it was found at.
    pub(super) fn keep(&mut self, record: &Recorded) {
        if record.stage == Stage::AsFound {
            if self.found.len() == DRIFTS_KEPT_MAX {
                self.found.pop_front();
            }
            self.found.push_back(record.clone());
        }
    }

    /// Reckons anew how far it is worn, and when its age will wear it further.
    pub(super) fn reckon(&mut self, care: Option<&SensorCare>, now: Moment) {
        let Some(care) = care else {
            (self.wear, self.wears, self.due_alarm) = (None, None, false);
            return;
        };
        self.due_alarm = care.due_alarm && care.has_limit();
        let Some(fitted) = self.fitted.as_ref().filter(|_| care.has_limit()) else {
            (self.wear, self.wears) = (Some(Wear::Unknown), None);
            return;
        };
        let ends = care.ages().map(|(near, spent)| [near, spent].map(|age| deadline(fitted.since, age, now)));
        let aged = match ends {
            Some([_, spent]) if spent <= now.mono => Wear::Spent,
            Some([near, _]) if near <= now.mono => Wear::Near,
            Some(_) | None => Wear::Fresh,
        };
        self.wear = Some(care.worn(aged, self.exposure, self.wear == Some(Wear::Spent)));
        self.wears = ends.into_iter().flatten().filter(|end| *end > now.mono).min();
    }
}

/// The alarms that tell of the end of a sensor: one for each device whose site file says what its sensor
/// can bear, unless it turns it off.
pub(super) fn alarms(devices: &[DeviceLabel]) -> Vec<AlarmSpec> {
    let wanted = |device: &DeviceLabel| {
        device.care.sensor.as_ref().is_some_and(|sensor| sensor.due_alarm && sensor.has_limit())
    };
    let with_index = devices.iter().enumerate().filter(|(_, device)| wanted(device));
    with_index.map(|(index, device)| due_alarm(DeviceIndex(index), device)).collect()
}

/// The id of the alarm that tells of the end of a device's sensor.
pub(super) fn due_alarm_id(device: &DeviceLabel) -> String {
    format!("{}.sensor_due", device.id)
}

fn due_alarm(index: DeviceIndex, device: &DeviceLabel) -> AlarmSpec {
    let (id, name) = (&device.id, &device.name);
    AlarmSpec {
        priority: Priority::Low,
        cause: Some(
            "The sensor is past its life or past the gas that it can bear, or no sensor is on record."
                .to_owned(),
        ),
        consequence: Some(
            "A spent sensor may read low, or no longer at all: readings are uncertain.".to_owned(),
        ),
        action: Some(format!(
            "Have the sensor changed by the maker's manual, and that recorded with `siskin sensor change {id}`; \
             `siskin sensor show {id}` tells what is known of it."
        )),
        ..AlarmSpec::new(
            due_alarm_id(device),
            format!("{name}: a new sensor is due"),
            None,
            Kind::Fault(Fault::SensorDue(index)),
        )
    }
}

impl Step<'_> {
    /// Takes note of a new sensor.
    pub(super) fn change_sensor(&mut self, change: &SensorChange, work: &Work) -> Result<Worked, Hindrance> {
        let device = self.known_device(&change.device)?;
        let now = self.state.now;
        let care = self.plan.devices[device.0].care.sensor.as_ref().ok_or(Hindrance::NoSensor)?;
        let (settle, since) = (change.settle, change.since.unwrap_or(now.wall));
        if since > now.wall {
            return Err(Hindrance::NotYet);
        }
        let usual = if change.since.is_some() { Duration::ZERO } else { care.settle };
        let settles = Some(settle.unwrap_or(usual)).filter(|settle| !settle.is_zero());
        let settles = settles.map(|settle| now.at(now.mono + settle));
        let fitted = Fitted {
            serial: change.serial.clone(),
            since,
            at: now.wall,
            by: work.who.clone(),
            open_to_air: change.open_to_air,
            settles_until: settles.map(|until| until.wall),
        };
        let mut detail = fitted.detail();
        detail.insert("signal", Detail::Text(self.plan.signals[care.signal.0].id.clone()));
        let before = self.state.known.care[device.0].sensor.fitted.as_ref();
        detail.extend(before.map(|old| ("old_serial", Detail::Text(old.serial.clone()))));
        self.fit(device, fitted.clone(), settles.map(|until| until.mono));
        self.tell_work(EventKind::SensorChanged, device, Some(work), detail);
        self.sensor_changed(device);
        let care = &self.state.known.care[device.0];
        let until = care.function_check.as_ref().map(|check| check.until.wall);
        let mut worked = Worked::of(self.plan.devices[device.0].id.clone(), until);
        worked.fitted = Some(Box::new(fitted));
        Ok(worked)
    }

    fn fit(&mut self, device: DeviceIndex, fitted: Fitted, settles: Option<Mono>) {
        let (now, label) = (self.state.now, &self.plan.devices[device.0]);
        let care = &mut self.state.known.care[device.0];
        let has_seen_nothing = fitted.since == fitted.at;
        care.fit(fitted, settles);
        if has_seen_nothing {
            care.sensor.exposure = Some(Exposure::NONE);
        }
        care.reckon_due(&label.care, now);
        let due = care.deadline();
        self.state.wake_by(due);
    }

    /// Takes note of how much gas a sensor has seen.
    pub(super) fn take_exposure(&mut self, report: ExposureReport) {
        let now = self.state.now;
        let (Some(label), Some(care)) =
            (self.plan.devices.get(report.device.0), self.state.known.care.get_mut(report.device.0))
        else {
            return;
        };
        let sensor = &mut care.sensor;
        if sensor.fitted.as_ref().is_some_and(|fitted| fitted.since == report.since) {
            let before = sensor.wear;
            sensor.exposure = Some(report.exposure);
            sensor.reckon(label.care.sensor.as_ref(), now);
            if sensor.wear != before {
                self.sensor_changed(report.device);
            }
        }
    }

    /// Takes note of the sensors that have settled, or that their age has worn.
    pub(super) fn note_due_sensors(&mut self) {
        let now = self.state.now;
        for (index, label) in self.plan.devices.iter().enumerate() {
            let sensor = &mut self.state.known.care[index].sensor;
            if sensor.deadline().is_some_and(|due| due <= now.mono) {
                sensor.settles = sensor.settles.filter(|until| *until > now.mono);
                sensor.reckon(label.care.sensor.as_ref(), now);
                self.sensor_changed(DeviceIndex(index));
            }
        }
    }

    fn sensor_changed(&mut self, device: DeviceIndex) {
        self.judge_signals_of(device);
        self.look_at_siskin();
    }

    /// Whether the sensor behind a signal settles, and how far it is worn.
    pub(super) fn sensor_behind(&self, signal: SignalIndex) -> (bool, Option<Wear>) {
        let device = self.plan.signals[signal.0].device;
        let is_its =
            self.plan.devices[device.0].care.sensor.as_ref().is_some_and(|care| care.signal == signal);
        let sensor = &self.state.known.care[device.0].sensor;
        if is_its { (sensor.settles.is_some(), sensor.wear) } else { (false, None) }
    }
}

impl Fitted {
    /// What the journal is told of it beside when it was recorded and by whom.
    pub(super) fn detail(&self) -> BTreeMap<&'static str, Detail> {
        let mut detail = BTreeMap::from([("serial", Detail::Text(self.serial.clone()))]);
        if self.since != self.at {
            detail.insert("since", Detail::Text(self.since.to_string()));
        }
        let open = self.open_to_air.map(|time| ("open_to_air_s", Detail::Number(time.as_secs_f64())));
        let until = self.settles_until.map(|until| ("until", Detail::Text(until.to_string())));
        detail.extend(open.into_iter().chain(until));
        detail
    }
}
