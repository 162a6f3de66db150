//! A sensor change as a technician types it, against a simulated analyzer: the settling, what a restart and
//! the record still know of it, and how its end is told on every face before it comes.

use std::time::Duration;

use serde_json::{Value, json};

use crate::home::{Daemon, Home, by_id};
use crate::loop_checked::bus;
use crate::technician::{json_of, path};

fn home(port: &str, sensor: &str) -> Home {
    Home::new(&site(port, sensor))
}

fn site(port: &str, sensor: &str) -> String {
    format!(
        "[history]\nflush_every = \"5s\"\n\
         [[line]]\nid = \"east\"\nserial = {port:?}\nbaud = 19200\nparity = \"none\"\nresponse_timeout = \"100ms\"\n\
         [[device]]\nid = \"h2s-1\"\nline = \"east\"\nunit_id = 1\npoll_every = \"100ms\"\n\
         sensor = {{ signal = \"gas\", {sensor} }}\n\
         [[device.signal]]\nid = \"gas\"\ntable = \"input\"\naddress = 0\ntype = \"f32\"\n\
         unit = \"ppmv\"\nrange = [0, 20]\n\
         [[device]]\nid = \"ai-1\"\nline = \"east\"\nunit_id = 3\n\
         [[device.signal]]\nid = \"loop\"\ntable = \"input\"\naddress = 0\ntype = \"u16\"\n"
    )
}

/// A day so many days ago.
fn days_ago(days: u64) -> String {
    let then = jiff::Timestamp::now().checked_sub(Duration::from_secs(days * 86_400)).unwrap();
    then.strftime("%Y-%m-%d").to_string()
}

fn told(home: &Home, arguments: &[&str], code: i32) -> String {
    let ran = home.run(arguments);
    assert_eq!(ran.status.code(), Some(code), "{arguments:?}: {ran:?}");
    String::from_utf8_lossy(&[ran.stdout, ran.stderr].concat()).into_owned()
}

fn wait_for_gas(daemon: &Daemon, quality: &str, reasons: &Value) {
    daemon.wait_for("the gas", |status| {
        let gas = by_id(&status["signals"], "h2s-1.gas");
        (gas["quality"] == quality && gas["reasons"] == *reasons).then_some(())
    });
}

fn wait_for_exposure(daemon: &Daemon) -> Value {
    daemon.wait_for("the exposure", |status| {
        let seen = &by_id(&status["devices"], "h2s-1")["sensor"]["exposure"];
        (!seen.is_null()).then(|| seen.clone())
    })
}

fn shown(home: &Home) -> Value {
    json_of(&home.run(&["sensor", "show", "h2s-1", "--json"]))["h2s-1"].clone()
}

#[test]
fn a_new_sensor_settles_over_a_restart_and_what_it_has_seen_is_read_from_the_record() {
    let bus = bus(10_400);
    let home = home(&path(&bus), "life = \"2y\", exposure_max = 20000");
    let daemon = home.start();
    let due = |daemon: &Daemon, active: bool| {
        daemon.wait_for("the alarm", |status| {
            (by_id(&status["alarms"], "h2s-1.sensor_due")["active"] == active).then_some(())
        });
    };
    due(&daemon, true);
    assert!(told(&home, &["sensor", "show"], 0).contains("no sensor is on record"));
    let change = ["sensor", "change", "h2s-1", "--serial", "S-4711", "--open-to-air", "5m", "--name", "Kim"];
    let answer = told(&home, &[&change[..], &["--settle", "1h", "--remark", "slow"]].concat(), 0);
    assert!(answer.contains("sensor S-4711 is on record: its signal is no measurement until"), "{answer}");
    due(&daemon, false);
    wait_for_gas(&daemon, "uncertain", &json!(["settling"]));
    let journal = daemon.journal();
    let entry = journal.iter().find(|entry| entry["kind"] == "sensor_changed").unwrap();
    let detail = &entry["detail"];
    assert_eq!((&entry["subject"], &entry["name"]), (&json!("h2s-1"), &json!("Kim")));
    assert_eq!(
        (&detail["serial"], &detail["signal"], &detail["open_to_air_s"], &detail["remark"]),
        (&json!("S-4711"), &json!("h2s-1.gas"), &json!(300.0), &json!("slow"))
    );
    assert!(daemon.stop().success());

    let daemon = home.start();
    wait_for_gas(&daemon, "uncertain", &json!(["settling"]));
    assert_eq!(shown(&home)["fitted"]["serial"], "S-4711");
    let seen = wait_for_exposure(&daemon);
    // All that was recorded of it was still settling: what it saw then is not known.
    assert_eq!((&seen["amount"], &seen["measured_s"]), (&json!(0.0), &json!(0.0)), "{seen}");
    assert!(seen["not_measured_s"].as_f64() > Some(0.0), "{seen}");
    told(&home, &["sensor", "change", "h2s-1", "--serial", "S-4712", "--settle", "0s"], 0);
    wait_for_gas(&daemon, "good", &json!([]));
    assert!(daemon.stop().success());

    let daemon = home.start();
    let seen = wait_for_exposure(&daemon);
    let number = |name: &str| seen[name].as_f64().unwrap();
    // It said 8 ppmv all the time: what it has seen is 8 times as many hours as were measured.
    assert!(number("measured_s") > 0.0, "{seen}");
    assert!((number("amount") - 8.0 * number("measured_s") / 3600.0).abs() < 1e-6, "{seen}");
    assert_eq!(seen["unit"], "ppmv·h");
    assert!(daemon.stop().success());
}

#[test]
fn a_sensor_at_its_end_is_told_on_every_face_and_before_it_comes() {
    let bus = bus(10_400);
    let home = home(&path(&bus), "life = \"100d\"");
    let daemon = home.start();
    told(&home, &["sensor", "change", "h2s-1", "--serial", "S-4098", "--since", &days_ago(95)], 0);
    wait_for_gas(&daemon, "good", &json!(["sensor_wear"]));
    let status = daemon.wait_for("the condition", |status| Some(status.clone()));
    assert_eq!(by_id(&status["signals"], "h2s-1.gas")["condition"], "maintenance_required");
    assert_eq!(by_id(&status["devices"], "h2s-1")["sensor"]["wear"], "near");
    assert_eq!(by_id(&status["alarms"], "h2s-1.sensor_due")["active"], false);
    let metrics = daemon.get("/metrics").1;
    assert!(
        metrics.contains("siskin_sensor_wear{device=\"h2s-1\",siskin_sensor_wear=\"near\"} 1"),
        "{metrics}"
    );
    assert!(told(&home, &["sensor", "show"], 0).contains("maintenance required: it nears its end"));

    assert!(daemon.stop().success());

    home.rewrite(&site(&path(&bus), "life = \"90d\""));
    let daemon = home.start();
    wait_for_gas(&daemon, "uncertain", &json!(["sensor_spent"]));
    daemon.wait_for("the alarm", |status| {
        (by_id(&status["alarms"], "h2s-1.sensor_due")["active"] == true).then_some(())
    });
    assert_eq!(shown(&home)["wear"], "spent");
    assert_eq!(shown(&home)["life_left_s"], 0.0);
    assert!(daemon.stop().success());

    home.rewrite(&site(&path(&bus), "life = \"90d\", due_alarm = false"));
    let daemon = home.start();
    wait_for_gas(&daemon, "uncertain", &json!(["sensor_spent"]));
    let alarms = daemon.json("/api/v1/status")["alarms"].clone();
    assert!(alarms.as_array().unwrap().iter().all(|alarm| alarm["id"] != "h2s-1.sensor_due"), "{alarms}");
    assert!(daemon.stop().success());
}

#[test]
fn what_cannot_be_recorded_of_a_sensor_is_told_with_its_exit_code() {
    let bus = bus(10_400);
    let home = home(&path(&bus), "life = \"2y\"");
    let change = |device: &'static str, more: &[&'static str]| {
        [&["sensor", "change", device, "--serial", "x"][..], more].concat()
    };
    assert!(told(&home, &change("h2s-1", &[]), 3).contains("daemon"), "no daemon");
    assert!(told(&home, &["sensor", "show"], 3).contains("daemon"), "no daemon");
    let daemon = home.start();
    for (arguments, code, words) in [
        (change("h2s1", &[]), 1, "is h2s-1 meant?"),
        (change("ai-1", &[]), 1, "give it a [device.sensor] table"),
        (change("h2s-1", &["--since", "2999-01-01"]), 1, "a time that is yet to come"),
        (change("h2s-1", &["--since", "yesterday"]), 2, "--since"),
        (change("h2s-1", &["--settle", "soon"]), 2, "such as 2h"),
        (change("h2s-1", &["--settle", "8d"]), 2, "at most 604800 seconds"),
        (vec!["sensor", "change", "h2s-1"], 2, "--serial"),
        (vec!["sensor", "change", "h2s-1", "--serial", " "], 2, "`serial` is empty"),
        (vec!["sensor", "show", "h2s1"], 1, "no such device"),
        (vec!["sensor", "show", "ai-1"], 1, "says nothing of a sensor"),
    ] {
        let said = told(&home, &arguments, code);
        assert!(said.contains(words), "{arguments:?}: {said}");
    }
    assert!(daemon.stop().success());
}
