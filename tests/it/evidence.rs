//! An evidence packet, as the other side of the meter gets it: unpacked with tar, held to its manifest
//! with sha256sum, its chain and figures worked out again by a program that shares nothing with siskin.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

use crate::bench::{CLEAN, SOUR, set, site, wait_for_alarm};
use crate::home::Home;
use crate::scripted_slave::{Framing, Slave};
use crate::skip::skip;

/// One upset, and all is well again; in the site file the one word stands instead of the other.
fn upset(is: &str, would_be: &str) -> (Home, Slave) {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    let home = Home::new(&site(&slave).replace(is, would_be));
    set(&slave, CLEAN);
    let daemon = home.start();
    for tenths_of_ppmv in [SOUR, SOUR + 13] {
        set(&slave, tenths_of_ppmv);
        wait_for_alarm(&daemon, &["unacknowledged"]);
        set(&slave, CLEAN);
        wait_for_alarm(&daemon, &["returned_unacknowledged"]);
    }
    assert!(daemon.stop().success());
    (home, slave)
}

/// Makes a packet of the last upset and unpacks it: its folder, and what siskin said.
fn packet(home: &Home, options: &[&str]) -> (PathBuf, Value) {
    let archive = home.data().join("packet.tar");
    let arguments = ["evidence", "h2s-high", "--json", "--output", archive.to_str().unwrap()];
    let made = home.run(&[&arguments, options].concat());
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let told: Value = serde_json::from_slice(&made.stdout).unwrap();
    assert_eq!(told["bytes"], std::fs::metadata(&archive).unwrap().len());
    let unpacked = Command::new("tar").arg("xf").arg(&archive).arg("-C").arg(home.data()).output().unwrap();
    assert!(unpacked.status.success(), "{}", String::from_utf8_lossy(&unpacked.stderr));
    let raised = told["case"]["raised"].as_str().unwrap().split('.').next().unwrap().replace([':', '-'], "");
    (home.data().join(format!("h2s-high-{raised}Z")), told)
}

fn sha256sum(folder: &Path, arguments: &[&str]) -> Output {
    Command::new("sha256sum").args(arguments).current_dir(folder).output().unwrap()
}

/// Writes the manifest anew, as somebody would who has changed a file.
fn cover_up(folder: &Path) {
    let files = ["cover.txt", "case.json", "settings.txt", "samples.csv", "journal.jsonl", "check.py"];
    std::fs::write(folder.join("MANIFEST.sha256"), sha256sum(folder, &files).stdout).unwrap();
}

#[test]
fn a_third_party_proves_a_packet_with_general_tools_and_finds_what_was_changed() {
    let (home, _slave) = upset("", "");
    let (folder, told) = packet(&home, &[]);
    let listed = sha256sum(&folder, &["--check", "--strict", "MANIFEST.sha256"]);
    assert!(listed.status.success(), "{}", String::from_utf8_lossy(&listed.stderr));
    let fingerprint = String::from_utf8(sha256sum(&folder, &["MANIFEST.sha256"]).stdout).unwrap();
    assert!(fingerprint.starts_with(told["manifest_sha256"].as_str().unwrap()), "{fingerprint}");
    let figures = &told["case"]["figures"];
    assert_eq!((&figures["greatest"], &figures["setpoint"]), (&Value::from(7.0), &Value::from(4.0)));
    let cover = std::fs::read_to_string(folder.join("cover.txt")).unwrap();
    assert!(cover.contains("H2S above contract limit") && cover.contains("not a safety system"), "{cover}");

    let check = || Command::new("python3").arg(folder.join("check.py")).output();
    let Ok(proven) = check() else {
        return skip("proving a packet with Python", "there is no python3");
    };
    let words = String::from_utf8_lossy(&proven.stdout).into_owned();
    assert!(proven.status.success(), "{words}{}", String::from_utf8_lossy(&proven.stderr));
    let head = String::from_utf8(home.run(&["verify"]).stdout).unwrap();
    let head = head.trim_end().rsplit(' ').next().unwrap();
    assert!(words.contains(&format!("one chain, head {head}")), "{words}");

    for (file, is, would_be, found) in [
        ("samples.csv", ",7,", ",6.9,", "by the samples"),
        (
            "journal.jsonl",
            "\"alarm_raised\",\"h2s-high\"",
            "\"alarm_raised\",\"h2s-hihg\"",
            "broken at entry",
        ),
        ("settings.txt", "alarm.h2s-high.setpoint=4", "alarm.h2s-high.setpoint=8", "settings are not those"),
        ("case.json", "\"greatest\": 7.0", "\"greatest\": 7.1", "greatest is 7.1"),
    ] {
        let path = folder.join(file);
        let whole = std::fs::read_to_string(&path).unwrap();
        assert!(whole.contains(is), "{file} has no {is}:\n{whole}");
        std::fs::write(&path, whole.replace(is, would_be)).unwrap();
        let refused = check().unwrap();
        let expected = format!("NO: {file} is not what the manifest says\n");
        assert_eq!(String::from_utf8_lossy(&refused.stdout), expected);
        cover_up(&folder);
        let refused = check().unwrap();
        let words = String::from_utf8_lossy(&refused.stdout).into_owned();
        assert!(refused.status.code() == Some(1) && words.contains(found), "{file}: {words}");
        std::fs::write(&path, whole).unwrap();
        cover_up(&folder);
    }
    assert!(check().unwrap().status.success());
}

#[test]
fn a_packet_that_begins_with_the_raise_has_the_value_that_held_then() {
    // The on-delay runs out between two readings.
    let (home, _slave) = upset("on_delay = \"0s\"", "on_delay = \"350ms\"");
    let (folder, told) = packet(&home, &["--before", "0s", "--after", "0s"]);
    let samples = std::fs::read_to_string(folder.join("samples.csv")).unwrap();
    let first = samples.lines().nth(1).unwrap().split(',').next().unwrap();
    assert!(first < told["case"]["raised"].as_str().unwrap(), "{samples}");
    let Ok(proven) = Command::new("python3").arg(folder.join("check.py")).output() else {
        return skip("proving a packet with Python", "there is no python3");
    };
    assert!(proven.status.success(), "{}", String::from_utf8_lossy(&proven.stdout));
}

#[test]
fn values_that_count_and_are_uncertain_are_told_with_their_time_and_reason() {
    let (home, _slave) = upset("unit = \"ppmv\"", "unit = \"ppmv\"\nrange = [0, 5]");
    let (folder, told) = packet(&home, &[]);
    let figures = &told["case"]["figures"];
    let active = figures["uncertain_s"].as_f64().unwrap();
    assert!(active > 0.0 && figures["uncertain_because"] == serde_json::json!(["above_range"]), "{figures}");
    let cover = std::fs::read_to_string(folder.join("cover.txt")).unwrap();
    assert!(
        cover.contains(&format!("uncertain   for {active:.3} s of that: above the measuring range")),
        "{cover}"
    );
    let Ok(proven) = Command::new("python3").arg(folder.join("check.py")).output() else {
        return skip("proving a packet with Python", "there is no python3");
    };
    assert!(proven.status.success(), "{}", String::from_utf8_lossy(&proven.stdout));
    let path = folder.join("case.json");
    let case = std::fs::read_to_string(&path).unwrap();
    let other = case.replace(&format!("\"uncertain_s\": {active}"), "\"uncertain_s\": 0");
    assert_ne!(case, other);
    std::fs::write(&path, other).unwrap();
    cover_up(&folder);
    let refused = Command::new("python3").arg(folder.join("check.py")).output().unwrap();
    assert!(String::from_utf8_lossy(&refused.stdout).contains("uncertain_s is 0"));
}

#[test]
fn what_is_no_case_is_refused_in_words_and_leaves_no_file() {
    let (home, _slave) = upset("", "");
    let output = home.data().join("packet.tar");
    let output = output.to_str().unwrap();
    let ended = |arguments: &[&str]| {
        let ended = home.run(&[&["evidence", "--output", output], arguments].concat());
        let words = String::from_utf8_lossy(&[ended.stdout, ended.stderr].concat()).into_owned();
        (ended.status.code().unwrap(), words)
    };
    for (arguments, code, expected) in [
        (&["h2s-hihg"] as &[&str], 1, "never raised. On record as raised: h2s-high"),
        (&["h2s-high", "--at", "2020-01-01"], 1, "raised after at"),
        (&["h2s-high", "--at", "1ms"], 1, "cleared before at"),
        (&["h2s-high", "--at", "soon"], 2, "no point in time"),
        (&["h2s-high", "--before", "long"], 2, "no duration"),
        (&["h2s-high", "--before", "99999y"], 2, "beyond the calendar"),
        (&["h2s-high", "--signal", "h2s.flow"], 2, "never recorded; recorded: h2s.concentration"),
        (&["h2s-high", "--data", "/nonexistent"], 3, "/nonexistent"),
    ] {
        let (ended, words) = ended(arguments);
        assert!(ended == code && words.contains(expected), "{arguments:?} ended with {ended}: {words}");
        assert!(!Path::new(output).exists() && !Path::new(&format!("{output}.part")).exists());
    }
    assert_eq!(ended(&["h2s-high"]).0, 0);
    let (code, words) = ended(&["h2s-high"]);
    assert!(code == 2 && words.contains("exists already"), "{words}");

    let journal = rusqlite::Connection::open(home.data().join("journal.db")).unwrap();
    journal
        .execute_batch("DROP TRIGGER event_never_changed; UPDATE event SET hash = text WHERE seq = 2")
        .unwrap();
    let (code, words) = ended(&["h2s-high"]);
    assert!(code == 1 && words.contains("broken at entry 2"), "{words}");
}
