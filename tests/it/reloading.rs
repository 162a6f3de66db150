//! Another site file in force while the daemon runs, and a wrong one that is not.

use serde_json::Value;

use crate::commands::{Daemon, Place, SITE, heard, until};

/// Rewrites the site file, asks for a reload, and returns once the supervisor hears that it is done.
fn reload(place: &Place, daemon: &Daemon, supervisor: &std::os::unix::net::UnixDatagram, site: &str) {
    std::fs::write(place.file("site.toml"), site).unwrap();
    daemon.signal(rustix::process::Signal::HUP);
    let reloading = heard(supervisor).unwrap();
    assert!(reloading.starts_with("RELOADING=1\nMONOTONIC_USEC="), "{reloading}");
    assert_eq!(heard(supervisor).unwrap(), "READY=1\n");
}

fn events(place: &Place) -> Vec<Value> {
    let told = place.run(&["journal", "--last", "100", "--json"]).out;
    told.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// Waits for the last event of a kind, since the recorder takes its time.
fn event(place: &Place, kind: &str) -> Value {
    until(kind, || events(place).into_iter().rfind(|event| event["kind"] == kind))
}

fn status(place: &Place) -> Value {
    serde_json::from_str(&place.run(&["status", "--json"]).out).unwrap()
}

fn alarm(place: &Place, id: &str) -> Value {
    status(place)["alarms"].as_array().unwrap().iter().find(|alarm| alarm["id"] == id).cloned().unwrap()
}

const LOST: &str = "h2s-1.concentration.lost";

#[test]
fn a_changed_setting_applies_is_told_and_loses_no_alarm_state() {
    let place = Place::new();
    let (daemon, supervisor) = place.start_supervised(|_| ());
    until("the measurement is lost", || (alarm(&place, LOST)["state"] == "unacknowledged").then_some(()));
    assert_eq!(place.run(&["ack", LOST]).code, Some(0));
    assert_eq!(place.run(&["shelve", "h2s-high", "--for", "2h"]).code, Some(0));
    let raised = alarm(&place, LOST)["raised"].clone();

    reload(&place, &daemon, &supervisor, &SITE.replace("setpoint = 4.0", "setpoint = 5.0"));
    let high = alarm(&place, "h2s-high");
    assert_eq!((&high["setpoint"], &high["state"]), (&5.0.into(), &"shelved".into()));
    let lost = alarm(&place, LOST);
    assert_eq!((&lost["state"], &lost["raised"]), (&"acknowledged".into(), &raised));
    let changed = event(&place, "setting_changed");
    assert_eq!(changed["subject"], "alarm.h2s-high.setpoint");
    assert_eq!((&changed["detail"]["old"], &changed["detail"]["new"]), (&"4.0".into(), &"5.0".into()));
    assert_eq!(event(&place, "reloaded")["seq"].as_u64(), changed["seq"].as_u64().map(|seq| seq + 1));

    assert_eq!(daemon.stop(), Some(0));
    let daemon = place.start();
    let changes = events(&place).iter().filter(|event| event["kind"] == "setting_changed").count();
    assert_eq!(changes, 1, "what a reload has told, the next start does not tell again");
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_wrong_file_changes_nothing_and_says_why() {
    let place = Place::new();
    let (daemon, supervisor) = place.start_supervised(|_| ());
    for (site, expected) in [
        (SITE.replace("setpoint", "setpiont"), "setpiont"),
        (SITE.replace("America/Chicago", "America/Denver"), "site.time_zone cannot change while siskin runs"),
        (SITE.replace("id = \"concentration\"", "id = \"reading\""), "unknown signal"),
        (SITE.replace("concentration\"", "reading\""), "which signals there are"),
    ] {
        reload(&place, &daemon, &supervisor, &site);
        let told = until(expected, || {
            let refused = events(&place).into_iter().rfind(|event| event["kind"] == "reload_refused")?;
            Some(refused["detail"]["problems"].to_string()).filter(|problems| problems.contains(expected))
        });
        assert!(std::fs::read_to_string(place.file("log")).unwrap().contains(expected), "{told}");
        assert_eq!(alarm(&place, "h2s-high")["setpoint"], 4.0);
    }
    assert!(!events(&place).iter().any(|event| event["kind"] == "reloaded"));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn only_a_line_whose_own_settings_have_changed_is_started_anew() {
    let other = r#"
[[line]]
id = "yard"
tcp = "127.0.0.1:10"
framing = "tcp"

[[device]]
id = "h2o-1"
line = "yard"
unit_id = 1

[[device.signal]]
id = "content"
table = "input"
address = 0
type = "f32"
"#;
    let place = Place::new();
    std::fs::write(place.file("site.toml"), SITE.to_owned() + other).unwrap();
    let (daemon, supervisor) = place.start_supervised(|_| ());
    let cause = |line: usize| status(&place)["lines"][line]["cause"].as_str().map(str::to_owned);
    until("both lines are down", || cause(0).zip(cause(1)).filter(|(_, yard)| yard.contains(":10")));

    let site = SITE.to_owned() + &other.replace("127.0.0.1:10", "127.0.0.1:11");
    reload(&place, &daemon, &supervisor, &site);
    until("the line is at its new place", || cause(1).filter(|cause| cause.contains(":11")));
    let log = std::fs::read_to_string(place.file("log")).unwrap();
    assert!(log.contains("1 setting differs; started anew: line yard\n"), "{log}");
    assert_eq!(daemon.stop(), Some(0));
}
