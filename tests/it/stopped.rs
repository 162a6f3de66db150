//! Asked to end while everything is busy: it ends clean, and what it said is on disk.

use std::io::Write;
use std::net::TcpStream;

use serde_json::Value;

use crate::bench::{SOUR, set, site, wait_for_alarm};
use crate::home::Home;
use crate::scripted_slave::{Fault, Framing, Slave};

#[test]
fn asked_to_end_under_load_it_ends_clean_and_keeps_what_it_said() {
    // Every other answer is missing, so that the line is in the middle of waiting for one.
    let slave = Slave::on_tcp(Framing::Rtu, vec![(Fault::Silence, 500)], 1);
    set(&slave, SOUR);
    let home = Home::new(&site(&slave));
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    let acknowledged = home.run(&["ack", "h2s-high", "--remark", "just before the end"]);
    assert_eq!(acknowledged.status.code(), Some(0), "{acknowledged:?}");
    let half_asked = half_asked_requests(&home);

    let ended = daemon.stop();
    assert_eq!(ended.code(), Some(0), "{}", home.told());
    drop(half_asked);
    let verified = home.run(&["verify"]);
    assert_eq!(verified.status.code(), Some(0), "{verified:?}");

    let daemon = home.start();
    let position = |journal: &[Value], kind: &str| journal.iter().rposition(|entry| entry["kind"] == kind);
    let journal = daemon.wait_for_journal("the end and the new beginning", |journal| {
        let stopped = position(journal, "stopped");
        stopped.is_some() && position(journal, "started") > stopped
    });
    assert!(journal.iter().any(|entry| entry["detail"]["remark"] == "just before the end"), "{journal:#?}");
    wait_for_alarm(&daemon, &["acknowledged"]);
}

/// Browsers that have begun to ask and never finish.
fn half_asked_requests(home: &Home) -> Vec<TcpStream> {
    let begin = |_| {
        let mut stream = TcpStream::connect(home.http()).unwrap();
        stream.write_all(b"GET /api/v1/status HTTP/1.1\r\nHost: be").unwrap();
        stream
    };
    (0..20).map(begin).collect()
}
