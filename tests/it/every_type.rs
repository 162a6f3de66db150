//! Every type, in every order, from every table, read from a slave that siskin did not write, over
//! each kind of line, through the whole program to its JSON.

use serde_json::Value;

use crate::home::{Home, by_id};
use crate::peer::Peer;

#[test]
fn every_value_of_a_python_slave_is_shown_right_over_a_serial_line() {
    every_value_is_shown_right("serial");
}

#[test]
fn every_value_of_a_python_slave_is_shown_right_over_rtu_frames_on_tcp() {
    every_value_is_shown_right("rtu-over-tcp");
}

#[test]
fn every_value_of_a_python_slave_is_shown_right_over_modbus_tcp() {
    every_value_is_shown_right("tcp");
}

fn every_value_is_shown_right(kind: &str) {
    let Some(peer) = Peer::start("slave.py", &[kind]) else { return };
    let held = peer.manifest["signals"].as_array().unwrap();
    assert!(held.len() > 100, "the slave holds too little to prove anything");
    let home = Home::new(&site(&peer.manifest));
    let daemon = home.start();
    let signals = daemon.wait_for("every signal to be good", |status| {
        let all_good = status["summary"]["signals_good"] == held.len();
        all_good.then(|| status["signals"].clone())
    });
    for wanted in held {
        let id = format!("peer.{}", wanted["id"].as_str().unwrap());
        let shown = &by_id(&signals, &id)["value"];
        assert!(same(shown, &wanted["value"]), "{id}: shown {shown}, held {}", wanted["value"]);
    }
}

/// The same state, or the same number: JSON may write 4660 or 4660.0.
fn same(shown: &Value, held: &Value) -> bool {
    match (shown, held) {
        (Value::Number(shown), Value::Number(held)) => shown.as_f64() == held.as_f64(),
        _ => shown == held,
    }
}

/// The site file of what the slave says that it holds.
fn site(manifest: &Value) -> String {
    let mut text = String::from("[[line]]\nid = \"peer\"\n");
    text += &settings(&manifest["line"], &["serial", "baud", "tcp", "framing"]);
    text += "\n[[device]]\nid = \"peer\"\nline = \"peer\"\npoll_every = \"200ms\"\n";
    text += &settings(manifest, &["unit_id"]);
    for signal in manifest["signals"].as_array().unwrap() {
        text += "\n[[device.signal]]\n";
        text += &settings(signal, &["id", "table", "address", "type", "bit", "word_order", "byte_order"]);
    }
    text
}

/// Those of `keys` that `table` has, as lines of TOML; JSON writes text and numbers as TOML does.
fn settings(table: &Value, keys: &[&str]) -> String {
    keys.iter().filter_map(|key| Some(format!("{key} = {}\n", table.get(*key)?))).collect()
}
