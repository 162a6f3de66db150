//! What a report says of itself: how its figures come about, and what to beware of in them. And which
//! events are work on the analyzers, which are other things that people did, and which just happened.

use std::path::Path;

use crate::config::Site;
use crate::moment::Wall;
use crate::monitor::EventKind;
use crate::report::Report;
use crate::view::{Entry, words};

/// Kinds of events that tell of work on the analyzers, and of remarks.
const WORK: [EventKind; 5] = [
    EventKind::FunctionCheckBegun,
    EventKind::FunctionCheckEnded,
    EventKind::CalibrationRecorded,
    EventKind::SensorChanged,
    EventKind::Note,
];

/// 0 °C in kelvin: exact, by the definition of the degree Celsius.
const ZERO_CELSIUS_K: f64 = 273.15;

/// Events of a span, sorted. Alarms that come and go by themselves are in none: they are told as alarms.
pub struct Events {
    pub work: Vec<Entry>,
    pub actions: Vec<Entry>,
    pub happenings: Vec<Entry>,
}

impl Events {
    pub fn sorted(events: Vec<Entry>) -> Events {
        let mut sorted = Events { work: Vec::new(), actions: Vec::new(), happenings: Vec::new() };
        for event in events {
            let kind = EventKind::from_word(&event.kind);
            if kind.is_some_and(|kind| WORK.contains(&kind)) {
                sorted.work.push(event);
            } else if event.user.is_some() {
                sorted.actions.push(event);
            } else if kind.is_none_or(|kind| !kind.is_about_alarm()) {
                sorted.happenings.push(event);
            }
        }
        sorted
    }
}

/// How the figures come about.
pub fn methods(site: &Site) -> Vec<String> {
    vec![
        format!(
            "Gas days begin at {} by the clock of {} and are named by the date of their beginning; they have 23 \
             or 25 hours when the clocks change. Hours are counted from the beginning of the gas day.",
            site.gas_day_start.strftime("%H:%M"),
            site.time_zone.iana_name().unwrap_or("UTC"),
        ),
        "Means are weighted by time: the sum of each value times how long it held, over the measured time \
         (29 CFR 1910.1000(d)(1)). A value holds until the next sample, and no longer than its signal's \
         stale_after. They are not weighted by flow."
            .to_owned(),
        "Measured is what was read while the gas flowed, the analyzer measured, and the sample line was \
         flushed. Uncertain values count, such as those outside the measuring range: for how long and why they \
         were is told with the signal. What was not measured is in no figure, and is told with its reasons."
            .to_owned(),
        "Time beyond a setpoint is exact to the sample: strictly above it for a high alarm, strictly below it \
         for a low one, without deadband and delay. Setpoints are those of the site file now; those of an \
         alarm are those in force when it was raised."
            .to_owned(),
        "An exceedance of a high or low alarm begins with the value that first was beyond the setpoint without \
         a break before the alarm was raised, and ends with the last one before it was cleared. Of other \
         alarms it lasts from raised to cleared."
            .to_owned(),
        format!(
            "Values are in the unit that stands beside them, as the analyzer gave them; volumes of gas are \
             counted at {:.2} °C and {:.3} kPa (absolute).",
            site.gas_reference.temperature_k - ZERO_CELSIUS_K,
            site.gas_reference.pressure_pa / 1e3,
        ),
    ]
}

/// What to beware of.
pub fn cautions(report: &Report, site: &Site, given_up_before: Option<Wall>, journal: &Path) -> Vec<String> {
    let mut cautions = Vec::new();
    let at = |wall: Wall| words::date_and_time(wall.into(), &site.time_zone);
    if let Some(broken) = &report.journal.broken {
        cautions.push(format!(
            "The journal's chain of hashes is broken ({}, {broken}): what follows that entry is not told here, and \
             what precedes it cannot be held against anybody without a head noted earlier.",
            journal.display()
        ));
    }
    if !report.span.is_over {
        cautions.push(format!(
            "The time is not over: it is told up to {}, and the last minute may not be on record yet.",
            at(report.span.to.0)
        ));
    }
    if let Some(before) = given_up_before {
        cautions.push(format!(
            "Samples before {} were given up to make room; their hours are left. Before that time, times \
             beyond setpoints and in states are only lower bounds, and reasons are not known.",
            at(before)
        ));
    }
    let uncertain: Vec<String> = report
        .signals
        .iter()
        .filter(|signal| !signal.availability.uncertain_s.0.is_zero())
        .map(|signal| format!("{} for {}", signal.id, words::duration(signal.availability.uncertain_s.0)))
        .collect();
    if !uncertain.is_empty() {
        cautions.push(format!(
            "Values that count in the figures were uncertain: {}. Why is told with each signal.",
            uncertain.join("; ")
        ));
    }
    let now = &report.site.sha256;
    if report.site.in_force.iter().any(|file| file.sha256 != *now) {
        cautions.push(
            "The site file has changed since the beginning of this time: setpoints, units and names are those \
             of now. The journal tells what was changed (setting changed)."
                .to_owned(),
        );
    }
    let lost = |event: &&Entry| event.kind == EventKind::RecordLost.word();
    if report.happenings.iter().any(|event| lost(&event)) {
        cautions.push("Some of what was to be recorded was given up: see the events.".to_owned());
    }
    let replaced = |event: &&Entry| event.kind == EventKind::DatabaseReplaced.word();
    if report.happenings.iter().any(|event| replaced(&event)) {
        cautions.push(
            "A damaged file of the record was moved aside: what it held is not in this report.".to_owned(),
        );
    }
    let stepped = |event: &&Entry| event.kind == EventKind::ClockStepped.word();
    if report.happenings.iter().any(|event| stepped(&event)) {
        cautions.push("The clock was set: times before and after may overlap or lie apart.".to_owned());
    }
    cautions
}

/// What a report is not.
pub const WHAT_IT_IS_NOT: &str = "Made by siskin, which is not a safety system and does no custody measurement: \
     this report tells what analyzers said, and replaces neither gas detection nor the meter's own record.";
