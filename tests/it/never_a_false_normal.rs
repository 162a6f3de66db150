//! The first promise, through the whole program: when the reading goes, the alarm keeps what it knew,
//! the value is gone, and the *measurement lost* alarm speaks; and nothing of that is undone by a
//! restart.

use serde_json::{Value, json};

use crate::bench::{SOUR, set, site, wait_for_alarm};
use crate::home::{Daemon, Home, by_id};
use crate::scripted_slave::{Framing, Slave};

#[test]
fn an_alarm_whose_line_dies_stays_and_says_that_it_does_not_know() {
    let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
    set(&slave, SOUR);
    let home = Home::new(&("[measurement_lost]\ndelay = \"0s\"\n\n".to_owned() + &site(&slave)));
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    drop(slave);
    check_not_measured(&wait_until_lost(&daemon));

    daemon.kill();
    let daemon = home.start();
    check_not_measured(&wait_until_lost(&daemon));
}

fn wait_until_lost(daemon: &Daemon) -> Value {
    daemon.wait_for("the reading to be lost", |status| {
        let lost = by_id(&status["alarms"], "h2s.concentration.lost");
        let reasons = &by_id(&status["signals"], "h2s.concentration")["reasons"];
        (lost["active"] == true && *reasons == json!(["communication_lost"])).then(|| status.clone())
    })
}

fn check_not_measured(status: &Value) {
    let signal = by_id(&status["signals"], "h2s.concentration");
    assert_eq!((&signal["value"], &signal["quality"]), (&Value::Null, &json!("bad")), "{signal:#}");
    let alarm = by_id(&status["alarms"], "h2s-high");
    assert_eq!((&alarm["state"], &alarm["active"]), (&json!("unacknowledged"), &Value::Null), "{alarm:#}");
}
