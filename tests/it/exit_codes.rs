//! What each command tells the shell: 0 done; 1 it ran and the answer is no; 2 bad input; 3 cannot
//! reach or open something.

use crate::bench::{CLEAN, SOUR, set, site, wait_for_alarm};
use crate::home::Home;
use crate::loop_checked;
use crate::scripted_slave::{Framing, Slave};

/// Asserts how these commands end, and that nothing but success ends without a word.
#[track_caller]
fn ends(home: &Home, cases: &[(&[&str], i32)]) {
    for (arguments, code) in cases {
        let ended = home.run(arguments);
        let told = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(*code), "siskin {}: {told}", arguments.join(" "));
        let said_something = !ended.stdout.is_empty() || !ended.stderr.is_empty();
        assert!(said_something, "siskin {} ended with {code} and no word", arguments.join(" "));
        assert!(!told.contains("panicked"), "{told}");
    }
}

#[test]
fn with_a_running_daemon() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, SOUR);
    let home = Home::new(&site(&slave));
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    ends(
        &home,
        &[
            (&["status"], 0),
            (&["status", "--json"], 0),
            (&["status", "--url", &format!("http://{}", home.http())], 0),
            (&["status", "--json", "--url", &format!("http://{}/", home.http())], 0),
            (&["status", "--url", &format!("http://{}/no/such/page", home.http())], 2),
            (&["status", "--url", &home.http().to_string()], 2),
            (&["alarms"], 0),
            (&["journal"], 0),
            (&["ack", "no-such-alarm"], 1),
            (&["reset", "h2s-high"], 1),
            (&["ack", "h2s-high"], 0),
            (&["ack", "h2s-high"], 1),
            (&["verify"], 0),
            (&["run"], 3),
        ],
    );
    set(&slave, CLEAN);
    wait_for_alarm(&daemon, &["normal"]);
}

#[test]
fn without_a_daemon() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = Home::new(&site(&slave));
    let site_file = home.site_file();
    let site_file = site_file.to_str().unwrap();
    ends(
        &home,
        &[
            (&["--help"], 0),
            (&["--version"], 0),
            (&["check", site_file], 0),
            (&["no-such-command"], 2),
            (&["status", "--no-such-flag"], 2),
            (&["check", "/no/such/site.toml"], 3),
            (&["status"], 3),
            (&["status", "--url", &format!("http://{}", home.http())], 3),
            (&["alarms"], 3),
            (&["ack", "h2s-high"], 3),
            (&["verify"], 3),
            (&["verify", "--file", "/no/such/journal.db"], 3),
            (&["history", "salvage", "/no/such/file", "/tmp"], 3),
            (&["history", "salvage", site_file, "/tmp"], 1),
            (&["history", "salvage"], 2),
            (&["evidence", "h2s-high"], 3),
        ],
    );
    home.rewrite("[[line]]\nid = \"bench\"\nserail = \"/dev/ttyUSB0\"\n");
    ends(&home, &[(&["check", site_file], 2), (&["run"], 2)]);
    let told = home.run(&["check", site_file]);
    let told = String::from_utf8_lossy(&[told.stdout, told.stderr].concat()).into_owned();
    assert!(told.contains("serail") && told.contains("serial"), "{told}");
}

/// Every command of a technician, with each of its exit codes.
#[test]
fn at_the_analyzer_with_a_running_daemon_and_without_one() {
    let bus = loop_checked::bus(10_400);
    let (home, daemon) = loop_checked::running(&bus);
    let scan = ["scan", "east", "--baud", "19200", "--format", "8N1", "--timeout", "60ms", "--unit"];
    let read = ["read", "h2s-1", "input:0", "--count", "2", "--expect"];
    let check = ["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--readings", "1"];
    let step = ["commission", "h2s-1", "--step", "mount", "--answer"];
    let begin = ["calibration", "begin", "h2s-1", "--for", "1m"];
    let record = [
        "calibration",
        "record",
        "h2s-1",
        "gas",
        "--point",
        "span",
        "--stage",
        "as-left",
        "--standard",
        "8",
        "--standard-id",
        "CYL-0417",
        "--expires",
        "2020-12-31",
    ];
    let change = ["sensor", "change", "h2s-1", "--serial", "S-4711"];
    let with = |command: &[&'static str], more: &[&'static str]| [command, more].concat();
    let cases = [
        (with(&scan, &["1-3"]), 0),
        (with(&scan, &["9"]), 1),
        (with(&scan, &["0"]), 2),
        (vec!["scan", "nowhere"], 2),
        (vec!["scan", "/dev/no-such-port"], 3),
        (with(&read, &["8.0"]), 0),
        (with(&read, &["7.5"]), 1),
        (vec!["read", "h2s-1"], 2),
        (vec!["read", "/dev/no-such-port:1", "input:0"], 3),
        (vec!["line", "nowhere"], 2),
        (with(&check, &[]), 0),
        (with(&check, &["--display", "8000"]), 1),
        (vec!["loop-check", "h2s-1.gas", "--loop", "ai-1.nothing"], 2),
        (with(&step, &["done"]), 0),
        (with(&step, &["na"]), 1),
        (with(&step, &["perhaps"]), 2),
        (with(&step, &["done", "--checklist", "/nonexistent"]), 3),
        (with(&begin, &[]), 0),
        (with(&begin, &[]), 1),
        (vec!["calibration", "begin", "h2s-1"], 2),
        (with(&record, &[]), 1),
        (with(&record, &["--point", "middle"]), 2),
        (vec!["calibration", "show"], 0),
        (vec!["calibration", "show", "nobody"], 1),
        (vec!["calibration", "end", "h2s-1"], 0),
        (vec!["calibration", "end", "h2s-1"], 1),
        (with(&change, &[]), 1),
        (vec!["sensor", "change", "h2s-1"], 2),
        (vec!["sensor", "show"], 1),
        (vec!["note", "inlet filter changed"], 0),
        (vec!["note", "inlet filter changed", "--device", "nobody"], 1),
        (vec!["note", " "], 2),
    ];
    let cases: Vec<(&[&str], i32)> = cases.iter().map(|(command, code)| (&command[..], *code)).collect();
    ends(&home, &cases);
    assert!(daemon.stop().success());
    ends(
        &home,
        &[
            (&check, 3),
            (&[&step[..], &["done"]].concat(), 3),
            (&begin, 3),
            (&record, 3),
            (&["calibration", "show"], 3),
            (&["calibration", "end", "h2s-1"], 3),
            (&change, 3),
            (&["sensor", "show"], 3),
            (&["note", "nobody listens"], 3),
        ],
    );
}
