//! What the monitor watches: the site's signals and alarms, with the ways between them worked out
//! once, so that a step only follows them.

use std::time::Duration;

use crate::alarm::{AlarmIndex, AlarmSpec, Fault, Kind, Priority};
use crate::calibration::Care;
use crate::monitor::{ActionKind, care};
use crate::signal::{DeviceIndex, LineIndex, SignalIndex, SignalSpec};
use crate::units::{Circumstances, GasReference, Quantity, Unit};

/// The longest shelving where the site file does not say: one shift.
pub const SHELVE_MAX_DEFAULT: Duration = Duration::from_secs(12 * 3600);

/// A line that is asked for too much is told of once it has lasted so long, and so with its end: what
/// a line is asked for is estimated from what questions cost lately.
const OVERLOAD_DELAY: Duration = Duration::from_secs(60);

/// A device as the monitor needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceLabel {
    /// Its id.
    pub id: String,
    /// What a person calls it.
    pub name: String,
    /// Its line.
    pub line: LineIndex,
    /// Its unit id.
    pub unit_id: u8,
    /// What care it needs.
    pub care: Care,
}

/// A discrete input on a line that acts as an operator in the building does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PushButton {
    /// The input; pressed when it is on.
    pub signal: SignalIndex,
    /// What pressing it asks, of every alarm for which it means something.
    pub asks: ActionKind,
}

/// What the monitor watches.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The site's id.
    pub site_id: String,
    /// The site's name.
    pub site_name: String,
    /// The IANA name of the zone in which people there live.
    pub time_zone: String,
    /// The ids of the lines.
    pub lines: Vec<String>,
    /// The devices.
    pub devices: Vec<DeviceLabel>,
    /// The signals.
    pub signals: Vec<SignalSpec>,
    /// Of each signal, what the ways from its unit to others depend on. Nothing is judged by it.
    pub circumstances: Vec<Circumstances>,
    /// The alarms of the site, then those on siskin itself, then those on the care of its devices.
    pub alarms: Vec<AlarmSpec>,
    /// The building's push-buttons.
    pub push_buttons: Vec<PushButton>,
    /// The longest time an alarm may be shelved for.
    pub shelve_max: Duration,
    guards_first: Vec<SignalIndex>,
    rank: Vec<usize>,
    judged_after: Vec<Vec<SignalIndex>>,
    alarms_on: Vec<Vec<AlarmIndex>>,
    votes_on: Vec<Vec<AlarmIndex>>,
    suppressed_by: Vec<Vec<AlarmIndex>>,
}

impl Plan {
    /// Joins the parts. Neither guards nor votes may form a cycle; the site file's check holds that.
    pub fn new(
        (site_id, site_name): (String, String),
        lines: Vec<String>,
        devices: Vec<DeviceLabel>,
        signals: Vec<SignalSpec>,
        mut alarms: Vec<AlarmSpec>,
    ) -> Self {
        alarms.extend(alarms_on_siskin(&lines));
        alarms.extend(care::alarms(&devices));
        let guards_first = guards_first(&signals);
        let mut rank = vec![0; signals.len()];
        guards_first.iter().enumerate().for_each(|(place, signal)| rank[signal.0] = place);
        let judged_after = judged_after(&signals, &guards_first);
        let mut alarms_on = vec![Vec::new(); signals.len()];
        let mut votes_on = vec![Vec::new(); alarms.len()];
        let mut suppressed_by = vec![Vec::new(); signals.len()];
        for (index, alarm) in alarms.iter().enumerate().map(|(index, alarm)| (AlarmIndex(index), alarm)) {
            for signal in watched(alarm) {
                alarms_on[signal.0].push(index);
            }
            for guard in &alarm.suppress_when {
                suppressed_by[guard.signal.0].push(index);
            }
            for voter in voters(alarm) {
                votes_on[voter.0].push(index);
            }
        }
        let nothing_told =
            Circumstances { reference: GasReference::NORMAL, substance: None, ambient_pa: None };
        let circumstances = vec![nothing_told; signals.len()];
        let (push_buttons, shelve_max, time_zone) = (Vec::new(), SHELVE_MAX_DEFAULT, "UTC".to_owned());
        Plan {
            site_id,
            site_name,
            time_zone,
            lines,
            devices,
            signals,
            circumstances,
            alarms,
            push_buttons,
            shelve_max,
            guards_first,
            rank,
            judged_after,
            alarms_on,
            votes_on,
            suppressed_by,
        }
    }

    /// The signals to judge when this one has a new answer: itself first, then those that look at it,
    /// each after everything it looks at.
    pub(super) fn judged_after(&self, signal: SignalIndex) -> &[SignalIndex] {
        &self.judged_after[signal.0]
    }

    /// All signals, each after everything it looks at.
    pub(super) fn guards_first(&self) -> &[SignalIndex] {
        &self.guards_first
    }

    /// A signal's place in that order.
    pub(super) fn rank(&self, signal: SignalIndex) -> usize {
        self.rank[signal.0]
    }

    /// The alarms that watch a signal.
    pub(super) fn alarms_on(&self, signal: SignalIndex) -> &[AlarmIndex] {
        &self.alarms_on[signal.0]
    }

    /// Of these, the ones that are about it: not those that only compare another signal with it.
    pub(super) fn alarms_about(&self, signal: SignalIndex) -> impl Iterator<Item = AlarmIndex> {
        let is_about = move |alarm: &AlarmIndex| self.alarms[alarm.0].signal == Some(signal);
        self.alarms_on(signal).iter().copied().filter(is_about)
    }

    /// The alarms that are suppressed depending on a signal.
    pub(super) fn suppressed_by(&self, signal: SignalIndex) -> &[AlarmIndex] {
        &self.suppressed_by[signal.0]
    }

    /// The alarms that vote on an alarm.
    pub(super) fn votes_on(&self, alarm: AlarmIndex) -> &[AlarmIndex] {
        &self.votes_on[alarm.0]
    }

    /// The device with this id.
    pub(super) fn device(&self, id: &str) -> Option<DeviceIndex> {
        self.devices.iter().position(|device| device.id == id).map(DeviceIndex)
    }

    /// The signals of one device.
    pub(super) fn signals_of(&self, device: DeviceIndex) -> impl Iterator<Item = SignalIndex> {
        let of_device = move |(_, spec): &(usize, &SignalSpec)| spec.device == device;
        self.signals.iter().enumerate().filter(of_device).map(|(index, _)| SignalIndex(index))
    }

    /// Whether an alarm watches a limit that the gas itself must keep: a value, or its average, too
    /// high or too low. Where the site file does not say, only a flow or a pressure on which another
    /// signal's validity depends is none. That a signal is looked at by others is not enough: one
    /// content of the gas may well be the condition of another, and keeps its own limit all the same.
    pub(super) fn limits_gas(&self, alarm: &AlarmSpec) -> bool {
        let is_limit = match alarm.kind {
            Kind::High(_) | Kind::Low(_) | Kind::AverageHigh(..) | Kind::AverageLow(..) => true,
            Kind::Rise(..)
            | Kind::Fall(..)
            | Kind::State { .. }
            | Kind::Deviation { .. }
            | Kind::Frozen { .. }
            | Kind::Lost
            | Kind::Vote { .. }
            | Kind::Fault(_) => false,
        };
        let is_condition = |signal: SignalIndex| {
            self.judged_after(signal).len() > 1 && is_flow_or_pressure(&self.signals[signal.0])
        };
        let counts = |signal| alarm.gas_limit.unwrap_or_else(|| !is_condition(signal));
        is_limit && alarm.signal.is_some_and(counts)
    }

    /// The first-out groups, one for each alarm that is in one.
    pub(super) fn groups(&self) -> impl Iterator<Item = &String> {
        self.alarms.iter().filter_map(|alarm| alarm.first_out_group.as_ref())
    }

    /// The alarm with this id.
    pub(super) fn alarm(&self, id: &str) -> Option<AlarmIndex> {
        self.alarms.iter().position(|alarm| alarm.id == id).map(AlarmIndex)
    }
}

/// Whether a signal tells by its unit that it is no property of the gas. A temperature may be a dew point.
fn is_flow_or_pressure(signal: &SignalSpec) -> bool {
    signal.unit.as_deref().and_then(Unit::parse).is_some_and(|unit| match unit.quantity {
        Quantity::AbsolutePressure
        | Quantity::GaugePressure
        | Quantity::Pressure
        | Quantity::ReferenceFlow(_)
        | Quantity::Flow => true,
        Quantity::MoleFraction | Quantity::MassPerVolume(_) | Quantity::Temperature | Quantity::Current => {
            false
        }
    })
}

/// The signals whose samples an alarm's condition looks at.
fn watched(alarm: &AlarmSpec) -> impl Iterator<Item = SignalIndex> {
    let other = if let Kind::Deviation { other, .. } = alarm.kind { Some(other) } else { None };
    alarm.signal.into_iter().chain(other)
}

/// The alarms an alarm's condition looks at.
fn voters(alarm: &AlarmSpec) -> &[AlarmIndex] {
    if let Kind::Vote { of, .. } = &alarm.kind { of } else { &[] }
}

/// For each signal, itself and everything that depends on it, in an order in which each comes after
/// what it looks at.
fn judged_after(signals: &[SignalSpec], order: &[SignalIndex]) -> Vec<Vec<SignalIndex>> {
    let dependents = |of: SignalIndex| {
        let mut reached = vec![false; signals.len()];
        reached[of.0] = true;
        let mut list = vec![of];
        for &signal in order {
            let looks_at_reached = signals[signal.0].valid_when.iter().any(|guard| reached[guard.signal.0]);
            if looks_at_reached && !reached[signal.0] {
                reached[signal.0] = true;
                list.push(signal);
            }
        }
        list
    };
    (0..signals.len()).map(|index| dependents(SignalIndex(index))).collect()
}

/// All signals, each after those its guards look at.
fn guards_first(signals: &[SignalSpec]) -> Vec<SignalIndex> {
    fn visit(signal: SignalIndex, signals: &[SignalSpec], seen: &mut [bool], order: &mut Vec<SignalIndex>) {
        if std::mem::replace(&mut seen[signal.0], true) {
            return;
        }
        for guard in &signals[signal.0].valid_when {
            visit(guard.signal, signals, seen, order);
        }
        order.push(signal);
    }
    let mut seen = vec![false; signals.len()];
    let mut order = Vec::with_capacity(signals.len());
    for index in 0..signals.len() {
        visit(SignalIndex(index), signals, &mut seen, &mut order);
    }
    order
}

/// The alarms every site has without asking: on its lines and on its own record.
fn alarms_on_siskin(lines: &[String]) -> Vec<AlarmSpec> {
    let on_lines = lines.iter().enumerate().flat_map(|(index, line)| alarms_on_line(LineIndex(index), line));
    on_lines.chain(alarms_on_record()).collect()
}

fn alarms_on_line(index: LineIndex, line: &str) -> [AlarmSpec; 2] {
    let noise = AlarmSpec {
        consequence: Some("A damaged answer could pass for a good one: readings are uncertain.".to_owned()),
        action: Some("Check termination, shield, common and connections of the line.".to_owned()),
        ..on_siskin(format!("line.{line}.noise"), format!("Line {line} is noisy"), Fault::LineNoise(index))
    };
    let overload = AlarmSpec {
        priority: Priority::Low,
        on_delay: OVERLOAD_DELAY,
        off_delay: OVERLOAD_DELAY,
        consequence: Some("Every value on the line is read less often than the site file asks.".to_owned()),
        action: Some(
            "Have `poll_every` made longer for what changes slowly, or the devices parted on two lines; \
             `siskin check` tells what each block takes."
                .to_owned(),
        ),
        ..on_siskin(
            format!("line.{line}.overload"),
            format!("Line {line} is asked for more than it can carry"),
            Fault::LineOverload(index),
        )
    };
    [noise, overload]
}

fn alarms_on_record() -> [AlarmSpec; 2] {
    [
        AlarmSpec {
            latching: true,
            consequence: Some("The record before this time is in the file that was moved aside.".to_owned()),
            action: Some(
                "Keep the moved file; have the disk checked. Then acknowledge and reset.".to_owned(),
            ),
            ..on_siskin(
                "record.replaced".to_owned(),
                "A damaged record was replaced".to_owned(),
                Fault::RecordReplaced,
            )
        },
        AlarmSpec {
            priority: Priority::High,
            on_delay: Duration::from_secs(10),
            consequence: Some("What happens now may be missing from the record.".to_owned()),
            action: Some("Free space on the data disk, or have it replaced.".to_owned()),
            ..on_siskin(
                "record.failing".to_owned(),
                "The record cannot be written".to_owned(),
                Fault::RecordFailing,
            )
        },
    ]
}

fn on_siskin(id: String, name: String, fault: Fault) -> AlarmSpec {
    AlarmSpec::new(id, name, None, Kind::Fault(fault))
}
