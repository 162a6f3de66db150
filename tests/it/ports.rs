//! Ports that are missing, taken, or pulled out while the daemon runs: their readings are not
//! measurements, the line says why, other lines go on, and it comes back by itself. And ports of faces that
//! are taken.

use std::io::ErrorKind;
use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Stdio;

use serde_json::Value;
use siskin::config::Port;

use crate::bench::{ALARM, CLEAN, analyzer, line, set};
use crate::home::{Daemon, Home, by_id};
use crate::scripted_slave::{Framing, Slave};

#[test]
fn a_missing_port_takes_down_its_own_line_and_no_other() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, CLEAN);
    let home = Home::new(&two_lines(&slave, "/dev/siskin-no-such-port"));
    let daemon = home.start();
    let status = daemon.wait_for("the good line's reading", |status| {
        (by_id(&status["signals"], "h2s.concentration")["quality"] == "good").then(|| status.clone())
    });
    let status = if line_state(&status) == "down" { status } else { wait_for_line(&daemon, "down") };
    let other = by_id(&status["signals"], "other.concentration");
    assert_eq!((&other["value"], &other["quality"]), (&Value::Null, &Value::from("bad")));
    assert!(by_id(&status["lines"], "spare").to_string().contains("siskin-no-such-port"), "{status:#}");
}

#[test]
fn a_pulled_adapter_is_not_measured_and_comes_back_when_it_is_plugged_in_again() {
    let ports = tempfile::tempdir().unwrap();
    let port = ports.path().join("ttyUSB0");
    let slave = Slave::on_a_terminal(Vec::new(), 1);
    set(&slave, CLEAN);
    plug_in(&slave, &port);
    let on_tcp = Slave::on_tcp(Framing::Rtu, Vec::new(), 2);
    set(&on_tcp, CLEAN);
    let home = Home::new(&two_lines(&on_tcp, port.to_str().unwrap()));
    let daemon = home.start();
    wait_for_quality(&daemon, "good");

    std::fs::remove_file(&port).unwrap();
    drop(slave);
    let status = wait_for_line(&daemon, "down");
    let lost = wait_for_quality(&daemon, "bad");
    assert_eq!(lost["reasons"][0], "communication_lost", "{status:#}");

    let slave = Slave::on_a_terminal(Vec::new(), 3);
    set(&slave, CLEAN);
    plug_in(&slave, &port);
    wait_for_line(&daemon, "up");
    wait_for_quality(&daemon, "good");
}

#[test]
fn a_port_that_another_daemon_holds_is_left_to_it() {
    let slave = Slave::on_a_terminal(Vec::new(), 1);
    set(&slave, CLEAN);
    let Port::Serial { path, .. } = &slave.port else { panic!("asked for a terminal") };
    let on_tcp = Slave::on_tcp(Framing::Rtu, Vec::new(), 2);
    set(&on_tcp, CLEAN);
    let site = two_lines(&on_tcp, path.to_str().unwrap());
    let (first_home, second_home) = (Home::new(&site), Home::new(&site));
    let first = first_home.start();
    wait_for_quality(&first, "good");
    let second = second_home.start();
    wait_for_line(&second, "down");
    wait_for_quality(&second, "bad");
    assert_eq!(line_state(&first.json("/api/v1/status")), "up");
    wait_for_quality(&first, "good");
}

/// The analyzer `h2s` on the slave's own line, and `other` on the line `spare` at a serial port.
/// Starts a daemon of which nothing may come: no word that it is ready, and no question to its device.
#[track_caller]
fn ends_before_anything_is_asked(home: &Home, device: &TcpListener, port: SocketAddr) {
    device.set_nonblocking(true).unwrap();
    let notices = home.site_file().with_file_name("notices");
    let supervisor = UnixDatagram::bind(&notices).unwrap();
    supervisor.set_nonblocking(true).unwrap();
    let run = home.siskin(&["run"]).env("NOTIFY_SOCKET", &notices).stderr(Stdio::piped()).output().unwrap();
    let told = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(3), "{told}");
    let clear = format!("cannot listen on {port}: Address already in use");
    assert!(told.contains(&clear) && told.contains("another program holds this port"), "{told}");
    let would_block = |error: std::io::Error| error.kind() == ErrorKind::WouldBlock;
    assert!(supervisor.recv(&mut [0; 64]).is_err_and(would_block), "it said that it was ready: {told}");
    assert!(device.accept().is_err_and(would_block), "the device was asked: {told}");
}

#[test]
fn a_taken_port_of_a_face_ends_the_start_before_any_device_is_asked() {
    let (device, taken) = [(); 2].map(|()| TcpListener::bind("127.0.0.1:0").unwrap()).into();
    let device_at = device.local_addr().unwrap();
    let line = format!("[[line]]\nid = \"bench\"\ntcp = \"{device_at}\"\nframing = \"rtu\"\n");
    let home = Home::new(&(line.clone() + &analyzer("h2s", "bench")));
    let held = TcpListener::bind(home.http()).unwrap();
    ends_before_anything_is_asked(&home, &device, home.http());
    drop(held);

    let port = taken.local_addr().unwrap();
    let scada = format!("[scada]\nlisten = \"{port}\"\n\n");
    let home = Home::new(&(scada + &line + &analyzer("h2s", "bench")));
    ends_before_anything_is_asked(&home, &device, port);
}

fn two_lines(slave: &Slave, port: &str) -> String {
    let spare = format!(
        "[[line]]\nid = \"spare\"\nserial = \"{port}\"\nbaud = 115200\nresponse_timeout = \"100ms\"\n\n"
    );
    line("bench", slave) + &spare + &analyzer("h2s", "bench") + &analyzer("other", "spare") + ALARM
}

fn plug_in(slave: &Slave, at: &Path) {
    let Port::Serial { path, .. } = &slave.port else { panic!("asked for a terminal") };
    symlink(path, at).unwrap();
}

/// Empty before the line has said anything.
fn line_state(status: &Value) -> &str {
    by_id(&status["lines"], "spare")["state"].as_str().unwrap_or_default()
}

fn wait_for_line(daemon: &Daemon, state: &str) -> Value {
    daemon.wait_for(&format!("the line to be {state}"), |status| {
        (line_state(status) == state).then(|| status.clone())
    })
}

fn wait_for_quality(daemon: &Daemon, quality: &str) -> Value {
    daemon.wait_for(&format!("a reading that is {quality}"), |status| {
        let signal = by_id(&status["signals"], "other.concentration");
        (signal["quality"] == quality).then(|| signal.clone())
    })
}
