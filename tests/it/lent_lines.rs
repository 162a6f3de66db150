//! A line lent to somebody who works on it: its port is free, nothing of it is called measured, and it
//! comes back however the loan ends, with all of that in the journal.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use serde_json::{Value, json};
use siskin::config::LineSpec;
use siskin::modbus::plan::Block;
use siskin::modbus::{Reply, Visitor};
use siskin::signal::Table;

use crate::bench::{SOUR, set, site, wait_for_alarm};
use crate::home::{Daemon, Home, by_id};
use crate::scripted_slave::Slave;

/// A connection to the control socket.
struct Control(BufReader<UnixStream>);

impl Control {
    fn to(home: &Home) -> Control {
        Control(BufReader::new(UnixStream::connect(home.data().join("control.sock")).unwrap()))
    }

    fn ask(&mut self, request: &Value) -> Value {
        writeln!(self.0.get_mut(), "{request}").unwrap();
        let mut answer = String::new();
        self.0.read_line(&mut answer).unwrap();
        serde_json::from_str(&answer).unwrap_or_else(|error| panic!("{error}: {answer:?}"))
    }

    fn borrow(&mut self, seconds: u64) -> Value {
        let remark = "looking for the bad wire";
        self.ask(&json!({"ask": "lend_line", "line": "bench", "for_s": seconds, "name": "R. Vale", "remark": remark}))
    }
}

fn sour_site(slave: &Slave) -> Home {
    set(slave, SOUR);
    Home::new(&("[measurement_lost]\ndelay = \"0s\"\n\n".to_owned() + &site(slave)))
}

fn visit(slave: &Slave) -> Reply {
    let line = LineSpec {
        id: "bench".to_owned(),
        port: slave.port.clone(),
        response_timeout: Duration::from_millis(200),
        retries: 0,
        silence_max: Duration::from_secs(1),
    };
    let mut visitor = Visitor::open(&line).unwrap();
    visitor.ask(1, Block { table: Table::Input, start: 7, count: 1 }).unwrap().reply
}

fn wait_until_measured(daemon: &Daemon) {
    daemon.wait_for("the line to be back", |status| {
        let signal = by_id(&status["signals"], "h2s.concentration");
        let up = by_id(&status["lines"], "bench")["state"] == "up";
        (up && signal["quality"] == "good").then_some(())
    });
}

fn of_kind<'a>(journal: &'a [Value], kind: &str) -> Vec<&'a Value> {
    journal.iter().filter(|entry| entry["kind"] == kind).collect()
}

#[test]
fn a_lent_line_is_free_for_another_master_and_nothing_of_it_is_called_measured() {
    let slave = Slave::on_a_terminal(Vec::new(), 1);
    let home = sour_site(&slave);
    let daemon = home.start();
    wait_for_alarm(&daemon, &["unacknowledged"]);
    let mut control = Control::to(&home);
    let answer = control.borrow(600);
    assert_eq!(answer["answer"]["line"], "bench", "{answer}");
    assert_eq!(visit(&slave), Reply::Registers(vec![SOUR]));

    let status = daemon.wait_for("the line to be lent", |status| {
        (by_id(&status["lines"], "bench")["state"] == "lent").then(|| status.clone())
    });
    let cause = by_id(&status["lines"], "bench")["cause"].as_str().unwrap();
    assert!(cause.contains("R. Vale") && cause.contains("looking for the bad wire"), "{cause}");
    assert_eq!(by_id(&status["devices"], "h2s")["state"], "unknown");
    let signal = by_id(&status["signals"], "h2s.concentration");
    assert_eq!((&signal["value"], &signal["reasons"]), (&Value::Null, &json!(["line_lent"])));
    let alarm = by_id(&status["alarms"], "h2s-high");
    assert_eq!((&alarm["state"], &alarm["active"]), (&json!("unacknowledged"), &Value::Null));

    let other = Control::to(&home).borrow(5);
    assert_eq!(other["error"]["kind"], "lent", "{other}");
    assert!(other["error"]["message"].as_str().unwrap().contains("R. Vale"), "{other}");

    assert_eq!(control.ask(&json!({"ask": "return_line"})), json!({"answer": {"line": "bench"}}));
    wait_until_measured(&daemon);
    let again = control.ask(&json!({"ask": "return_line"}));
    assert_eq!(again["error"]["kind"], "bad_request", "{again}");

    let journal = daemon.wait_for_journal("the loan", |all| !of_kind(all, "line_returned").is_empty());
    let lent = of_kind(&journal, "line_lent")[0];
    assert_eq!((&lent["subject"], &lent["name"]), (&json!("bench"), &json!("R. Vale")));
    assert_eq!(lent["detail"]["remark"], "looking for the bad wire");
    assert_eq!(of_kind(&journal, "line_returned")[0]["name"], "R. Vale");
    assert_eq!(of_kind(&journal, "line_down").len(), 0, "a lent line is not down: {journal:#?}");
}

#[test]
fn a_borrower_who_dies_or_overstays_costs_the_line_no_longer_than_its_time() {
    let slave = Slave::on_a_terminal(Vec::new(), 1);
    let home = sour_site(&slave);
    let daemon = home.start();
    wait_until_measured(&daemon);
    let mut control = Control::to(&home);
    assert_eq!(control.borrow(600)["answer"]["line"], "bench");
    drop(control);
    wait_until_measured(&daemon);

    let mut control = Control::to(&home);
    assert_eq!(control.borrow(1)["answer"]["line"], "bench");
    assert_eq!(control.0.read(&mut [0; 1]).unwrap(), 0, "the end of the connection tells it");
    wait_until_measured(&daemon);
    let journal = daemon.wait_for_journal("both returns", |all| of_kind(all, "line_returned").len() == 2);
    let by: Vec<&Value> =
        of_kind(&journal, "line_returned").iter().map(|entry| &entry["detail"]["by"]).collect();
    assert_eq!(by, [&Value::Null, &json!("time")]);

    let unknown = Control::to(&home).ask(&json!({"ask": "lend_line", "line": "bnech", "for_s": 5}));
    assert_eq!(unknown["error"]["message"], "there is no line \"bnech\"; the lines are bench");
}
