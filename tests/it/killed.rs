//! Killed at any moment, a hundred times: what was acknowledged is recorded, the chain is whole, and
//! the alarm is what it was.

use std::collections::BTreeSet;
use std::time::Duration;

use serde_json::Value;

use crate::bench::{CLEAN, SOUR, set, site, wait_for_alarm};
use crate::home::{Daemon, Home, by_id};
use crate::scripted_slave::{Framing, Random, Slave};

const KILLS: usize = 100;

/// A kill comes at most this long after an operator has begun to acknowledge.
const KILL_WITHIN: Duration = Duration::from_millis(40);

#[test]
fn a_hundred_kills_lose_nothing_that_was_acknowledged() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, CLEAN);
    let home = Home::new(&site(&slave));
    let mut random = Random(1);
    let mut promised = BTreeSet::new();
    let mut expected = vec!["normal"];
    for round in 0..KILLS {
        let daemon = home.start();
        assert_state(&daemon, &expected, round);
        set(&slave, CLEAN);
        wait_for_alarm(&daemon, &["normal", "returned_unacknowledged"]);
        set(&slave, SOUR);
        wait_for_alarm(&daemon, &["unacknowledged"]);
        // It is shown at once, whatever the disk does: only what is recorded outlives the kill.
        daemon.wait_for_journal("the alarm to be recorded", raised_last);
        let remark = format!("round {round}");
        // Every other time the answer is waited for; the other times the kill may come first.
        let patience = (round % 2 == 1).then(|| random.duration_below(KILL_WITHIN));
        let acknowledged = acknowledge_and_kill(&home, daemon, &remark, patience);
        expected = vec!["acknowledged"];
        if acknowledged {
            promised.insert(remark);
        } else {
            expected.push("unacknowledged");
        }
    }
    assert!(promised.len() >= KILLS / 2, "too few acknowledgements: {}", promised.len());
    let daemon = home.start();
    check_journal(&daemon.journal(), &promised);
    daemon.kill();
    let verified = home.run(&["verify"]);
    assert_eq!(verified.status.code(), Some(0), "{verified:?}");
}

/// Whether the last that the journal tells of the alarm is that it was raised.
fn raised_last(journal: &[Value]) -> bool {
    let of_alarm = journal.iter().rfind(|entry| entry["subject"] == "h2s-high");
    of_alarm.is_some_and(|entry| entry["kind"] == "alarm_raised")
}

/// Acknowledges as an operator does, and kills the daemon: after the answer, or after `patience`
/// whether the answer has come or not. Says whether the operator was told that it was done.
fn acknowledge_and_kill(home: &Home, daemon: Daemon, remark: &str, patience: Option<Duration>) -> bool {
    let mut operator = home.siskin(&["ack", "h2s-high", "--remark", remark]).spawn().unwrap();
    match patience {
        None => {
            let told = operator.wait().unwrap();
            daemon.kill();
            assert!(told.success(), "{remark}: {told}");
            true
        }
        Some(patience) => {
            std::thread::sleep(patience);
            daemon.kill();
            operator.wait().unwrap().success()
        }
    }
}

/// Before the analyzer has said anything new, the alarm is what it was when the daemon died.
fn assert_state(daemon: &Daemon, expected: &[&str], round: usize) {
    let status = daemon.json("/api/v1/status");
    let state = by_id(&status["alarms"], "h2s-high")["state"].as_str().unwrap().to_owned();
    assert!(expected.contains(&state.as_str()), "round {round}: {state}, not {expected:?}");
}

fn check_journal(journal: &[Value], promised: &BTreeSet<String>) {
    let numbers: Vec<u64> = journal.iter().map(|entry| entry["seq"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=journal.len() as u64).collect::<Vec<_>>(), "numbers with a gap");
    let of_alarm: Vec<&Value> = journal.iter().filter(|entry| entry["subject"] == "h2s-high").collect();
    let remarks = of_alarm.iter().filter(|entry| entry["kind"] == "alarm_acknowledged");
    let recorded: Vec<String> =
        remarks.map(|entry| entry["detail"]["remark"].as_str().unwrap().to_owned()).collect();
    let missing: Vec<&String> = promised.iter().filter(|remark| !recorded.contains(remark)).collect();
    assert!(missing.is_empty(), "acknowledged, but not recorded: {missing:?}");
    let distinct: BTreeSet<&String> = recorded.iter().collect();
    assert_eq!(distinct.len(), recorded.len(), "recorded twice");
    let changes: Vec<&str> = of_alarm
        .iter()
        .filter_map(|entry| entry["kind"].as_str())
        .filter(|kind| matches!(*kind, "alarm_raised" | "alarm_cleared"))
        .collect();
    assert!(changes.windows(2).all(|pair| pair[0] != pair[1]), "raised or cleared twice in a row");
}
