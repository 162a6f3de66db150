//! The technician's commands as they are typed, on simulated lines whose devices mind speed and parity:
//! who is there is found, what registers mean is found, with a running daemon and without one.

use std::path::PathBuf;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use siskin::config::{Parity, SerialSettings};
use siskin::signal::Table;
use siskin::simulate::{Bus, BusPort, Device, Fault, Line, Pace, Rule};

use crate::home::Home;

const ODD: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::Odd, stop_bits: 1 };

/// 3.217 as binary32, low word first.
const SWAPPED: [u16; 2] = [0xE354, 0x404D];

/// A line with these units, each of which holds 3.217 from input register 40 on.
pub fn bus(units: &[u8], settings: SerialSettings, faults: Vec<Rule>) -> Bus {
    let device = |unit: &u8| Device::new(*unit).with(Table::Input, 40, &SWAPPED);
    let mut line = Line::new(units.iter().map(device).collect(), 1).set_to(settings);
    line.set_faults(faults);
    let pace = Pace::of(settings.baud, settings.bits_per_character());
    Bus::on_pty(line, pace, Instant::now()).unwrap()
}

pub fn path(bus: &Bus) -> String {
    match bus.port() {
        BusPort::Serial(path) => path.display().to_string(),
        BusPort::Tcp(address) => address.to_string(),
    }
}

/// Runs a command without any site file.
pub fn siskin(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_siskin"))
        .args(arguments)
        .env("SISKIN_CONFIG", PathBuf::from("/nonexistent/site.toml"))
        .env("SISKIN_DATA", "/nonexistent")
        .output()
        .unwrap()
}

pub fn json_of(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    serde_json::from_str(&text)
        .unwrap_or_else(|error| panic!("{error}: {text}\n{}", String::from_utf8_lossy(&output.stderr)))
}

fn scan(bus: &Bus, more: &[&str]) -> (i32, Value) {
    let port = path(bus);
    let mut arguments = vec!["scan", &port, "--json", "--unit", "1-6", "--timeout", "60ms"];
    arguments.extend(more);
    let output = siskin(&arguments);
    (output.status.code().unwrap(), json_of(&output))
}

#[test]
fn devices_are_found_under_the_settings_they_have_and_no_others() {
    let bus = bus(&[2, 5], ODD, Vec::new());
    let (code, told) = scan(&bus, &[]);
    assert_eq!(code, 0);
    let found: Vec<Value> = told["devices"]
        .as_array()
        .unwrap()
        .iter()
        .map(|device| json!([device["unit"], device["baud"], device["parity"]]))
        .collect();
    assert_eq!(found, [json!([2, 19_200, "odd"]), json!([5, 19_200, "odd"])], "{told:#}");
    assert_eq!((&told["whole"], &told["garbled"]), (&json!(true), &json!([])));
}

#[test]
fn a_search_goes_on_where_it_is_told_to() {
    let bus = bus(&[2, 5], ODD, Vec::new());
    let (code, told) = scan(&bus, &["--baud", "19200", "--format", "8E1,8O1", "--from", "19200-8O1-4"]);
    assert_eq!((code, told["devices"].as_array().unwrap().len()), (0, 1), "{told:#}");
    assert_eq!(told["devices"][0]["unit"], 5);
    let elsewhere = siskin(&["scan", &path(&bus), "--baud", "19200", "--from", "9600-8O1-4"]);
    assert_eq!(elsewhere.status.code(), Some(2));
}

#[test]
fn two_devices_with_one_address_are_told_as_something_and_not_as_nothing() {
    let bus = bus(&[2, 3], ODD, vec![Rule::unit(3, Fault::Doubled)]);
    let (code, told) = scan(&bus, &["--format", "8O1", "--baud", "19200"]);
    assert_eq!(code, 0);
    assert_eq!(told["devices"][0]["unit"], 2);
    assert_eq!(
        (&told["garbled"][0]["unit"], told["garbled"].as_array().unwrap().len()),
        (&json!(3), 1),
        "{told:#}"
    );
}

/// The fast device makes the search impatient; the slow one, which is the last, answers after its end.
#[test]
fn a_device_that_is_slower_than_the_others_is_found_although_it_is_asked_last() {
    let bus = bus(&[2, 6], ODD, vec![Rule::unit(6, Fault::Late(Duration::from_millis(700)))]);
    let port = path(&bus);
    let settings = ["--unit", "1-6", "--timeout", "2s", "--format", "8O1", "--baud", "19200"];
    let output = siskin(&[&["scan", &port, "--json"][..], &settings].concat());
    let told = json_of(&output);
    let slow = told["devices"].as_array().unwrap().iter().find(|device| device["unit"] == 6);
    let says = slow.unwrap_or_else(|| panic!("{told:#}"))["says"].to_string();
    assert!(says.contains("came too late: look again with --patient --unit 6"), "{told:#}");
}

#[test]
fn a_device_that_answers_nonsense_is_told_as_something() {
    let bus = bus(&[2, 3], ODD, vec![Rule::unit(3, Fault::Noise(0.5))]);
    let (_, told) = scan(&bus, &["--format", "8O1", "--baud", "19200"]);
    let units = |list: &str| -> Vec<Value> {
        told[list].as_array().unwrap().iter().map(|one| one["unit"].clone()).collect()
    };
    assert_eq!((units("devices"), units("garbled")), (vec![json!(2)], vec![json!(3)]), "{told:#}");
    let read =
        siskin(&["read", &format!("{}:3", path(&bus)), "input:40", "--baud", "19200", "--format", "8O1"]);
    let told = String::from_utf8_lossy(&read.stdout).into_owned();
    assert!(read.status.code() == Some(1) && told.contains("Something came, but no answer"), "{read:?}");
}

#[test]
fn a_port_that_somebody_holds_is_told_with_who() {
    let bus = bus(&[2], ODD, Vec::new());
    let home = site(&bus, "low_first");
    let daemon = home.start();
    daemon.wait_for("the port to be held", |status| {
        (crate::home::by_id(&status["lines"], "bench")["state"] == "up").then_some(())
    });
    let port = path(&bus);
    for command in [vec!["scan", &port], vec!["read", &format!("{port}:2"), "input:40"]] {
        // Without the site file nobody knows that the daemon could lend it.
        let refused = siskin(&command);
        let told = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(3), "{told}");
        assert!(told.contains("in use by ") && told.contains(" (process "), "{told}");
    }
}

#[test]
fn swapped_wires_are_told_as_such_and_not_as_devices() {
    let bus = bus(&[2], ODD, vec![Rule::line(Fault::Swapped)]);
    let (code, told) = scan(&bus, &["--format", "8O1", "--baud", "19200"]);
    assert_eq!((code, &told["devices"], &told["garbled"]), (1, &json!([]), &json!([])), "{told:#}");
    let notes = told["notes"].to_string();
    assert!(notes.contains("A and B may be swapped"), "{notes}");
}

/// A site on this line with the value at its right place, but as `order` has it.
fn site(bus: &Bus, order: &str) -> Home {
    Home::new(&format!(
        "[[line]]\nid = \"bench\"\nserial = {:?}\nbaud = 19200\nparity = \"odd\"\nresponse_timeout = \"100ms\"\n\
         [[device]]\nid = \"h2s\"\nline = \"bench\"\nunit_id = 2\n\
         [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = 40\ntype = \"f32\"\n\
         word_order = \"{order}\"\nunit = \"ppmv\"\nrange = [0, 20]\n",
        path(bus)
    ))
}

#[test]
fn a_running_daemon_lends_the_line_to_a_search_and_to_a_reading_and_has_it_back() {
    let bus = bus(&[2, 5], ODD, Vec::new());
    let home = site(&bus, "low_first");
    let daemon = home.start();
    let good = |status: &Value| {
        let signal = crate::home::by_id(&status["signals"], "h2s.gas");
        (signal["quality"] == "good").then_some(())
    };
    daemon.wait_for("the first reading", good);
    let scan = home.run(&["scan", "bench", "--json", "--unit", "1-6", "--format", "8O1", "--baud", "19200"]);
    let told = json_of(&scan);
    assert_eq!(told["devices"].as_array().unwrap().len(), 2, "{told:#}");
    daemon.wait_for("the line to be back", good);
    let read = home.run(&["read", "h2s.gas", "--json"]);
    assert_eq!(json_of(&read)["signal"]["unit"], "ppmv");
    daemon.wait_for("the line to be back", good);
    let journal = daemon.wait_for_journal("two loans", |journal| {
        journal.iter().filter(|entry| entry["kind"] == "line_returned").count() == 2
    });
    let purposes: Vec<&Value> = journal
        .iter()
        .filter(|entry| entry["kind"] == "line_lent")
        .map(|entry| &entry["detail"]["remark"])
        .collect();
    assert_eq!(purposes, ["scan", "read"]);
}

#[test]
fn what_the_display_shows_is_found_among_the_registers_and_told_for_the_site_file() {
    let bus = bus(&[2], ODD, Vec::new());
    let target = format!("{}:2", path(&bus));
    let common = ["--baud", "19200", "--format", "8O1", "--expect"];
    let read = |place: &str, count: &str, shown: &str| {
        let mut arguments = vec!["read", &target, place, "--count", count];
        arguments.extend(common);
        arguments.push(shown);
        siskin(&arguments)
    };
    let found = read("30041", "2", "3.22");
    let told = String::from_utf8_lossy(&found.stdout).into_owned();
    assert_eq!(found.status.code(), Some(0), "{told}");
    for line in
        ["→ 3.217", "table = \"input\"", "address = 40", "type = \"f32\"", "word_order = \"low_first\""]
    {
        assert!(told.contains(line), "{line}: {told}");
    }
    assert_eq!(read("input:40", "2", "7.5").status.code(), Some(1), "nothing fits");
    let refused = read("input:41", "2", "3.22");
    assert!(String::from_utf8_lossy(&refused.stdout).contains("exception 02"), "{refused:?}");
}

#[test]
fn a_signal_is_compared_with_what_another_instrument_shows() {
    let bus = bus(&[2], ODD, Vec::new());
    let home = site(&bus, "low_first");
    // 3.217 of 20 ppmv are 6.574 mA.
    for (reference, tolerance, code) in
        [("3.2", "1", 0), ("3.9", "1", 1), ("6.57mA", "0.1", 0), ("8mA", "1", 1)]
    {
        let output = home.run(&["read", "h2s.gas", "--reference", reference, "--tolerance", tolerance]);
        let told = String::from_utf8_lossy(&output.stdout);
        assert_eq!(output.status.code(), Some(code), "{reference}: {told}");
        assert!(told.contains("% of span"), "{told}");
    }
}

#[test]
fn what_cannot_be_asked_is_told_with_its_exit_code() {
    let bus = bus(&[2], ODD, Vec::new());
    let home = site(&bus, "low_first");
    for (arguments, code, words) in [
        (&["scan", "bnech"][..], 2, "its lines are bench"),
        (&["scan", "/dev/no-such-port"], 3, "is the adapter plugged in?"),
        (&["scan", "192.0.2.10:4001", "--baud", "9600"], 2, "the device server has its own"),
        (&["scan", "bench", "--unit", "0"], 2, "unit ids are 1 to 247"),
        (&["scan", "bench", "--framing", "tcp"], 2, "a serial port always carries RTU"),
        (&["read", "h2s"], 2, "say where to read"),
        (&["read", "nobody", "input:0"], 2, "its devices are h2s"),
        (&["read", "bench:x", "input:0"], 2, "does not end with a unit id"),
        (&["read", "h2s", "input:0", "--count", "126"], 2, "one question cannot ask for"),
        (&["read", "h2s", "input:0", "--expect", "0"], 2, "not zero"),
        (&["read", "h2s", "input:0", "--reference", "1"], 2, "compares a signal of the site file"),
        (&["read", "/dev/no-such-port:1", "input:0"], 3, "no such port"),
    ] {
        let output = home.run(arguments);
        let told = String::from_utf8_lossy(&output.stderr).replace('\n', " ");
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(words), "{arguments:?}: {told}");
    }
}
