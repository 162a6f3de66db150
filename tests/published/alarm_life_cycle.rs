//! The life cycle of an alarm.
//!
//! Sources: OPC UA Part 9 (OPC 10000-9) v1.05, Annex B.1.2 Table B.1 (a trace of one alarm) and
//! sections 5.8.2 and 5.8.5 (reset). The table of states is that of IEC 62682 / ANSI-ISA-18.2
//! **from memory**: those standards are not openly available. Dropping the optional Confirm and
//! adding Latched, table and trace agree.

use siskin::alarm::{Life, LifeEvent};

use Life::{
    Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, ReturnedUnacknowledged, Unacknowledged,
};
use LifeEvent::{Acknowledge, Clear, Raise, Realarm, Reset};

/// Table B.1 with `Retain` as printed. The rows "confirmed" (4 and 8) only exist with the optional
/// Confirm step, which siskin leaves out, as the standard allows: an alarm that is inactive and
/// acknowledged has nothing more to tell, so rows 3 and 7 have `Retain` false here.
/// Columns: event, then `ActiveState`, `AckedState`, `Retain`.
const TABLE_B_1: [(Option<LifeEvent>, bool, bool, bool); 7] = [
    /* 0 */ (None, false, true, false),
    /* 1 goes active */ (Some(Raise), true, false, true),
    /* 2 acknowledged */ (Some(Acknowledge), true, true, true),
    /* 3+4 goes inactive */ (Some(Clear), false, true, false),
    /* 5 goes active */ (Some(Raise), true, false, true),
    /* 6 inactive before acknowledge */ (Some(Clear), false, false, true),
    /* 7+8 acknowledged */ (Some(Acknowledge), false, true, false),
];

#[test]
fn the_trace_of_opc_ua_part_9_is_lived_through_row_by_row() {
    let mut life = Life::default();
    for (row, (event, active, acknowledged, retain)) in TABLE_B_1.into_iter().enumerate() {
        if let Some(event) = event {
            life = life.after(event, false).unwrap_or_else(|| panic!("row {row}: {event:?} refused"));
        }
        assert_eq!(life.is_active(), active, "row {row}: ActiveState");
        assert_eq!(!life.is_unacknowledged(), acknowledged, "row {row}: AckedState");
        assert_eq!(life != Normal, retain, "row {row}: Retain");
    }
}

/// The states after raise, clear, acknowledge, reset and re-alarm.
type AfterEach = [Option<Life>; 5];

/// Every state with every event, latching and not. `None`: the event means nothing there, and
/// nothing changes. From memory, see above.
///
/// Columns: state, what follows when the alarm does not latch, what follows when it does.
#[rustfmt::skip]
const EVERY_CASE: [(Life, AfterEach, AfterEach); 6] = [
    (Normal,
        [Some(Unacknowledged), None, None, None, None],
        [Some(Unacknowledged), None, None, None, None]),
    (Unacknowledged,
        [None, Some(ReturnedUnacknowledged), Some(Acknowledged), None, None],
        [None, Some(LatchedUnacknowledged), Some(Acknowledged), None, None]),
    (Acknowledged,
        [None, Some(Normal), None, None, Some(Unacknowledged)],
        [None, Some(LatchedAcknowledged), None, None, Some(Unacknowledged)]),
    (ReturnedUnacknowledged,
        [Some(Unacknowledged), None, Some(Normal), None, None],
        [Some(Unacknowledged), None, Some(Normal), None, None]),
    (LatchedUnacknowledged,
        [Some(Unacknowledged), None, Some(LatchedAcknowledged), None, None],
        [Some(Unacknowledged), None, Some(LatchedAcknowledged), None, None]),
    (LatchedAcknowledged,
        [Some(Unacknowledged), None, None, Some(Normal), None],
        [Some(Unacknowledged), None, None, Some(Normal), None]),
];

#[test]
fn every_state_answers_every_event_as_the_hand_written_table_says() {
    assert_eq!(EVERY_CASE.map(|(life, _, _)| life), Life::ALL, "a state is missing from the table");
    for (life, plain, latching) in EVERY_CASE {
        for (at, event) in LifeEvent::ALL.into_iter().enumerate() {
            assert_eq!(life.after(event, false), plain[at], "{life:?} {event:?}, not latching");
            assert_eq!(life.after(event, true), latching[at], "{life:?} {event:?}, latching");
        }
    }
}

/// Part 9 section 5.8.5: a reset is refused unless the alarm is latched, inactive and acknowledged;
/// section 5.8.2: a reset while active is ignored. Either way it clears nothing.
#[test]
fn a_reset_clears_only_what_is_latched_inactive_and_acknowledged() {
    for life in Life::ALL {
        let cleared = life.after(Reset, true) == Some(Normal);
        let may = life.is_latched() && !life.is_active() && !life.is_unacknowledged();
        assert_eq!(cleared, may, "{life:?}");
    }
}

/// Whatever happens in whatever order: an alarm leaves the operator's sight (returns to normal) only
/// after somebody acknowledged its last call, and a latching one only after a reset.
#[test]
fn no_course_of_seven_events_hides_an_alarm_that_nobody_saw() {
    let events = LifeEvent::ALL;
    for course in 0..events.len().pow(7) {
        for latching in [false, true] {
            let (mut life, mut seen, mut reset) = (Normal, true, true);
            for step in 0..7 {
                let event = events[course / events.len().pow(step) % events.len()];
                let Some(next) = life.after(event, latching) else { continue };
                match event {
                    Raise => (seen, reset) = (false, false),
                    Acknowledge => seen = true,
                    Realarm => seen = false,
                    Reset => reset = true,
                    Clear => {}
                }
                life = next;
                let gone = life == Normal;
                assert!(!gone || seen, "course {course}: gone unseen");
                assert!(!gone || !latching || reset, "course {course}: gone without a reset");
            }
        }
    }
}
