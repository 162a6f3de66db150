//! What the daemon makes of the record that it finds at its start.

use std::os::unix::fs::FileExt;

use rusqlite::Connection;
use serde_json::Value;

use crate::bench::{CLEAN, SOUR, set, site, wait_for_alarm};
use crate::home::{Home, by_id};
use crate::scripted_slave::{Framing, Slave};

#[test]
fn a_damaged_journal_is_moved_aside_and_alarmed_and_nothing_is_deleted() {
    let (slave, home) = site_with_a_past();
    let journal = home.data().join("journal.db");
    let file = std::fs::File::options().write(true).open(&journal).unwrap();
    file.write_all_at(&[0xA5; 1024], 0).unwrap();
    let damaged = std::fs::read(&journal).unwrap();

    let daemon = home.start();
    let replaced = daemon.wait_for("the record's alarm", |status| {
        let alarm = by_id(&status["alarms"], "record.replaced").clone();
        (alarm["active"] == true).then_some(alarm)
    });
    assert_eq!(replaced["state"], "unacknowledged");
    let of_it = |entry: &&Value| entry["kind"] == "database_replaced";
    let told = daemon.wait_for_journal("an event of it", |journal| journal.iter().any(|entry| of_it(&entry)));
    let event = told.iter().find(of_it).unwrap();
    let moved_to = home.data().join(event["detail"]["moved_to"].as_str().unwrap());
    assert_eq!(std::fs::read(&moved_to).unwrap(), damaged, "{}", moved_to.display());
    // The plant is watched all the same.
    set(&slave, SOUR);
    wait_for_alarm(&daemon, &["unacknowledged"]);
}

#[test]
fn an_alarm_is_not_forgotten_because_the_journal_was_damaged() {
    let (slave, home) = site_with_a_past();
    drop(slave);
    // The last entry no longer hashes to what is written beside it, as after a bad sector or a hand.
    let file = Connection::open(home.data().join("journal.db")).unwrap();
    file.execute_batch(
        "DROP TRIGGER event_never_changed;
         UPDATE event SET text = replace(text, 'stopped', 'stooped') WHERE seq = (SELECT max(seq) FROM event);",
    )
    .unwrap();
    file.close().unwrap();

    let daemon = home.start();
    let forgotten = daemon.wait_for("the alarms", |status| {
        let state = by_id(&status["alarms"], "h2s-high")["state"].as_str()?.to_owned();
        Some(state)
    });
    assert_eq!(forgotten, "returned_unacknowledged");
    let carried_over = |entry: &Value| entry["detail"]["carried_over"] == true;
    let journal = daemon.wait_for_journal("it told anew", |journal| journal.iter().any(carried_over));
    assert_eq!(journal[0]["kind"], "database_replaced");
    // The new journal can tell it by itself at the next start.
    assert!(daemon.stop().success());
    let daemon = home.start();
    assert_eq!(wait_for_alarm(&daemon, &["returned_unacknowledged"]), "returned_unacknowledged");
    assert_eq!(home.run(&["verify"]).status.code(), Some(0));
}

#[test]
fn a_journal_that_has_vanished_beside_its_history_is_told_and_alarmed() {
    for empty_it in [true, false] {
        let (_slave, home) = site_with_a_past();
        let journal = home.data().join("journal.db");
        std::fs::remove_file(&journal).unwrap();
        if empty_it {
            std::fs::write(&journal, "").unwrap();
        }
        let daemon = home.start();
        daemon.wait_for("the record's alarm", |status| {
            (by_id(&status["alarms"], "record.replaced")["active"] == true).then_some(())
        });
        // It is shown at once, and in the journal when the disk has it.
        let journal = daemon.wait_for_journal("its first entry", |journal| !journal.is_empty());
        assert_eq!(journal[0]["kind"], "database_replaced");
    }
}

#[test]
fn a_record_of_a_newer_siskin_is_refused_and_left_alone() {
    for name in ["journal.db", "history.db"] {
        let (_slave, home) = site_with_a_past();
        let path = home.data().join(name);
        let file = Connection::open(&path).unwrap();
        file.pragma_update(None, "user_version", 999).unwrap();
        file.close().unwrap();
        let before = std::fs::read(&path).unwrap();

        let refused = home.run(&["run"]);
        let told = String::from_utf8_lossy(&refused.stderr);
        assert_eq!(refused.status.code(), Some(3), "{name}: {told}");
        assert!(told.contains(name) && told.contains("newer"), "{name}: {told}");
        assert_eq!(std::fs::read(&path).unwrap(), before, "{name} was touched");
    }
}

#[test]
fn a_tampered_journal_does_not_verify() {
    let (_slave, home) = site_with_a_past();
    let whole = home.run(&["verify"]);
    assert_eq!(whole.status.code(), Some(0), "{whole:?}");
    let file = Connection::open(home.data().join("journal.db")).unwrap();
    file.execute_batch("DROP TRIGGER event_never_changed; DROP TRIGGER event_never_deleted;").unwrap();
    let changed = file
        .execute(
            "UPDATE event SET text = replace(text, 'h2s-high', 'h2s-hihg') WHERE kind = 'alarm_raised'",
            [],
        )
        .unwrap();
    assert!(changed > 0, "there was nothing to tamper with");
    file.close().unwrap();
    let broken = home.run(&["verify"]);
    assert_eq!(broken.status.code(), Some(1), "{broken:?}");
}

/// A site whose daemon has run before: it raised an alarm and ended in good order.
fn site_with_a_past() -> (Slave, Home) {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, SOUR);
    let home = Home::new(&site(&slave));
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    set(&slave, CLEAN);
    wait_for_alarm(&daemon, &["returned_unacknowledged"]);
    assert!(daemon.stop().success(), "{}", home.told());
    (slave, home)
}
