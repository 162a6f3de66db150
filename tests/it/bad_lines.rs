//! Faults planted on a simulated line, one by one, and what `siskin line` makes of each: the table in
//! docs/testing.md.

use std::time::Duration;

use serde_json::Value;
use siskin::config::{Parity, SerialSettings};
use siskin::simulate::{Bus, Fault, Rule};

use crate::home::Home;
use crate::technician::{bus, json_of, path};

const EVEN: SerialSettings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };

/// A site with units 1 and 2 on this line, each with a value at input register 40.
fn site(bus: &Bus, more_of_line: &str, order: &str, address: u16) -> Home {
    let device = |unit: u8| {
        format!(
            "[[device]]\nid = \"d{unit}\"\nline = \"bench\"\nunit_id = {unit}\npoll_every = \"1s\"\n\
             [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = {address}\ntype = \"f32\"\n\
             word_order = \"{order}\"\nrange = [0, 20]\n"
        )
    };
    Home::new(&format!(
        "[[line]]\nid = \"bench\"\nserial = {:?}\nbaud = 19200\nresponse_timeout = \"60ms\"\n{more_of_line}\n{}{}",
        path(bus),
        device(1),
        device(2)
    ))
}

/// What `siskin line --probe` finds: cause and device, the weightiest first.
fn found(home: &Home) -> Vec<(String, Option<String>)> {
    found_in(home, "8")
}

fn found_in(home: &Home, rounds: &str) -> Vec<(String, Option<String>)> {
    let output = home.run(&["line", "bench", "--probe", "--json", "--rounds", rounds]);
    let told = json_of(&output);
    let findings = told["findings"].as_array().unwrap_or_else(|| panic!("{told:#}"));
    assert_eq!(output.status.code(), Some(i32::from(!findings.is_empty())), "{told:#}");
    let text = |value: &Value| value.as_str().map(str::to_owned);
    findings.iter().map(|finding| (text(&finding["cause"]).unwrap(), text(&finding["device"]))).collect()
}

#[track_caller]
fn with_faults(faults: Vec<Rule>, cause: &str, device: Option<&str>) {
    let bus = bus(&[1, 2], EVEN, faults);
    let found = found(&site(&bus, "", "low_first", 40));
    let first = found.first().map(|(cause, device)| (cause.as_str(), device.as_deref()));
    assert_eq!(first, Some((cause, device)), "{found:?}");
}

const ODD: SerialSettings = SerialSettings { parity: Parity::Odd, ..EVEN };
const SLOW: SerialSettings = SerialSettings { baud: 9_600, ..EVEN };

#[test]
fn a_line_that_is_well_has_nothing_wrong() {
    let bus = bus(&[1, 2], EVEN, Vec::new());
    assert_eq!(found(&site(&bus, "", "low_first", 40)), []);
}

#[test]
fn swapped_wires_are_found() {
    with_faults(vec![Rule::line(Fault::Swapped)], "held_low", None);
}

#[test]
fn a_dead_line_is_found() {
    with_faults(vec![Rule::line(Fault::Silent)], "nothing_heard", None);
}

#[test]
fn the_wrong_speed_of_the_whole_line_is_found() {
    with_faults(vec![Rule::line(Fault::Settings(SLOW))], "other_settings", Some("d1"));
}

#[test]
fn the_wrong_parity_of_one_device_is_found() {
    with_faults(vec![Rule::unit(2, Fault::Settings(ODD))], "other_settings", Some("d2"));
}

#[test]
fn two_devices_with_one_address_are_found() {
    with_faults(vec![Rule::unit(2, Fault::Doubled)], "same_address", Some("d2"));
}

#[test]
fn a_device_without_power_is_found() {
    with_faults(vec![Rule::unit(2, Fault::Silent)], "silent_device", Some("d2"));
}

#[test]
fn a_line_without_polarization_is_found() {
    with_faults(vec![Rule::line(Fault::Floating)], "floating", None);
}

#[test]
fn noise_on_the_wire_is_found() {
    // About half of the answers are damaged, and as many questions: so many rounds that each device has some.
    let bus = bus(&[1, 2], EVEN, vec![Rule::line(Fault::Noise(0.01))]);
    let found = found_in(&site(&bus, "", "low_first", 40), "20");
    assert_eq!(found.first(), Some(&("noise".to_owned(), None)), "{found:?}");
}

#[test]
fn noise_at_one_device_is_found() {
    with_faults(vec![Rule::unit(1, Fault::Noise(0.05)).with_chance(0.5)], "noisy_device", Some("d1"));
}

#[test]
fn an_adapter_that_is_slow_to_turn_is_found() {
    with_faults(vec![Rule::unit(1, Fault::BeginningLost(2))], "beginning_lost", Some("d1"));
}

#[test]
fn answers_that_are_cut_short_are_found() {
    with_faults(vec![Rule::unit(1, Fault::Truncated(5))], "cut_short", Some("d1"));
}

#[test]
fn a_device_that_is_slower_than_its_time_is_found() {
    let late = Fault::Late(Duration::from_millis(120));
    let bus = bus(&[1, 2], EVEN, vec![Rule::unit(1, late)]);
    let found = found(&site(&bus, "", "low_first", 40));
    // Whether its late answers also run into the other's, and spoil them, is a matter of luck.
    let told = |(cause, device): &(String, Option<String>)| {
        ["too_slow", "late_spoils"].contains(&cause.as_str()) && device.as_deref() == Some("d1")
    };
    assert!(found.iter().any(told), "{found:?}");
}

#[test]
fn somebody_elses_frames_are_found() {
    with_faults(vec![Rule::unit(2, Fault::Foreign)], "another_master", None);
}

#[test]
fn an_adapter_that_hears_itself_is_found() {
    with_faults(vec![Rule::line(Fault::Echo)], "echo", None);
}

#[test]
fn a_busy_device_and_a_gateway_without_an_answer_are_found() {
    with_faults(vec![Rule::unit(1, Fault::Exception(6))], "busy", Some("d1"));
    with_faults(vec![Rule::unit(1, Fault::Exception(0x0B))], "gateway_silent", Some("d1"));
}

#[test]
fn swapped_words_and_an_address_counted_from_one_are_found() {
    let bus = bus(&[1, 2], EVEN, Vec::new());
    let swapped = found(&site(&bus, "", "high_first", 40));
    assert_eq!(swapped[0], ("wrong_order".to_owned(), Some("d1".to_owned())), "{swapped:?}");
    let shifted = found(&site(&bus, "", "low_first", 41));
    assert_eq!(shifted[0], ("refuses".to_owned(), Some("d1".to_owned())), "{shifted:?}");
}

#[test]
fn a_running_daemons_counters_tell_of_a_silent_device_without_disturbing_it() {
    let bus = bus(&[1], EVEN, Vec::new());
    let home = site(&bus, "retries = 0\n", "low_first", 40);
    let daemon = home.start();
    daemon.wait_for("the silent device to be lost", |status| {
        (crate::home::by_id(&status["devices"], "d2")["state"] == "lost").then_some(())
    });
    let told = json_of(&home.run(&["line", "bench", "--json"]));
    assert_eq!(told["from"], "daemon", "{told:#}");
    assert_eq!(
        (&told["findings"][0]["cause"], &told["findings"][0]["device"]),
        (&"silent_device".into(), &"d2".into())
    );
    let probed = json_of(&home.run(&["line", "bench", "--json", "--probe", "--rounds", "2"]));
    assert_eq!(probed["from"], "probe");
    let journal = daemon
        .wait_for_journal("the loan", |journal| journal.iter().any(|entry| entry["kind"] == "line_returned"));
    assert_eq!(journal.iter().filter(|entry| entry["kind"] == "line_lent").count(), 1);
}
