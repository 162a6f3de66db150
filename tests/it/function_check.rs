//! A function check as a technician types it: begun before the gas, kept over a restart, ended; and what
//! the journal then says of it, who and why.

use serde_json::Value;

use crate::commands::{Place, Ran};

#[track_caller]
fn expect(ran: &Ran, code: i32, words: &str) {
    assert_eq!(ran.code, Some(code), "{ran:?}");
    assert!(ran.out.contains(words), "{words:?} is not in {ran:?}");
}

/// The reasons why the signal is no measurement.
fn reasons(place: &Place) -> Vec<Value> {
    let status: Value = serde_json::from_str(&place.run(&["status", "--json"]).out).unwrap();
    status["signals"][0]["reasons"].as_array().unwrap().clone()
}

/// Entries of this kind in the journal.
fn entries(place: &Place, kind: &str) -> Vec<Value> {
    let journal = place.run(&["journal", "--json"]).out;
    let entries = journal.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    entries.filter(|entry| entry["kind"] == kind).collect()
}

#[test]
fn it_is_on_record_when_it_is_answered_and_a_restart_in_the_middle_keeps_it() {
    let place = Place::new();
    let daemon = place.start();
    let begin =
        ["calibration", "begin", "h2s-1", "--for", "30m", "--name", "Kim Example", "--remark", "monthly"];
    expect(&place.run(&begin), 0, "h2s-1: in function check until ");
    let begun = entries(&place, "function_check_begun");
    assert_eq!(begun.len(), 1, "{begun:?}");
    assert_eq!((&begun[0]["subject"], &begun[0]["name"]), (&"h2s-1".into(), &"Kim Example".into()));
    assert!(reasons(&place).contains(&"function_check".into()), "{:?}", reasons(&place));
    expect(&place.run(&begin), 1, "Kim Example");
    assert_eq!(daemon.stop(), Some(0));

    let daemon = place.start();
    assert!(reasons(&place).contains(&"function_check".into()), "after a restart: {:?}", reasons(&place));
    expect(&place.run(&["calibration", "begin", "h2s-1", "--for", "5h", "--again"]), 1, "longer than 4 h");
    expect(&place.run(&["calibration", "begin", "h2s-1", "--for", "1h", "--again"]), 0, "until ");
    expect(&place.run(&["calibration", "end", "h2s-1"]), 0, "no longer in function check");
    assert!(!reasons(&place).contains(&"function_check".into()), "{:?}", reasons(&place));
    expect(&place.run(&["calibration", "end", "h2s-1"]), 1, "it is not in function check");
    expect(&place.run(&["calibration", "end", "h2s1"]), 1, "is h2s-1 meant?");
    assert_eq!(entries(&place, "function_check_ended").len(), 1);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_note_goes_into_the_journal_with_who_wrote_it() {
    let place = Place::new();
    let daemon = place.start();
    expect(&place.run(&["note", "inlet filter changed", "--device", "h2s-1", "--name", "Kim"]), 0, "noted");
    expect(&place.run(&["note", "road is closed"]), 0, "willow-bend: noted");
    expect(&place.run(&["note", "x", "--device", "h2s1"]), 1, "is h2s-1 meant?");
    assert_eq!(place.run(&["note", " "]).code, Some(2), "an empty note");
    let notes = entries(&place, "note");
    let told = |note: &Value| (note["subject"].clone(), note["detail"]["text"].clone());
    assert_eq!(notes.len(), 2, "{notes:?}");
    assert_eq!(told(&notes[0]), ("h2s-1".into(), "inlet filter changed".into()));
    assert_eq!(notes[0]["name"], "Kim");
    assert_eq!(told(&notes[1]), ("willow-bend".into(), "road is closed".into()));
    assert_eq!(daemon.stop(), Some(0));
    let gone = place.run(&["note", "nobody listens"]);
    assert_eq!(gone.code, Some(3), "{gone:?}");
}
