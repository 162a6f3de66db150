//! What operators do about alarms, as a user types it: acknowledge what was seen, shelve, take out of
//! service, and find again who withheld an alarm and why, after a restart too.

use crate::commands::{Place, Ran, until};

/// Its measurement is lost from the start, since nobody listens at the line's port.
const LOST: &str = "h2s-1.concentration.lost";

/// What `siskin alarms --json` tells of the alarm.
fn alarm(place: &Place) -> serde_json::Value {
    let alarms: serde_json::Value = serde_json::from_str(&place.run(&["alarms", "--json"]).out).unwrap();
    alarms["alarms"].as_array().unwrap().iter().find(|alarm| alarm["id"] == LOST).unwrap().clone()
}

fn wait_for_the_call(place: &Place) {
    until("the measurement is lost", || (alarm(place)["state"] == "unacknowledged").then_some(()));
}

fn seq(place: &Place) -> u64 {
    let status: serde_json::Value = serde_json::from_str(&place.run(&["status", "--json"]).out).unwrap();
    status["seq"].as_u64().unwrap()
}

#[track_caller]
fn expect(ran: &Ran, code: i32, words: &str) {
    assert_eq!(ran.code, Some(code), "{ran:?}");
    assert!(ran.out.contains(words), "{words:?} is not in {ran:?}");
}

#[test]
fn an_alarm_that_calls_after_the_operator_looked_is_not_acknowledged() {
    let place = Place::new();
    let daemon = place.start();
    wait_for_the_call(&place);
    let shown = place.run(&["status"]).out;
    let seen = seq(&place);
    assert!(shown.contains(&format!("siskin ack --all --seen {seen}")), "{shown}");

    let before_it = (seen - 1).to_string();
    expect(&place.run(&["ack", "--all", "--seen", &before_it]), 1, "it has called since you looked");
    assert_eq!(alarm(&place)["state"], "unacknowledged");
    expect(&place.run(&["ack", "--all", "--seen", &seen.to_string()]), 0, "active, acknowledged");
    expect(&place.run(&["ack", "--all"]), 0, "No alarm waits for an acknowledgement.");
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_withheld_alarm_is_told_with_who_and_why_and_calls_again_afterwards() {
    let place = Place::new();
    let daemon = place.start();
    wait_for_the_call(&place);

    expect(&place.run(&["shelve", LOST, "--for", "13h"]), 1, "longer than 12 h");
    let shelve = ["shelve", LOST, "--for", "2h", "--name", "night shift", "--remark", "line is being moved"];
    expect(&place.run(&shelve), 0, "shelved for 2 h");
    expect(&place.run(&["ack", LOST]), 1, "it is shelved and calls nobody");
    let shown = place.run(&["alarms"]).out;
    for words in ["No alarm needs anybody", "shelved until ", "by night shift (", "line is being moved"] {
        assert!(shown.contains(words), "{words:?} is not in\n{shown}");
    }
    assert!(place.run(&["status"]).out.contains("0 not acknowledged, 1 withheld"));

    let removed = ["out-of-service", LOST, "--remark", "analyzer is in the workshop"];
    expect(&place.run(&removed), 0, "out of service until it is put back");
    expect(&place.run(&removed), 1, "it is out of service already");
    assert_eq!(daemon.stop(), Some(0));

    let daemon = place.start();
    let kept = alarm(&place);
    assert_eq!(kept["state"], "out_of_service", "{kept}");
    assert_eq!(kept["withheld_by"]["remark"], "analyzer is in the workshop", "{kept}");
    expect(&place.run(&["in-service", "--all"]), 0, "back in service");
    let kept = alarm(&place);
    assert_eq!((&kept["state"], &kept["withheld_by"]["name"]), (&"shelved".into(), &"night shift".into()));
    expect(&place.run(&["unshelve", "--all"]), 0, "no longer shelved, active, not acknowledged");
    expect(&place.run(&["unshelve", LOST]), 1, "it is not shelved");
    expect(&place.run(&["in-service", LOST]), 1, "it is in service already");
    expect(&place.run(&["shelve", "--group", "upset", "--once"]), 1, "no alarm is in such a group");
    assert_eq!(alarm(&place)["state"], "unacknowledged");
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn how_the_alarms_perform_is_told_by_the_daemon_and_from_the_file_alike() {
    let place = Place::new();
    let daemon = place.start();
    wait_for_the_call(&place);
    let asked = ["alarms", "--performance", "--from", "1h", "--json"];
    let calls = |ran: &Ran| {
        let told: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
        assert_eq!(told["most_frequent"][0]["alarm"], LOST, "{told}");
        told["calls"].as_u64().unwrap()
    };
    let running = place.run(&asked);
    assert_eq!((running.code, calls(&running)), (Some(0), 1), "{running:?}");
    expect(&place.run(&["alarms", "--performance"]), 0, LOST);
    let backwards = place.run(&["alarms", "--performance", "--from", "1h", "--to", "2h"]);
    assert_eq!(backwards.code, Some(2), "{backwards:?}");
    assert_eq!(place.run(&["alarms", "--from", "1h"]).code, Some(2), "a time without --performance");
    assert_eq!(daemon.stop(), Some(0));
    let stopped = place.run(&asked);
    assert_eq!((stopped.code, calls(&stopped)), (Some(0), 1), "{stopped:?}");
}

#[test]
fn times_are_told_in_the_zone_of_the_site() {
    let place = Place::new();
    let daemon = place.start();
    let zoned = |told: &str| told.contains(" CST") || told.contains(" CDT");
    for command in [&["status"][..], &["journal"]] {
        let told = place.run(command).out;
        assert!(zoned(&told), "{command:?}: {told}");
    }
    assert_eq!(daemon.stop(), Some(0));
    let told = place.run(&["journal"]).out;
    assert!(zoned(&told), "from the file: {told}");
}
