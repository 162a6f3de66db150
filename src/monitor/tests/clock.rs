//! What is known of the wall clock, told and journaled.

use super::*;
use crate::monitor::{ClockStatus, EventKind};

fn at(mono_s: u64, wall: &str) -> Moment {
    Moment { mono: Mono::from_millis(mono_s * 1000), wall: wall.parse().unwrap() }
}

fn kinds(output: &Output) -> Vec<EventKind> {
    output.events.iter().map(|event| event.kind).collect()
}

fn begun(wall: &str) -> (Plan, State) {
    let plan = plan(|_, _| {});
    let state = State::new(&plan, at(0, wall));
    (plan, state)
}

#[test]
fn a_clock_that_comes_to_be_kept_right_and_is_lost_again_is_told_once_each() {
    let (plan, mut state) = begun("2026-03-02T15:00:00Z");
    let mut told = Vec::new();
    for said in [None, Some(false), Some(false), Some(true), Some(true), None, Some(true), Some(false)] {
        let output = step(&plan, &mut state, Input::Synchronized(said), at(1, "2026-03-02T15:00:01Z"));
        assert_eq!(snapshot(&plan, &state).clock.synchronized, said);
        told.push(kinds(&output));
    }
    let lost = vec![EventKind::ClockUnsynchronized];
    let kept = vec![EventKind::ClockSynchronized];
    let none = Vec::new;
    assert_eq!(told, [none(), lost.clone(), none(), kept, none(), none(), none(), lost]);
}

#[test]
fn a_clock_that_begins_before_the_record_ends_is_told_until_it_has_come_past() {
    let (plan, mut state) = begun("2000-01-01T00:00:00Z");
    let until: Wall = "2026-03-02T15:00:00Z".parse().unwrap();
    let event = state.begin_after(Some(until), "willow-bend").unwrap();
    assert_eq!((event.kind, event.subject.as_str()), (EventKind::ClockBehind, "willow-bend"));
    assert_eq!(event.detail["recorded_until"], Detail::Text("2026-03-02T15:00:00.000Z".to_owned()));
    assert_eq!(snapshot(&plan, &state).clock.recorded_until, Some(until));

    // The time service sets it: that is a step of its own, and the alarms do not notice.
    let output = step(&plan, &mut state, Input::Tick, at(60, "2026-03-03T08:00:00Z"));
    assert_eq!(kinds(&output), [EventKind::ClockStepped]);
    let ClockStatus { stepped, .. } = snapshot(&plan, &state).clock;
    let (when, step) = stepped.unwrap();
    assert_eq!(when, "2026-03-03T08:00:00Z".parse().unwrap());
    assert!(step.seconds() > 8e8, "{step:?}");
}

#[test]
fn a_clock_that_is_right_or_a_record_that_is_empty_says_nothing() {
    let (_, mut state) = begun("2026-03-02T15:00:00.200Z");
    for recorded in [None, Some("2026-03-02T14:00:00Z"), Some("2026-03-02T15:00:00.600Z")] {
        let recorded = recorded.map(|time| time.parse().unwrap());
        assert_eq!(state.begin_after(recorded, "site"), None, "{recorded:?}");
    }
}
