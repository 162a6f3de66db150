//! The HTTP face, read by software that siskin did not write: an OpenMetrics parser, a fuzzer driven by
//! the OpenAPI description, and a browser with an accessibility checker.

use serde_json::{Value, json};

use crate::bench::{ALARM, CLEAN, SOUR, analyzer, line, set};
use crate::home::{Daemon, Home, by_id};
use crate::peer::Peer;
use crate::scripted_slave::{Framing, Slave};

/// One analyzer that answers and is above its limit, and one at a port that is not there.
struct Site {
    home: Home,
    slave: Slave,
}

impl Site {
    fn new() -> Site {
        let slave = Slave::on_tcp(Framing::Rtu, Vec::new(), 1);
        set(&slave, CLEAN);
        let spare = "[[line]]\nid = \"spare\"\nserial = \"/dev/siskin-no-such-port\"\n\n";
        let site =
            line("bench", &slave) + spare + &analyzer("h2s", "bench") + &analyzer("other", "spare") + ALARM;
        Site { home: Home::new(&site), slave }
    }

    /// Running, with the alarm raised.
    fn started(&self) -> Daemon {
        let daemon = self.home.start();
        set(&self.slave, SOUR);
        daemon.wait_for("the alarm and the line that is down", |status| {
            let is_down = by_id(&status["lines"], "spare")["state"] == "down";
            let is_raised = by_id(&status["alarms"], "h2s-high")["active"] == true;
            (is_down && is_raised).then_some(())
        });
        daemon
    }

    fn read(&self, work: &str) -> Option<Value> {
        let url = format!("http://{}", self.home.http());
        Peer::start("faces.py", &[work, &url]).map(|peer| peer.manifest.clone())
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().unwrap_or_else(|| panic!("no list: {value}"))
}

#[test]
fn an_openmetrics_parser_that_is_not_ours_reads_what_json_tells() {
    let site = Site::new();
    let daemon = site.started();
    let Some(told) = site.read("metrics") else { return };
    let status = daemon.json("/api/v1/status");
    let sample = |name: &str, label: &str, id: &str| {
        let found = list(&told["samples"]).iter().find(|sample| sample[0] == name && sample[1][label] == id);
        found.and_then(|sample| sample[2].as_f64())
    };
    for signal in list(&status["signals"]) {
        let id = signal["id"].as_str().unwrap();
        let value = sample("siskin_signal_value", "signal", id);
        assert_eq!(value, signal["value"].as_f64(), "{id}: what is not measured has no sample");
    }
    assert_eq!(sample("siskin_line_up", "line", "bench"), Some(1.0));
    assert_eq!(sample("siskin_line_up", "line", "spare"), Some(0.0));
    assert_eq!(sample("siskin_alarm_active", "alarm", "h2s-high"), Some(1.0));
    for family in list(&told["families"]) {
        let name = family["name"].as_str().unwrap();
        assert_ne!(family["help"], "", "{name} says what it is");
        let unit = family["unit"].as_str().unwrap();
        assert!(unit.is_empty() || name.ends_with(&format!("_{unit}")), "{name} ends with its unit");
        assert!(name.starts_with("siskin_"), "{name}");
    }
    let series = list(&told["samples"]).len();
    assert!(
        series < 40 * (list(&status["signals"]).len() + list(&status["alarms"]).len()),
        "{series} series"
    );
}

#[test]
fn questions_made_up_out_of_the_description_find_no_server_error_and_no_answer_that_breaks_it() {
    let site = Site::new();
    let _daemon = site.started();
    let Some(told) = site.read("fuzz") else { return };
    assert_eq!(told["faults"], json!([]));
    let answered = |path: &str, code: &str| told["paths"][path][code].as_u64().unwrap_or(0);
    for (path, code) in [
        ("/api/v1/status", "200"),
        ("/api/v1/signals/{id}", "200"),
        ("/api/v1/signals/{id}", "404"),
        ("/api/v1/signals/{id}/history", "200"),
        ("/api/v1/alarms/{id}", "200"),
        ("/api/v1/journal", "200"),
        ("/api/v1/performance", "200"),
        ("/metrics", "200"),
    ] {
        assert!(answered(path, code) > 0, "{path} never answered {code}: {told:#}");
    }
}

#[test]
fn every_page_fits_its_screen_loads_nothing_from_elsewhere_and_satisfies_an_accessibility_checker() {
    if !std::path::Path::new("/usr/bin/chromedriver").exists() {
        return crate::skip::skip("pages", "no browser is installed; `tests/run` installs chromium");
    }
    let site = Site::new();
    let _daemon = site.started();
    let Some(told) = site.read("page") else { return };
    assert!(list(&told).len() >= 11, "{told:#}");
    for page in list(&told) {
        assert_eq!(page["faults"], json!([]), "{page:#}");
        assert_eq!(page["from_elsewhere"], json!([]), "{page:#}");
        assert_eq!(page["stray_dots"], 0, "a row begins with a dot: {page:#}");
        assert!(page["wide"].as_u64() <= page["width"].as_u64(), "scrolls sideways: {page:#}");
        assert!(page["passes"].as_u64() > Some(10), "the checker looked at something: {page:#}");
    }
}

#[test]
fn more_windows_than_a_browser_opens_connections_all_come_and_all_renew_themselves() {
    if !std::path::Path::new("/usr/bin/chromedriver").exists() {
        return crate::skip::skip("windows", "no browser is installed; `tests/run` installs chromium");
    }
    let site = Site::new();
    let _daemon = site.started();
    let Some(told) = site.read("windows") else { return };
    assert_eq!((&told["windows"], &told["not_renewed"]), (&json!(8), &json!([])), "{told:#}");
}
