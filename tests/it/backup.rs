//! The record moves to another machine: copied while the daemon writes, proven, taken over, and its
//! chain goes on.

use std::fs;
use std::os::unix::fs::{PermissionsExt, chown};
use std::path::Path;
use std::process::Output;

use serde_json::Value;

use crate::bench::{SOUR, set, site, wait_for_alarm};
use crate::home::Home;
use crate::scripted_slave::{Framing, Slave};

/// The JSON that a command printed, which ended well.
#[track_caller]
fn json(ended: &Output) -> Value {
    assert!(ended.status.success(), "{ended:?}");
    serde_json::from_slice(&ended.stdout).unwrap()
}

/// How a command ended that did not do what was asked, and what it said.
#[track_caller]
fn refused(ended: &Output, code: i32) -> String {
    assert_eq!(ended.status.code(), Some(code), "{ended:?}");
    String::from_utf8([ended.stdout.clone(), ended.stderr.clone()].concat()).unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A home whose daemon has recorded an alarm, and has ended.
fn recorded(slave: &Slave) -> Home {
    set(slave, SOUR);
    let home = Home::new(&site(slave));
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    assert!(daemon.stop().success());
    home
}

#[test]
fn a_record_copied_while_the_daemon_runs_is_taken_over_elsewhere_and_its_chain_goes_on() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, SOUR);
    let old = Home::new(&site(&slave));
    fs::write(old.site_file().with_file_name("scada-map.lock"), "kept\n").unwrap();
    let daemon = old.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    let acknowledged = old.run(&["ack", "h2s-high"]);
    assert!(acknowledged.status.success(), "{acknowledged:?}");
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("monday");
    let copied = json(&old.run(&["backup", text(&copy), "--json"]));
    let head = copied["head"]["hash"].as_str().unwrap();
    assert!(refused(&old.run(&["backup", text(&copy)]), 2).contains("nothing is ever written over"));
    assert!(refused(&old.run(&["restore", text(&copy)]), 3).contains("another siskin is recording here"));
    drop(daemon);

    let new = Home::new(&site(&slave));
    let restored = json(&new.run(&[
        "restore",
        text(&copy),
        "--name",
        "Olga",
        "--remark",
        "the old box burnt",
        "--json",
    ]));
    assert_eq!(restored["entries"].as_u64().unwrap(), copied["entries"].as_u64().unwrap() + 1);
    assert_eq!(restored["settings"]["scada-map.lock"], "missing", "{restored}");
    assert_eq!(restored["settings"]["site.toml"], "different", "another port: {restored}");
    let verified = new.run(&["verify", "--head", head]);
    assert!(verified.status.success(), "{verified:?}");
    assert!(!new.data().join("restoring").exists());

    let daemon = new.start();
    let journal = daemon.wait_for_journal("the new start", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "started").count() == 2
    });
    let event = journal.iter().find(|entry| entry["kind"] == "taken_over").unwrap();
    let detail = &event["detail"];
    assert_eq!((&detail["head"], &detail["remark"]), (&head.into(), &"the old box burnt".into()));
    assert_eq!(detail["from"], text(&copy), "{event}");
    assert_eq!((&event["subject"], &event["name"]), (&"bench".into(), &"Olga".into()), "{event}");
    assert!(event["user"].is_string(), "{event}");
    wait_for_alarm(&daemon, &["acknowledged"]);
}

#[test]
fn a_copy_holds_nothing_that_others_may_read_and_says_what_is_in_it() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = recorded(&slave);
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("copy");
    let told = home.run(&["backup", text(&copy)]);
    assert!(told.status.success(), "{told:?}");
    let told = String::from_utf8(told.stdout).unwrap();
    assert!(told.contains("the copy is whole") && told.contains("Settings in it: site.toml"), "{told}");
    let manifest: Value = serde_json::from_slice(&fs::read(copy.join("backup.json")).unwrap()).unwrap();
    for (name, content) in manifest["files"].as_object().unwrap() {
        let metadata = fs::metadata(copy.join(name)).unwrap();
        assert_eq!(metadata.permissions().mode() & 0o77, 0, "{name}");
        assert_eq!(content["bytes"], metadata.len(), "{name}");
    }
    assert_eq!(fs::read(copy.join("settings/site.toml")).unwrap(), fs::read(home.site_file()).unwrap());
}

#[test]
fn a_copy_that_is_damaged_unfinished_or_altered_is_not_taken_over() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = recorded(&slave);
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("copy");
    json(&home.run(&["backup", text(&copy), "--json"]));
    let new = Home::new(&site(&slave));
    let try_it = |code| {
        let said = refused(&new.run(&["restore", text(&copy)]), code);
        assert!(!new.data().join("journal.db").exists() && !new.data().join("restoring").exists(), "{said}");
        said
    };

    // A bit that has rotted where neither SQLite nor the chain looks.
    let history = copy.join("history.db");
    let sound = fs::read(&history).unwrap();
    let mut rotten = sound.clone();
    *rotten.last_mut().unwrap() ^= 1;
    fs::write(&history, &rotten).unwrap();
    let said = try_it(1);
    assert!(said.contains("history.db: damaged: its SHA-256 should be"), "{said}");
    fs::write(&history, &sound[..sound.len() / 2]).unwrap();
    assert!(try_it(1).contains("history.db: damaged"));
    fs::remove_file(&history).unwrap();
    assert!(try_it(3).contains("history.db"));
    fs::write(&history, &sound).unwrap();

    // Somebody who alters an entry, and the manifest with it.
    let journal = copy.join("journal.db");
    let db = rusqlite::Connection::open(&journal).unwrap();
    db.execute_batch(
        "DROP TRIGGER event_never_changed; UPDATE event SET text = replace(text, 'bench', 'bank') WHERE seq = 1",
    )
    .unwrap();
    drop(db);
    let manifest = copy.join("backup.json");
    let said = try_it(1);
    assert!(said.contains("journal.db: damaged"), "{said}");
    let now = siskin::history::content(&journal).unwrap();
    let mut covered_up: Value = serde_json::from_slice(&fs::read(&manifest).unwrap()).unwrap();
    covered_up["files"]["journal.db"] = serde_json::json!({ "bytes": now.bytes, "sha256": now.sha256 });
    fs::write(&manifest, covered_up.to_string()).unwrap();
    let said = try_it(1);
    assert!(said.contains("entry 1: its hash should be"), "{said}");

    // A copy that was cut short never got its manifest.
    fs::remove_file(&manifest).unwrap();
    let said = try_it(3);
    assert!(said.contains("without this file a copy is not finished"), "{said}");
}

#[test]
fn a_record_is_never_restored_over_another_nor_for_another_user() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = recorded(&slave);
    let copies = tempfile::tempdir().unwrap();
    let copy = copies.path().join("copy");
    json(&home.run(&["backup", text(&copy), "--json"]));
    let before = json(&home.run(&["verify", "--json"]));
    let said = refused(&home.run(&["restore", text(&copy)]), 2);
    assert!(said.contains("history.db: something is here already"), "{said}");
    assert_eq!(json(&home.run(&["verify", "--json"])), before);

    let new = Home::new(&site(&slave));
    assert!(refused(&new.run(&["restore", text(&copy), "--remark", " "]), 2).contains("`remark` is empty"));
    // Only root can give a directory away; for anybody else the system refuses by itself.
    fs::create_dir(new.data()).unwrap();
    if chown(new.data(), Some(65_534), None).is_ok() {
        let said = refused(&new.run(&["restore", text(&copy)]), 2);
        assert!(said.contains("belongs to the user with the number 65534"), "{said}");
    }
}
