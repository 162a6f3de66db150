//! What each command tells the shell: 0 done; 1 it ran and the answer is no; 2 bad input; 3 cannot
//! reach or open something.

use crate::bench::{CLEAN, SOUR, set, site, wait_for_alarm};
use crate::home::Home;
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
            (&["alarms"], 3),
            (&["ack", "h2s-high"], 3),
            (&["verify"], 3),
            (&["evidence", "h2s-high"], 3),
        ],
    );
    home.rewrite("[[line]]\nid = \"bench\"\nserail = \"/dev/ttyUSB0\"\n");
    ends(&home, &[(&["check", site_file], 2), (&["run"], 2)]);
    let told = home.run(&["check", site_file]);
    let told = String::from_utf8_lossy(&[told.stdout, told.stderr].concat()).into_owned();
    assert!(told.contains("serail") && told.contains("serial"), "{told}");
}
