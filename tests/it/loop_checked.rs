//! A loop check as a technician makes it: at a pipe, against simulated devices with a right loop and a
//! wrong one, with the function check around the walk and the record after it.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::process::Stdio;
use std::time::Instant;

use serde_json::Value;
use siskin::config::{Parity, SerialSettings};
use siskin::signal::Table;
use siskin::simulate::{Bus, Device, Line, Pace};

use crate::home::{Daemon, Home, by_id};
use crate::technician::{json_of, path};

const SETTINGS: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::None, stop_bits: 1 };

/// An analyzer that says 8 ppmv of 20, and a module that reads its loop in µA.
pub fn bus(microamps: u16) -> Bus {
    let devices = vec![
        // 8.0 as binary32.
        Device::new(1).with(Table::Input, 0, &[0x4100, 0]),
        Device::new(3).with(Table::Input, 0, &[microamps]),
    ];
    let line = Line::new(devices, 1);
    Bus::on_pty(line, Pace::of(SETTINGS.baud, SETTINGS.bits_per_character()), Instant::now()).unwrap()
}

fn home(bus: &Bus) -> Home {
    Home::new(&format!(
        "[[line]]\nid = \"east\"\nserial = {:?}\nbaud = 19200\nparity = \"none\"\nresponse_timeout = \"100ms\"\n\
         [[device]]\nid = \"h2s-1\"\nline = \"east\"\nunit_id = 1\npoll_every = \"100ms\"\n\
         [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = 0\ntype = \"f32\"\n\
         unit = \"ppmv\"\nrange = [0, 20]\n\
         [[device]]\nid = \"ai-1\"\nline = \"east\"\nunit_id = 3\npoll_every = \"100ms\"\n\
         [[device.signal]]\nid = \"loop\"\ntable = \"input\"\naddress = 0\ntype = \"u16\"\n\
         current = {{ raw = [0, 24000], milliamps = [0, 24] }}\n\
         scale = {{ from = [4, 20], to = [0, 20] }}\nunit = \"ppmv\"\n",
        path(bus)
    ))
}

pub fn running(bus: &Bus) -> (Home, Daemon) {
    let home = home(bus);
    let daemon = home.start();
    daemon.wait_for("both devices", |status| {
        let read = |signal: &Value| !signal["time"].is_null();
        status["signals"].as_array().unwrap().iter().all(read).then_some(())
    });
    // A busy machine may be slow to open the one face after the other.
    daemon.wait_for("its socket", |_| UnixStream::connect(home.data().join("control.sock")).ok());
    (home, daemon)
}

const CHECK: [&str; 7] = ["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--json", "--readings", "2"];

fn causes(told: &Value) -> Vec<&str> {
    told["causes"].as_array().unwrap().iter().map(|cause| cause["cause"].as_str().unwrap()).collect()
}

#[test]
fn flowing_gas_passes_where_loop_and_display_agree_and_a_display_in_another_unit_is_named() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let right = home.run(&[&CHECK[..], &["--display", "8.01", "--meter", "10.41", "--name", "Kim"]].concat());
    assert_eq!(right.status.code(), Some(0), "{right:?}");
    let wrong = home.run(&[&CHECK[..], &["--display", "8000"]].concat());
    assert_eq!(wrong.status.code(), Some(1));
    assert_eq!(causes(&json_of(&wrong)).first(), Some(&"wrong_unit"));
    let journal = daemon.wait_for_journal("both", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "loop_checked").count() == 2
    });
    let entry = journal.iter().find(|entry| entry["kind"] == "loop_checked").unwrap();
    assert_eq!((&entry["subject"], &entry["name"]), (&"h2s-1".into(), &"Kim".into()));
    assert_eq!(entry["detail"]["pass"], true);
}

/// Walks, with the loop at what `microamps` makes of the right current; how it ended and what was told.
fn walked(bus: &Bus, home: &Home, points: usize, microamps: impl Fn(u16) -> u16) -> (i32, String) {
    let arguments = [&CHECK[..], &["--walk"]].concat();
    let mut command = home.siskin(&arguments);
    let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = piped.spawn().unwrap();
    let mut answers = child.stdin.take().unwrap();
    let mut asked = BufReader::new(child.stderr.take().unwrap()).lines().map_while(Result::ok);
    for point in [4_000, 8_000, 12_000, 16_000, 20_000].into_iter().take(points) {
        asked.find(|line| line.starts_with("Set ")).expect("a point is asked for");
        bus.with_line(|line, _| line.device(3).unwrap().memory().store(Table::Input, 0, &[microamps(point)]));
        writeln!(answers).unwrap();
    }
    drop(answers);
    let rest: Vec<String> = asked.collect();
    let mut told = String::new();
    child.stdout.take().unwrap().read_to_string(&mut told).unwrap();
    assert!(rest.iter().any(|line| line == "h2s-1: no longer in function check"), "{rest:?}");
    (child.wait().unwrap().code().unwrap(), told)
}

#[test]
fn a_walk_takes_both_devices_into_function_check_and_names_what_is_wrong_with_the_loop() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let (code, told) = walked(&bus, &home, 5, |right| right);
    assert_eq!(code, 0, "{told}");
    let (code, told) = walked(&bus, &home, 5, |right| 24_000 - right);
    let told: Value = serde_json::from_str(&told).unwrap();
    assert_eq!((code, causes(&told)), (1, vec!["reversed"]), "{told:#}");
    let journal = daemon.wait_for_journal("the end", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "function_check_ended").count() == 4
    });
    for device in ["h2s-1", "ai-1"] {
        let begun = journal
            .iter()
            .filter(|entry| entry["kind"] == "function_check_begun" && entry["subject"] == device)
            .count();
        assert_eq!(begun, 2, "{device}");
    }
}

#[test]
fn a_walk_that_is_left_ends_its_function_checks_and_records_nothing() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let (code, told) = walked(&bus, &home, 2, |right| right);
    assert_eq!((code, told.as_str()), (1, ""));
    let journal = daemon.wait_for_journal("the end", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "function_check_ended").count() == 2
    });
    assert!(!journal.iter().any(|entry| entry["kind"] == "loop_checked"));
}

#[test]
fn a_function_check_that_runs_out_in_the_middle_of_a_walk_is_begun_again_before_the_point_is_read() {
    let bus = bus(10_400);
    let (home, daemon) = running(&bus);
    let mut command = home.siskin(&[&CHECK[..], &["--walk", "--for", "1s"]].concat());
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    daemon.wait_for("both to have run out", |status| {
        let overrun = |id| by_id(&status["alarms"], id)["active"] == true;
        (overrun("h2s-1.function_check_overrun") && overrun("ai-1.function_check_overrun")).then_some(())
    });
    child.stdin.take().unwrap().write_all(b"\n").unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("h2s-1: its function check had run out; it is begun again"), "{said}");
    let journal = daemon.wait_for_journal("the end", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "function_check_ended").count() == 4
    });
    let begun = journal.iter().filter(|entry| entry["kind"] == "function_check_begun").count();
    assert_eq!(begun, 4, "both of them, twice");
}
