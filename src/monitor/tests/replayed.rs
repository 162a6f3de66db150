//! The record replayed through the core: the same alarms at the same times.

use super::*;
use crate::signal::Sample;

/// Every event about the alarms, with its time.
fn transitions(events: &[Event]) -> Vec<(Moment, EventKind, String)> {
    let about_alarms = events.iter().filter(|event| event.kind.is_about_alarm());
    about_alarms.map(|event| (event.at, event.kind, event.subject.clone())).collect()
}

/// Lives through a script as [`run`] does; what was told, and what went into the record.
fn live(plan: &Plan, script: &str) -> (Vec<Event>, Vec<(Moment, SignalIndex, Sample)>) {
    let mut state = State::new(plan, moment(0.0, 0));
    let (mut events, mut record) = (Vec::new(), Vec::new());
    for line in STARTED.lines().chain(script.lines()).map(str::trim) {
        let (seconds, what) = line.split_once(' ').unwrap();
        let now = moment(seconds.parse().unwrap(), 0);
        let input = if what == "tick" { Input::Tick } else { reading(what, now) };
        let output = step(plan, &mut state, input, now);
        events.extend(output.events);
        record.extend(output.samples.into_iter().map(|(signal, sample)| (sample.at, signal, sample)));
    }
    (events, record)
}

fn replay(plan: &Plan, record: &[(Moment, SignalIndex, Sample)], end: Moment) -> Vec<Event> {
    let mut state = State::for_replay(plan, moment(0.0, 0));
    let mut events = Vec::new();
    for (at, signal, sample) in record {
        events.extend(step(plan, &mut state, Input::Recorded(vec![(*signal, *sample)]), *at).events);
    }
    events.extend(step(plan, &mut state, Input::Tick, end).events);
    events
}

#[test]
fn the_record_replayed_with_its_own_settings_gives_the_transitions_that_were_lived_through() {
    let plan = plan(|h2s, high| {
        h2s.settle = Duration::from_secs(20);
        h2s.stale_after = Duration::from_secs(300);
        high.latching = true;
    });
    let script = "100 h2s=5\n 130 h2s=3.9\n 150 h2s=1\n 180 flow=0\n 200 flow=2\n 240 h2s=6\n 251 h2s=25
        300 h2s=nan\n 320 h2s=7\n 700 tick\n 720 h2s=1\n 800 h2s=2\n 900 tick";
    let (events, record) = live(&plan, script);
    let replayed = replay(&plan, &record, moment(900.0, 0));
    assert_eq!(transitions(&replayed), transitions(&events));
    assert!(transitions(&events).len() >= 6, "{events:?}");
}

#[test]
fn other_settings_on_the_same_record_give_other_alarms() {
    let (_, record) = live(&plan(|_, _| {}), "100 h2s=5\n 105 h2s=1\n 200 tick");
    let prompt = plan(|_, high| high.on_delay = Duration::from_secs(3));
    let raised = |events: &[Event]| events.iter().filter(|e| e.kind == EventKind::AlarmRaised).count();
    assert_eq!(raised(&replay(&plan(|_, _| {}), &record, moment(200.0, 0))), 0);
    assert_eq!(raised(&replay(&prompt, &record, moment(200.0, 0))), 1);
}
