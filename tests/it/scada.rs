//! SCADA: a Modbus master that siskin did not write reads every register of the map, and finds what
//! JSON says; the numbers stay where they were given.

use std::net::{SocketAddr, TcpListener};

use serde_json::Value;

use crate::bench::{ALARM, CLEAN, analyzer, line, set};
use crate::home::{Daemon, Home, by_id};
use crate::peer::Peer;
use crate::scripted_slave::{Framing, Slave};

/// A site with one analyzer that answers and one at a port that is not there.
struct Site {
    home: Home,
    scada: SocketAddr,
    _slave: Slave,
}

impl Site {
    fn new() -> Site {
        let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
        set(&slave, CLEAN);
        let scada = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let spare = "[[line]]\nid = \"spare\"\nserial = \"/dev/siskin-no-such-port\"\n\n";
        let site = format!("[scada]\nlisten = \"{scada}\"\n\n")
            + &line("bench", &slave)
            + spare
            + &analyzer("h2s", "bench")
            + &analyzer("other", "spare")
            + ALARM;
        Site { home: Home::new(&site), scada, _slave: slave }
    }

    fn map(&self) -> Value {
        let output = self.home.run(&["map", "--json"]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }
}

fn settled(daemon: &Daemon) -> Value {
    daemon.wait_for("both analyzers to be judged", |status| {
        let quality = |id: &str| by_id(&status["signals"], id)["quality"].clone();
        let settled = quality("h2s.concentration") == "good" && line_state(status, "spare") == "down";
        settled.then(|| status.clone())
    })
}

fn line_state(status: &Value, id: &str) -> Value {
    by_id(&status["lines"], id)["state"].clone()
}

/// The place of a field in the map.
fn address(map: &Value, id: &str, field: &str) -> u64 {
    let rows = map["rows"].as_array().unwrap();
    let row = rows.iter().find(|row| row["id"] == id && row["field"] == field);
    row.unwrap_or_else(|| panic!("{id} {field} is not in the map"))["address"].as_u64().unwrap()
}

fn wide(registers: &Value) -> u32 {
    let [high, low] = [0, 1].map(|index| registers[index].as_u64().unwrap() as u32);
    high << 16 | low
}

#[test]
fn a_master_that_is_not_ours_reads_every_value_that_json_tells() {
    let site = Site::new();
    let map = site.map();
    let daemon = site.home.start();
    let address_of_master = site.scada.to_string();
    let Some(mut master) = Peer::start("master.py", &["tcp", &address_of_master, "1"]) else { return };
    assert_eq!(master.manifest["connected"], true);
    let status = settled(&daemon);
    let mut read = |table: &str, id: &str, field: &str, count: u32| {
        master.ask(&format!("{table} {} {count}", address(&map, id, field)))
    };

    let (mut values, mut without) = (0, 0);
    for signal in status["signals"].as_array().unwrap() {
        let id = signal["id"].as_str().unwrap();
        let quality = read("input", id, "quality", 1)[0].as_u64().unwrap();
        let word = ["", "good", "uncertain", "bad"][quality as usize];
        assert_eq!(signal["quality"], word, "{id}");
        let told = f32::from_bits(wide(&read("holding", id, "value", 2)));
        if let Some(value) = signal["value"].as_f64() {
            assert_eq!(told, value as f32, "{id}");
            values += 1;
        } else {
            assert!(signal["value"].is_null() && told.is_nan(), "{id}: {told}");
            without += 1;
        }
        let reasons = wide(&read("input", id, "reasons", 2));
        assert_eq!(reasons.count_ones() as usize, signal["reasons"].as_array().unwrap().len(), "{id}");
    }
    assert!(values > 0 && without > 0, "{status:#}");

    for alarm in status["alarms"].as_array().unwrap() {
        let id = alarm["id"].as_str().unwrap();
        let bits = read("discrete", id, "active", 8);
        assert_eq!(bits[0], alarm["active"] == true, "{id} is active");
        assert_eq!(bits[2], alarm["latched"], "{id} is latched");
        assert_eq!(bits[6], alarm["active"].is_null(), "{id} cannot be known");
        assert_eq!(read("coil", id, "active", 8), bits, "coils hold what discrete inputs hold");
    }
    assert_eq!(read("input", "bench", "state", 1)[0], 2, "the line is up");
    assert_eq!(read("input", "spare", "state", 1)[0], 3, "the line is down");
    assert_eq!(read("input", "h2s", "state", 1)[0], 2, "the device is online");

    assert_eq!(master.ask("holding 40 1")["exception"], 2);
    assert_eq!(master.ask("holding 0 125")["exception"], 2);
    assert_eq!(master.ask("holding 0 32").as_array().unwrap().len(), 32);
}

#[test]
fn a_new_signal_moves_no_other_and_a_damaged_lock_file_is_refused_by_everybody() {
    let site = Site::new();
    let before = site.map();
    let text = std::fs::read_to_string(site.home.site_file()).unwrap();
    let (head, tail) = text.split_once("[[device]]").unwrap();
    let first = analyzer("first", "spare").replace("unit_id = 1", "unit_id = 9");
    std::fs::write(site.home.site_file(), format!("{head}{first}\n[[device]]{tail}")).unwrap();
    let after = site.map();
    for row in before["rows"].as_array().unwrap() {
        assert!(after["rows"].as_array().unwrap().contains(row), "{row} has moved");
    }
    assert_ne!(
        address(&after, "first.concentration", "value"),
        address(&before, "h2s.concentration", "value")
    );
    assert_eq!(after["revision"], 2);

    let lock = site.home.site_file().with_file_name("scada-map.lock");
    let damaged = std::fs::read_to_string(&lock).unwrap().replace("revision", "revisoin");
    std::fs::write(&lock, damaged).unwrap();
    for command in ["map", "check", "run"] {
        let output = site.home.run(&[command]);
        let told = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{command}: {told}");
        assert!(
            told.contains("scada-map.lock") && told.contains("restore it from a copy"),
            "{command}: {told}"
        );
    }
}

#[test]
fn the_map_is_told_as_markdown_and_as_comma_separated_values() {
    let site = Site::new();
    let map = site.map();
    let [markdown, csv] = [&["map"][..], &["map", "--csv"]]
        .map(|arguments| String::from_utf8(site.home.run(arguments).stdout).unwrap());
    let request = map["example"]["request"].as_str().unwrap();
    assert!(request.starts_with("00 01 00 00 00 06 01 04 03 E8 00 02"), "{request}");
    assert!(markdown.contains(request), "{markdown}");
    for row in map["rows"].as_array().unwrap() {
        let (table, address) = (row["table"].as_str().unwrap(), row["address"].as_u64().unwrap());
        let line = format!("\r\n{table},{address},");
        assert_eq!(csv.matches(&line).count(), 1, "{row}");
        assert!(markdown.contains(row["id"].as_str().unwrap()), "{row}");
    }
}
