//! What is known of the alarms and of the care of the devices, told once more: for a journal that has
//! been begun anew because the one before was damaged. Folded back ([`crate::monitor::restore`]), it gives what is known now.

use std::collections::BTreeMap;

use crate::alarm::{AlarmSpec, Life};
use crate::moment::{Moment, Wall};
use crate::monitor::action::detail_of;
use crate::monitor::care::{BY_DEADLINE, CareState};
use crate::monitor::state::AlarmState;
use crate::monitor::{Decision, Detail, DeviceLabel, Event, EventKind, Fitted, Plan, Recorded, State};

/// The detail that marks an event as told once more.
pub const CARRIED_OVER_DETAIL: &str = "carried_over";

/// The events that tell how every alarm stands that does not stand as at the very beginning, and in what
/// function check each device is.
pub fn retell(plan: &Plan, state: &State) -> Vec<Event> {
    let told = plan.alarms.iter().zip(&state.alarms).filter(|(_, alarm)| alarm.has_a_past());
    let of_alarms = told.flat_map(|(spec, alarm)| events_of(spec, alarm, state.now));
    let care = plan.devices.iter().zip(&state.known.care);
    let of_care = care.flat_map(|(device, care)| events_of_care(device, care, state.now));
    of_alarms.chain(of_care).collect()
}

fn events_of_care(device: &DeviceLabel, care: &CareState, now: Moment) -> Vec<Event> {
    let of_record = |record: &Recorded| {
        let mut detail = record.detail();
        detail.insert(CARRIED_OVER_DETAIL, Detail::Flag(true));
        let at = Moment { mono: now.mono, wall: record.at };
        let (kind, who) = (EventKind::CalibrationRecorded, Some(record.by.clone()));
        Event { at, kind, subject: device.id.clone(), who, detail }
    };
    let fitted = care.sensor.fitted.as_ref().map(|fitted| event_of_sensor(device, fitted, now));
    // A sensor stands before what was found of it: it would take away what is older.
    let is_found = |record: &Recorded| care.sensor.found.contains(record);
    let records = care.sensor.found.iter().chain(care.records.iter().filter(|record| !is_found(record)));
    let mut records: Vec<&Recorded> = records.collect();
    records.sort_by_key(|record| record.at);
    let of_records = records.into_iter().map(of_record);
    fitted.into_iter().chain(of_records).chain(event_of_function_check(device, care, now)).collect()
}

fn event_of_sensor(device: &DeviceLabel, fitted: &Fitted, now: Moment) -> Event {
    let mut detail = fitted.detail();
    detail.insert(CARRIED_OVER_DETAIL, Detail::Flag(true));
    let at = Moment { mono: now.mono, wall: fitted.at };
    let (kind, who) = (EventKind::SensorChanged, Some(fitted.by.clone()));
    Event { at, kind, subject: device.id.clone(), who, detail }
}

fn event_of_function_check(device: &DeviceLabel, care: &CareState, now: Moment) -> Option<Event> {
    let text = |text: &str| Detail::Text(text.to_owned());
    let mut detail = BTreeMap::from([(CARRIED_OVER_DETAIL, Detail::Flag(true))]);
    let (kind, who) = match &care.function_check {
        Some(check) => {
            // As with shelving, what is left of its time counts from now.
            detail.insert("until", Detail::Text(now.at(check.until.mono).wall.to_string()));
            detail.insert("since", Detail::Text(check.since.to_string()));
            detail.insert("purpose", text(&check.purpose));
            (EventKind::FunctionCheckBegun, Some(check.by.clone()))
        }
        None if care.overrun => {
            detail.insert("by", text(BY_DEADLINE));
            (EventKind::FunctionCheckEnded, None)
        }
        None => return None,
    };
    Some(Event { at: now, kind, subject: device.id.clone(), who, detail })
}

fn events_of(spec: &AlarmSpec, alarm: &AlarmState, now: Moment) -> Vec<Event> {
    let tell = |kind, at: Wall, decision: Option<&Decision>| {
        let mut detail = BTreeMap::from([
            ("state", Detail::Text(alarm.life.word().to_owned())),
            (CARRIED_OVER_DETAIL, Detail::Flag(true)),
        ]);
        detail
            .extend(decision.and_then(|by| by.remark.clone()).map(|remark| ("remark", Detail::Text(remark))));
        let (at, who) = (Moment { mono: now.mono, wall: at }, decision.map(|by| by.who.clone()));
        Event { at, kind, subject: spec.id.clone(), who, detail }
    };
    let mut events = Vec::new();
    if let Some(raised) = alarm.raised {
        let mut event = tell(EventKind::AlarmRaised, raised, None);
        if alarm.first_out {
            event.detail.insert("first_out", Detail::Flag(true));
        }
        events.push(event);
    }
    events.extend(alarm.acknowledged.map(|at| tell(EventKind::AlarmAcknowledged, at, None)));
    events.extend(alarm.cleared.map(|at| tell(EventKind::AlarmCleared, at, None)));
    let since = alarm.since.unwrap_or(now.wall);
    if let Some(shelf) = alarm.standing.shelf {
        // A shelving's time counts from the event that tells of it: what is left of it counts from now.
        let mut event = tell(EventKind::AlarmShelved, now.wall, alarm.shelved_by.as_ref());
        event.detail.extend(detail_of(shelf, now.at(shelf.until().mono).wall));
        events.push(event);
    }
    if alarm.standing.out_of_service {
        events.push(tell(EventKind::AlarmOutOfService, since, alarm.removed_by.as_ref()));
    }
    if alarm.standing.suppressed {
        events.push(tell(EventKind::AlarmSuppressed, since, None));
    }
    events
}

impl AlarmState {
    fn has_a_past(&self) -> bool {
        self.life != Life::Normal || self.standing != crate::alarm::Standing::default()
    }
}
