//! The simulated building, as a user starts it: a site can be proven without its hardware, and the
//! demo shows what it promises and leaves nothing behind.

use std::io::{BufRead, BufReader, Lines, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Output, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::peer::Peer;

/// The longest that anything here may take; whoever waits longer has failed.
const PATIENCE: Duration = Duration::from_secs(60);

/// A site with both kinds of line; the addresses are those of documents and lead nowhere.
const SITE: &str = r#"
[site]
id = "bench"
time_zone = "UTC"
gas_day_start = "09:00"

[http]
listen = "127.0.0.1:0"

[[line]]
id = "east"
serial = "/dev/null"
baud = 19200

[[line]]
id = "annex"
tcp = "192.0.2.10:502"
framing = "tcp"

[[device]]
id = "a"
line = "east"
unit_id = 1
poll_every = "200ms"
signal = [
  { id = "gas", table = "input", address = 0, type = "f32", unit = "ppmv", range = [0, 20], valid_when = [{ signal = "flow", above = 0.5 }] },
  { id = "flow", table = "holding", address = 7, type = "u32", word_order = "low_first", scale = { from = [0, 1000], to = [0, 1] }, unit = "L/min", range = [0, 5] },
]

[[device]]
id = "b"
line = "annex"
unit_id = 2
poll_every = "200ms"
signal = [{ id = "healthy", table = "coil", address = 9, type = "bool" }]
"#;

/// A command that runs until it is told to stop, and what it says.
struct Running {
    child: Child,
    said: Lines<BufReader<ChildStdout>>,
}

impl Running {
    fn start(arguments: &[&str]) -> Running {
        let mut command = siskin(arguments);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::inherit()).spawn().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines();
        Running { child, said }
    }

    /// The next line that holds `words`; the command must not end before.
    fn says(&mut self, words: &str) -> String {
        let mut lines = self.said.by_ref().map(Result::unwrap);
        lines.find(|line| line.contains(words)).unwrap_or_else(|| panic!("it never said {words:?}"))
    }

    /// Ctrl-C; what it still says.
    fn interrupt(mut self) -> Vec<String> {
        let pid = Pid::from_child(&self.child);
        kill_process(pid, Signal::INT).unwrap();
        let rest = self.said.by_ref().map(Result::unwrap).collect();
        assert_eq!(self.child.wait().unwrap().code(), Some(0));
        rest
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn siskin(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_siskin"));
    command.args(arguments).stdin(Stdio::null()).env("SISKIN_LOG", "error");
    for variable in ["SISKIN_CONFIG", "SISKIN_DATA", "NOTIFY_SOCKET"] {
        command.env_remove(variable);
    }
    command
}

/// What the daemon that runs on this site file and data directory knows; `None` while it is not there.
fn status(config: &Path, data: &Path) -> Option<Value> {
    let paths = [config, data].map(|path| path.to_str().unwrap());
    let Output { stdout, .. } =
        siskin(&["status", "--json", "--config", paths[0], "--data", paths[1]]).output().unwrap();
    serde_json::from_slice(&stdout).ok()
}

/// Waits until so many signals are good.
fn wait_until_good(config: &Path, data: &Path, signals: usize) {
    let began = Instant::now();
    loop {
        let status = status(config, data);
        let known = status.iter().flat_map(|status| status["signals"].as_array().unwrap());
        if known.filter(|signal| signal["quality"] == "good").count() == signals {
            return;
        }
        assert!(began.elapsed() < PATIENCE, "waited in vain for {signals} good signals: {status:#?}");
    }
}

#[test]
fn a_site_can_be_proven_before_its_hardware_comes() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    let [original, twin, data] = ["site.toml", "twin.toml", "data"].map(path);
    std::fs::write(&original, SITE).unwrap();
    let arguments = [&original, &twin, &data].map(|path| path.to_str().unwrap());

    let mut simulation = Running::start(&["simulate", arguments[0], "--write-site", arguments[1]]);
    let command = simulation.says("siskin run");
    assert!(command.contains(arguments[1]), "{command}");
    let daemon = Running::start(&["run", "--config", arguments[1], "--data", arguments[2]]);
    wait_until_good(&twin, &data, 3);
    daemon.interrupt();

    let seen = simulation.interrupt().join("\n");
    assert_eq!(
        seen.matches(" 0 questions damaged, 0 before the line was silent, 0 to unknown").count(),
        2,
        "{seen}"
    );
    assert_eq!(seen.matches(" 0 that would have written").count(), 2, "{seen}");
}

#[test]
fn the_demo_shows_what_it_promises_and_leaves_nothing_behind() {
    let mut demo = Running::start(&["demo", "--http", "127.0.0.1:0"]);
    let page = demo.says("status page");
    let address = page.split("http://").nth(1).unwrap().trim_end_matches('/').to_owned();
    TcpStream::connect(&address).unwrap();
    let record = demo.says("record");
    let data = PathBuf::from(record.split_whitespace().nth(1).unwrap());

    let command = demo.says("try:");
    let command = command.split("try:").nth(1).unwrap();
    let tried = Command::new("sh").args(["-c", command]).output().unwrap();
    assert!(tried.status.success(), "{command}: {tried:?}");
    wait_until_good(&data.join("site.toml"), &data, 9);

    // As docs/integrator.md has it.
    let asked = "/api/v1/signals/h2s-1.concentration?unit=gr/100scf";
    let answer = answered(&address, asked);
    assert!(answer.contains("\"conversion\":{\"from\":\"ppmv\""), "{answer}");

    demo.interrupt();
    assert!(!data.exists(), "the record is removed at the end");
}

/// The whole answer to a question over HTTP.
fn answered(address: &str, path: &str) -> String {
    let mut connection = TcpStream::connect(address).unwrap();
    write!(connection, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    connection.read_to_string(&mut answer).unwrap();
    answer
}

/// What is to be seen in the picture: sour gas, after its alarm has come.
const SOUR: &str = r#"
[[step]]
lasts = "1h"
say = "Sour gas."
set = [
  { signal = "h2s-1.concentration", to = 7.5 },
  { signal = "ai-1.h2s-loop", follow = "h2s-1.concentration" },
]
"#;

/// How unlike the picture in the README may be to the page as it is now: other fonts, times and figures make
/// less than a fiftieth, a page that was rearranged more.
const UNLIKE_MAX: f64 = 0.05;

/// `SISKIN_BLESS=1` puts the new picture in place of the old one: look at it.
#[test]
fn the_picture_in_the_readme_is_of_the_page_as_it_is() {
    if !Path::new("/usr/bin/chromedriver").exists() {
        return crate::skip::skip("the picture", "no browser is installed; `tests/run` installs chromium");
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = std::fs::read_to_string(root.join("README.md")).unwrap();
    assert!(readme.contains("](docs/page.png)"), "the README shows it");
    let dir = tempfile::tempdir().unwrap();
    let [site, twin, story, data, new] =
        ["site.toml", "twin.toml", "story.toml", "data", "page.png"].map(|name| dir.path().join(name));
    let http = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let demo = include_str!("../../config/demo.toml").replace("127.0.0.1:8485", &http.to_string());
    let demo = demo.replace("[scada]\nlisten = \"127.0.0.1:1502\"\n", "").replace(" (demo)", "");
    std::fs::write(&site, demo).unwrap();
    std::fs::write(&story, SOUR).unwrap();
    let told = [&site, &twin, &story, &data].map(|path| path.to_str().unwrap());
    let mut simulation =
        Running::start(&["simulate", told[0], "--write-site", told[1], "--scenario", told[2]]);
    simulation.says("siskin run");
    let _daemon = Running::start(&["run", "--config", told[1], "--data", told[3]]);
    let began = Instant::now();
    let is_raised = |status: &Value| {
        let mut alarms = status["alarms"].as_array().unwrap().iter();
        alarms.any(|alarm| alarm["id"] == "h2s-high" && alarm["active"] == true)
            && status["summary"]["signals_bad"] == 0
            && status["summary"]["signals_uncertain"] == 0
    };
    while !status(&twin, &data).is_some_and(|status| is_raised(&status)) {
        assert!(began.elapsed() < PATIENCE, "waited in vain for the alarm: {:#?}", status(&twin, &data));
        std::thread::sleep(Duration::from_millis(200));
    }

    let old = root.join("docs/page.png");
    let url = format!("http://{http}/");
    let arguments = [url.as_str(), new.to_str().unwrap(), old.to_str().unwrap()];
    let Some(peer) = Peer::start("picture.py", &arguments) else { return };
    let seen = &peer.manifest;
    if std::env::var_os("SISKIN_BLESS").is_some() {
        std::fs::copy(&new, &old).unwrap();
    }
    assert!(old.exists(), "SISKIN_BLESS=1 makes docs/page.png");
    assert_eq!(
        (&seen["size"], &seen["old_size"]),
        (&serde_json::json!([1280, 900]), &seen["size"]),
        "{seen}"
    );
    assert!(seen["spread"].as_f64().unwrap() > 0.02, "a blank page: {seen}");
    assert!(
        seen["unlike"].as_f64().unwrap() < UNLIKE_MAX,
        "{seen}: SISKIN_BLESS=1, and look at docs/page.png"
    );
}
