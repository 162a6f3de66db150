//! Ctrl-C, and worse, in the middle of whatever a technician does at a line: the lent line comes back, its
//! port is free, function checks end, and the daemon measures as before.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ExitStatus, Stdio};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use siskin::config::{Parity, SerialSettings};
use siskin::simulate::{Bus, Fault, Rule};

use crate::home::{Daemon, Home, by_id};
use crate::loop_checked;
use crate::technician::{bus, path};

const EVEN: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };

/// Unit 1 answers; unit 2 does not, so that a look at the line takes its time.
fn half_a_line() -> Bus {
    bus(&[1, 2], EVEN, vec![Rule::unit(2, Fault::Silent)])
}

fn home(bus: &Bus) -> Home {
    let device = |unit: u8| {
        format!(
            "[[device]]\nid = \"d{unit}\"\nline = \"bench\"\nunit_id = {unit}\npoll_every = \"100ms\"\n\
             [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = 40\ntype = \"f32\"\n\
             word_order = \"low_first\"\nrange = [0, 20]\n"
        )
    };
    Home::new(&format!(
        "[[line]]\nid = \"bench\"\nserial = {:?}\nbaud = 19200\nresponse_timeout = \"100ms\"\n{}{}",
        path(bus),
        device(1),
        device(2)
    ))
}

fn wait_until_measured(daemon: &Daemon) {
    daemon.wait_for("the line to be measured", |status| {
        let up = by_id(&status["lines"], "bench")["state"] == "up";
        (up && by_id(&status["signals"], "d1.gas")["quality"] == "good").then_some(())
    });
}

fn spawned(home: &Home, arguments: &[&str]) -> Child {
    let mut command = home.siskin(arguments);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

fn ended_by(child: &mut Child, signal: Signal) -> ExitStatus {
    kill_process(Pid::from_child(child), signal).unwrap();
    child.wait().unwrap()
}

fn count(journal: &[Value], kind: &str) -> usize {
    journal.iter().filter(|entry| entry["kind"] == kind).count()
}

/// Every way to work at a line, for so long that it is under way when the signal comes.
const AT_THE_LINE: [&[&str]; 4] = [
    &["scan", "bench", "--patient"],
    &["line", "bench", "--probe", "--rounds", "1000"],
    &["read", "d2", "input:40", "--watch", "--timeout", "100ms"],
    // One round, and then the other settings, where unit 2 does not answer either.
    &["line", "bench", "--probe", "--rounds", "1", "--timeout", "2s"],
];

#[test]
fn a_borrower_who_is_interrupted_or_killed_leaves_line_and_daemon_as_they_were() {
    let bus = half_a_line();
    let home = home(&bus);
    let daemon = home.start();
    wait_until_measured(&daemon);
    let ways = AT_THE_LINE.iter().flat_map(|way| [(way, Signal::INT), (way, Signal::KILL)]);
    let mut loans = 0;
    for (arguments, signal) in ways {
        let mut child = spawned(&home, arguments);
        daemon.wait_for("the line to be lent", |status| {
            (by_id(&status["lines"], "bench")["state"] == "lent").then_some(())
        });
        let ended = ended_by(&mut child, signal);
        // Killed by the signal it has no code; interrupted it ends by itself.
        assert_eq!(ended.code().is_some(), signal == Signal::INT, "{arguments:?} {signal:?}: {ended:?}");
        wait_until_measured(&daemon);
        loans += 1;
    }
    let journal = daemon.wait_for_journal("every return", |all| count(all, "line_returned") == loans);
    assert_eq!((count(&journal, "line_lent"), count(&journal, "line_down")), (loans, 0), "{journal:#?}");
    assert!(daemon.stop().success());
}

#[test]
fn a_scan_that_is_interrupted_tells_how_to_go_on_and_goes_on_there() {
    let bus = bus(&[2, 5], EVEN, Vec::new());
    let scan = ["scan", &path(&bus), "--baud", "19200", "--format", "8E1", "--unit", "1-200", "--patient"];
    let home = home(&bus);
    let mut child = spawned(&home, &scan);
    let mut told = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    told.find(|line| line.contains("unit 2") || line.contains("  2 ")).expect("the first device");
    let ended = ended_by(&mut child, Signal::INT);
    let rest: Vec<String> = told.collect();
    assert_eq!(ended.code(), Some(0), "a device was found: {rest:?}");
    let hint = rest.iter().find_map(|line| line.split("--from ").nth(1)).expect("how to go on");
    let from = hint.split_whitespace().next().unwrap().trim_end_matches('.').to_owned();
    let on = home.run(&[&scan[..], &["--from", &from, "--json", "--timeout", "20ms"]].concat());
    let on: Value = serde_json::from_slice(&on.stdout).unwrap();
    assert_eq!(on["whole"], true, "{on:#}");
}

#[test]
fn a_port_that_vanishes_in_the_middle_is_told_with_where_it_was() {
    let bus = bus(&[2, 5], EVEN, Vec::new());
    let scan = ["scan", &path(&bus), "--baud", "19200", "--format", "8E1", "--unit", "1-200", "--patient"];
    let home = home(&bus);
    let mut child = spawned(&home, &scan);
    let mut told = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    told.find(|line| line.contains("unit 2") || line.contains("  2 ")).expect("the first device");
    drop(bus);
    let rest: Vec<String> = told.collect();
    child.wait().unwrap();
    let early = rest.iter().find(|line| line.contains("the port has gone away"));
    assert!(early.is_some_and(|line| line.contains("--from 19200-8E1-")), "{rest:?}");
}

/// Waits until the command asks for something.
fn asked(child: &mut Child, words: &str) {
    let mut asked = BufReader::new(child.stderr.take().unwrap()).lines().map_while(Result::ok);
    asked.find(|line| line.contains(words)).expect("it asks");
    // What it says on must find a reader.
    std::thread::spawn(move || asked.for_each(drop));
}

#[test]
fn a_walk_or_a_commissioning_that_is_interrupted_leaves_no_function_check_and_loses_no_answer() {
    let bus = loop_checked::bus(10_400);
    let (home, daemon) = loop_checked::running(&bus);
    let mut walk = spawned(&home, &["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--walk"]);
    asked(&mut walk, "Set 0 %");
    assert_eq!(ended_by(&mut walk, Signal::INT).code(), Some(1));
    daemon.wait_for("both to be measured", |status| {
        let good = |signal: &Value| signal["quality"] == "good";
        status["signals"].as_array().unwrap().iter().all(good).then_some(())
    });

    // Its terminal is lost: nobody reads what it says any more, and nobody answers.
    let mut lost = spawned(&home, &["loop-check", "h2s-1.gas", "--loop", "ai-1.loop", "--walk"]);
    let mut said = BufReader::new(lost.stderr.take().unwrap()).lines().map_while(Result::ok);
    said.find(|line| line.contains("Set 0 %")).expect("it asks");
    drop(said);
    assert_eq!(ended_by(&mut lost, Signal::HUP).code(), Some(1));
    daemon.wait_for("both to be measured once more", |status| {
        let good = |signal: &Value| signal["quality"] == "good";
        status["signals"].as_array().unwrap().iter().all(good).then_some(())
    });

    let mut commission = spawned(&home, &["commission", "h2s-1", "--name", "Kim"]);
    let mut answers = commission.stdin.take().unwrap();
    writeln!(answers, "done hung by two").unwrap();
    asked(&mut commission, "── Mounting");
    assert_eq!(ended_by(&mut commission, Signal::INT).code(), Some(1));
    let record = home.run(&["commission", "h2s-1", "--print", "text"]);
    let record = String::from_utf8_lossy(&record.stdout).into_owned();
    assert!(record.contains("hung by two"), "{record}");
    let journal = daemon.journal();
    assert_eq!(count(&journal, "function_check_begun"), count(&journal, "function_check_ended"));
    assert!(daemon.stop().success());
}

#[test]
fn a_calibration_whose_commands_are_killed_ends_by_itself_and_is_told_of() {
    let bus = loop_checked::bus(10_400);
    let (home, daemon) = loop_checked::running(&bus);
    for signal in [Signal::INT, Signal::KILL] {
        let mut begin = spawned(&home, &["calibration", "begin", "h2s-1", "--for", "1s", "--again"]);
        ended_by(&mut begin, signal);
        daemon.wait_for("no function check", |status| {
            by_id(&status["devices"], "h2s-1")["function_check"].is_null().then_some(())
        });
    }
    assert_eq!(home.run(&["calibration", "begin", "h2s-1", "--for", "1s"]).status.code(), Some(0));
    daemon.wait_for("the alarm of the forgotten one", |status| {
        (by_id(&status["alarms"], "h2s-1.function_check_overrun")["active"] == true).then_some(())
    });
    let gas = daemon.wait_for("the reading", |status| {
        let gas = by_id(&status["signals"], "h2s-1.gas");
        (!gas["value"].is_null()).then(|| gas.clone())
    });
    assert_eq!(gas["reasons"], json!(["check_overrun"]));
    assert!(daemon.stop().success());
}
