//! The whole monitor with one signal and one alarm on it, played through a script.

use std::time::Duration;

use siskin::alarm::{AlarmSpec, Kind};
use siskin::calibration::Care;
use siskin::moment::{Moment, Mono};
use siskin::monitor::{DeviceLabel, EventKind, Input, Plan, State, step};
use siskin::signal::{LineIndex, Raw, Reading, SignalIndex};

use crate::plain_signal::plain_signal;

/// What the monitor has to tell of an alarm of this kind, with both delays, when the device answers
/// `(second, value)` and then no more until `end_s`. NaN is no measurement. The wall clock begins with
/// a clock hour.
pub fn play(kind: Kind, delay: Duration, script: &[(u64, f64)], end_s: u64) -> Vec<(u64, EventKind)> {
    let plan = plan(kind, delay);
    let mut state = State::new(&plan, moment(0));
    let mut events = Vec::new();
    for (second, value) in script {
        let reading =
            Reading { signal: SignalIndex(0), at: moment(*second), outcome: Ok(Raw::Number(*value)) };
        events.extend(step(&plan, &mut state, Input::Readings(vec![reading]), moment(*second)).events);
    }
    events.extend(step(&plan, &mut state, Input::Tick, moment(end_s)).events);
    events.iter().map(|event| (event.at.mono.since_start().as_secs(), event.kind)).collect()
}

fn plan(kind: Kind, delay: Duration) -> Plan {
    let mut signal = plain_signal();
    signal.stale_after = Duration::from_secs(86_400);
    let mut alarm = AlarmSpec::new("h2s", "H2S", Some(SignalIndex(0)), kind);
    (alarm.on_delay, alarm.off_delay) = (delay, delay);
    let device = DeviceLabel {
        id: "h2s-1".to_owned(),
        name: "Trace H2S".to_owned(),
        line: LineIndex(0),
        unit_id: 1,
        care: Care::default(),
    };
    let site = ("site".to_owned(), "Site".to_owned());
    Plan::new(site, vec!["east".to_owned()], vec![device], vec![signal], vec![alarm])
}

fn moment(second: u64) -> Moment {
    let mono = Duration::from_secs(second);
    let wall = jiff::Timestamp::UNIX_EPOCH.checked_add(mono).unwrap();
    Moment { mono: Mono::new(mono), wall }
}
