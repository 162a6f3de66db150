//! A calibration as a technician types it, against a simulated analyzer: what is recorded, what is asked
//! back, and what a restart still knows of it.

use crate::home::{Home, by_id};
use crate::loop_checked::{bus, running};
use crate::technician::{json_of, path};

const GAS: [&str; 8] =
    ["calibration", "record", "h2s-1", "gas", "--point", "span", "--standard-id", "CYL-0417"];

/// What a record is told as, once enough answers have come for it.
fn answered(home: &Home, more: &[&str]) -> String {
    loop {
        let ran = home.run(&[&GAS[..], more].concat());
        let told = String::from_utf8_lossy(&ran.stdout).into_owned();
        match ran.status.code() {
            Some(0) => return told,
            Some(1) if told.contains("answers that it takes") => {}
            _ => panic!("{ran:?}"),
        }
    }
}

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
    let told = answered(&home, &left);
    assert!(told.contains("reads 8 on 8, error +0.00 % of span, within the tolerance"), "{told}");
    assert!(daemon.stop().success());

    let daemon = home.start();
    // 8.0 read on 10.2: 11 % of the span of 20 too low.
    let told = answered(&home, &["--stage", "as-found", "--standard", "10.2", "--expires", "2999-12-31"]);
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

#[test]
fn the_site_says_how_often_how_well_and_for_how_long() {
    let bus = bus(10_400);
    let home = Home::new(&format!(
        "[[line]]\nid = \"east\"\nserial = {:?}\nbaud = 19200\nparity = \"none\"\n\
         [[device]]\nid = \"h2s-1\"\nline = \"east\"\nunit_id = 1\npoll_every = \"100ms\"\n\
         calibration = {{ every = \"30d\", tolerance = 12, function_check_max = \"1h\" }}\n\
         [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = 0\ntype = \"f32\"\nrange = [0, 20]\n",
        path(&bus)
    ));
    let daemon = home.start();
    let due = |active: bool| {
        daemon.wait_for("the alarm", |status| {
            (by_id(&status["alarms"], "h2s-1.calibration_due")["active"] == active).then_some(())
        });
    };
    due(true);
    assert_eq!(
        home.run(&["calibration", "begin", "h2s-1", "--for", "61m"]).status.code(),
        Some(1),
        "too long"
    );
    assert_eq!(home.run(&["calibration", "begin", "h2s-1", "--for", "60m"]).status.code(), Some(0));
    let gas = ["--stage", "as-left", "--standard", "10.2", "--expires", "2999-12-31"];
    let told = answered(&home, &gas);
    assert!(told.contains("error -11.00 % of span, within the tolerance of 12 %"), "{told}");
    due(false);
    assert!(daemon.stop().success());
}
