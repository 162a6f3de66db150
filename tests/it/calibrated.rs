//! A calibration as a technician types it, against a simulated analyzer: what is recorded, what is asked
//! back, and what a restart still knows of it.

use crate::loop_checked::{bus, running};
use crate::technician::json_of;

const GAS: [&str; 8] =
    ["calibration", "record", "h2s-1", "gas", "--point", "span", "--standard-id", "CYL-0417"];

#[test]
fn as_found_and_as_left_are_recorded_and_the_drift_outlives_a_restart() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let record = |more: &[&str]| home.run(&[&GAS[..], more].concat());
    let left = ["--stage", "as-left", "--standard", "8", "--expires", "2999-12-31", "--despite"];
    assert_eq!(record(&left).status.code(), Some(1), "not in function check");
    assert_eq!(home.run(&["calibration", "begin", "h2s-1", "--for", "30m"]).status.code(), Some(0));
    let doubtful = record(&["--stage", "as-left", "--standard", "8", "--expires", "2020-12-31"]);
    let told = String::from_utf8(doubtful.stdout).unwrap();
    assert_eq!(doubtful.status.code(), Some(1));
    assert!(told.contains("has expired") && told.contains("lower half"), "{told}");
    let answered = |more: &[&str]| loop {
        let ran = record(more);
        match ran.status.code() {
            Some(0) => return String::from_utf8(ran.stdout).unwrap(),
            // Three answers must have come.
            Some(1) if String::from_utf8_lossy(&ran.stdout).contains("answers that it takes") => {}
            _ => panic!("{ran:?}"),
        }
    };
    let told = answered(&left);
    assert!(told.contains("reads 8 on 8, error +0.00 % of span, within the tolerance"), "{told}");
    assert!(daemon.stop().success());

    let daemon = home.start();
    // 8.0 read on 10.2: 11 % of the span of 20 too low.
    let told = answered(&["--stage", "as-found", "--standard", "10.2", "--expires", "2999-12-31"]);
    assert!(told.contains("error -11.00 % of span, beyond the tolerance of 2 %"), "{told}");
    assert!(told.contains("drifted -11.00 % of span"), "{told}");
    let shown = json_of(&home.run(&["calibration", "show", "h2s-1", "--json"]));
    assert_eq!(shown.as_array().map(Vec::len), Some(2), "{shown:#}");
    assert_eq!((&shown[0]["pass"], &shown[1]["pass"]), (&true.into(), &false.into()));
    let shown = home.run(&["calibration", "show"]);
    assert!(String::from_utf8_lossy(&shown.stdout).contains("gas CYL-0417"), "{shown:?}");
    assert_eq!(home.run(&["calibration", "show", "h2s1"]).status.code(), Some(1));
    assert!(daemon.stop().success());
}
