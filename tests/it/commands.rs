//! The commands as a user starts them, against a daemon as a supervisor starts it: exit codes, what is
//! said when it goes wrong, and an alarm's way from a dead line to the journal.

use std::io::{ErrorKind, Read};
use std::net::TcpListener;
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// How long anything here may take before the test fails instead of hanging.
const PATIENCE: Duration = Duration::from_secs(30);

/// A line to a port where nobody listens: its signal is never measured, and its *measurement lost*
/// alarm is raised.
pub const SITE: &str = r#"
[site]
id = "willow-bend"
name = "Willow Bend Interconnect"
time_zone = "America/Chicago"
gas_day_start = "09:00"

[http]
listen = "127.0.0.1:0"

[measurement_lost]
delay = "0s"

[[line]]
id = "annex"
tcp = "127.0.0.1:9"
framing = "tcp"

[[device]]
id = "h2s-1"
name = "Trace hydrogen sulfide"
line = "annex"
unit_id = 1
poll_every = "1s"

[[device.signal]]
id = "concentration"
tag = "AIT-1101"
table = "input"
address = 0
type = "f32"
unit = "ppmv"

[[alarm]]
id = "h2s-high"
name = "H2S above contract limit"
signal = "h2s-1.concentration"
kind = "high"
setpoint = 4.0
deadband = 0.2
on_delay = "0s"
off_delay = "0s"
latching = true
priority = "high"
action = "Confirm with a stain tube, then call gas control."
"#;

/// A directory with a site file, and the data directory beside it.
pub struct Place(TempDir);

impl Place {
    pub fn new() -> Place {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("site.toml"), SITE).unwrap();
        Place(dir)
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = siskin(args);
        command.env("SISKIN_CONFIG", self.file("site.toml")).env("SISKIN_DATA", self.file("data"));
        command
    }

    pub fn run(&self, args: &[&str]) -> Ran {
        Ran::from(self.command(args).output().unwrap())
    }

    /// Starts the daemon, and returns once it has told its supervisor that it is ready.
    pub fn start(&self) -> Daemon {
        self.start_supervised(|_| ()).0
    }

    /// As [`Place::start`], with whatever else the supervisor sets; and the supervisor's ear.
    pub fn start_supervised(&self, set: impl FnOnce(&mut Command)) -> (Daemon, UnixDatagram) {
        let notices = self.file("notices");
        let _ = std::fs::remove_file(&notices);
        let supervisor = UnixDatagram::bind(&notices).unwrap();
        supervisor.set_read_timeout(Some(PATIENCE)).unwrap();
        let log = std::fs::File::create(self.file("log")).unwrap();
        let mut command = self.command(&["run"]);
        set(command.env("NOTIFY_SOCKET", &notices).stderr(log));
        let daemon = Daemon { child: command.spawn().unwrap() };
        let log = || std::fs::read_to_string(self.file("log")).unwrap();
        assert_eq!(heard(&supervisor).unwrap_or_else(|error| panic!("{error}\n{}", log())), "READY=1\n");
        (daemon, supervisor)
    }
}

/// The next notice to the supervisor.
pub fn heard(supervisor: &UnixDatagram) -> std::io::Result<String> {
    let mut notice = [0; 128];
    loop {
        match supervisor.recv(&mut notice) {
            Ok(length) => return Ok(String::from_utf8(notice[..length].to_vec()).unwrap()),
            // Another test's child has ended: its signal comes to this thread as to any other.
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

fn siskin(args: &[&str]) -> Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("siskin"));
    command.args(args).stdin(Stdio::null());
    for variable in ["SISKIN_CONFIG", "SISKIN_DATA", "SISKIN_LOG", "NOTIFY_SOCKET", "NO_COLOR"] {
        command.env_remove(variable);
    }
    command
}

/// A running daemon, killed if the test fails before it is stopped.
pub struct Daemon {
    child: Child,
}

impl Daemon {
    pub fn signal(&self, signal: rustix::process::Signal) {
        let id = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(id, signal).unwrap();
    }

    /// Sends SIGTERM and waits for the end; the exit code.
    pub fn stop(mut self) -> Option<i32> {
        self.signal(rustix::process::Signal::TERM);
        until("the daemon has stopped", || self.child.try_wait().unwrap()).code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// How a command ended and what it said.
#[derive(Debug)]
pub struct Ran {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Ran {
        Ran {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

/// Asks again and again until there is an answer.
pub fn until<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(begun.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn a_command_line_that_cannot_be_understood_is_bad_input() {
    for args in [
        &["frobnicate"][..],
        &[],
        &["ack"],
        &["ack", "h2s-high", "--all"],
        &["reset", "--remark", "why"],
        &["reset", "h2s-high", "--group", "upset"],
        &["shelve", "h2s-high"],
        &["shelve", "h2s-high", "--for", "2"],
        &["shelve", "h2s-high", "--for", "2h", "--once"],
        &["shelve", "--all", "--once"],
        &["out-of-service", "h2s-high"],
        &["out-of-service", "--all", "--remark", "why"],
        &["journal", "--last", "0"],
        &["journal", "--last", "1001"],
        &["journal", "--last", "3", "--after", "3"],
    ] {
        let ran = Ran::from(siskin(args).output().unwrap());
        assert_eq!(ran.code, Some(2), "{args:?}: {ran:?}");
        assert_eq!(ran.out, "", "{args:?}");
    }
    assert_eq!(Ran::from(siskin(&["--help"]).output().unwrap()).code, Some(0));
}

#[test]
fn without_a_daemon_every_question_says_where_it_was_looked_for() {
    let place = Place::new();
    for args in [&["status"][..], &["alarms"], &["journal"], &["ack", "--all"], &["reset", "h2s-high"]] {
        let ran = place.run(args);
        assert_eq!(ran.code, Some(3), "{args:?}: {ran:?}");
        assert!(ran.err.contains("data/control.sock: is the daemon running?"), "{args:?}: {}", ran.err);
        assert_eq!(ran.out, "", "{args:?}");
    }
}

#[test]
fn a_site_file_that_is_missing_or_wrong_keeps_the_daemon_from_starting() {
    let place = Place::new();
    let missing = place.command(&["run", "--config", "/nonexistent/site.toml"]).output().unwrap();
    assert_eq!(missing.status.code(), Some(3));
    std::fs::write(place.file("site.toml"), SITE.replace("setpoint", "setpiont")).unwrap();
    let wrong = place.run(&["run"]);
    assert_eq!(wrong.code, Some(2), "{wrong:?}");
    assert!(wrong.err.contains("setpiont"), "{}", wrong.err);
    assert!(!place.file("data").exists(), "a daemon that cannot start leaves nothing behind");
}

#[test]
fn an_alarm_is_seen_acknowledged_and_found_in_the_journal_afterwards() {
    let place = Place::new();
    let daemon = place.start();
    let lost = until("the measurement is lost", || {
        let alarms: serde_json::Value = serde_json::from_str(&place.run(&["alarms", "--json"]).out).unwrap();
        let raised =
            alarms["alarms"].as_array().unwrap().iter().find(|alarm| alarm["state"] == "unacknowledged")?;
        Some(raised["id"].as_str().unwrap().to_owned())
    });

    let status = place.run(&["status"]);
    assert_eq!(status.code, Some(0), "{status:?}");
    for words in ["Willow Bend Interconnect", "Not known", "not measured", "annex", lost.as_str()] {
        assert!(status.out.contains(words), "{words:?} is not in\n{}", status.out);
    }

    let unknown = place.run(&["ack", "h2s-hihg"]);
    assert_eq!(unknown.code, Some(1), "{unknown:?}");
    assert!(unknown.out.contains("no such alarm; is h2s-high meant?"), "{unknown:?}");
    let early = place.run(&["reset", "h2s-high"]);
    assert_eq!((early.code, early.out.contains("nothing to reset")), (Some(1), true), "{early:?}");
    let bell = place.run(&["ack", "--all", "--remark", "ring\u{7}"]);
    assert_eq!(bell.code, Some(2), "{bell:?}");

    let acknowledged =
        place.run(&["ack", &lost, "--name", "night shift", "--remark", "line is being worked on"]);
    assert_eq!(acknowledged.code, Some(0), "{acknowledged:?}");
    let again = place.run(&["ack", &lost]);
    assert_eq!((again.code, again.out.contains("nothing to acknowledge")), (Some(1), true), "{again:?}");

    let running = place.run(&["journal", "--last", "100"]);
    assert_eq!((running.code, running.err.as_str()), (Some(0), ""), "{running:?}");
    assert!(running.out.contains("by night shift ("), "{}", running.out);
    let events = place.run(&["journal", "--last", "100", "--json"]).out;
    let mut events = events.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let event = events.find(|event| event["kind"] == "alarm_acknowledged").unwrap();
    assert_eq!(
        (event["subject"].as_str(), event["name"].as_str()),
        (Some(lost.as_str()), Some("night shift"))
    );
    assert_eq!(event["detail"]["remark"], "line is being worked on");

    assert_eq!(daemon.stop(), Some(0));
    assert!(!place.file("data/control.sock").exists());
    let stopped = place.run(&["journal", "--last", "100"]);
    assert_eq!(stopped.code, Some(0), "{stopped:?}");
    assert!(stopped.err.contains("is the daemon running?") && stopped.err.contains("journal.db instead"));
    assert!(stopped.out.starts_with(&running.out), "{}\n---\n{}", running.out, stopped.out);
    assert!(stopped.out.trim_end().ends_with("stopped: willow-bend"), "{}", stopped.out);
}

#[test]
fn a_second_daemon_on_the_same_data_directory_is_refused() {
    let place = Place::new();
    let first = place.start();
    let second = place.run(&["run"]);
    assert_eq!(second.code, Some(3), "{second:?}");
    assert!(second.err.contains("another siskin is recording here"), "{second:?}");
    assert_eq!(place.run(&["status"]).code, Some(0), "the first one lives on");
    assert_eq!(first.stop(), Some(0));
}

#[test]
fn a_port_that_is_taken_keeps_the_daemon_from_starting() {
    let place = Place::new();
    let other = TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = other.local_addr().unwrap().to_string();
    std::fs::write(place.file("site.toml"), SITE.replace("127.0.0.1:0", &taken)).unwrap();
    let ran = place.run(&["run"]);
    assert_eq!(ran.code, Some(3), "{ran:?}");
    assert!(ran.err.contains(&taken) && ran.err.contains("another program holds this port"), "{ran:?}");
    let verified = place.run(&["verify"]);
    assert_eq!(verified.code, Some(0), "what had been opened was closed in good order: {verified:?}");
    assert!(place.run(&["journal"]).out.trim_end().ends_with("stopped: willow-bend"));
}

#[test]
fn a_daemon_that_was_killed_leaves_nothing_that_keeps_the_next_from_starting() {
    let place = Place::new();
    drop(place.start());
    assert!(place.file("data/control.sock").exists(), "killed, it had no time to tidy up");
    assert_eq!(place.run(&["status"]).code, Some(3));
    let next = place.start();
    assert_eq!(place.run(&["status"]).code, Some(0));
    assert_eq!(next.stop(), Some(0));
}

#[test]
fn a_reader_that_goes_away_ends_a_command_quietly() {
    let place = Place::new();
    let daemon = place.start();
    let mut journal = place
        .command(&["journal", "--follow"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0; 1];
    journal.stdout.take().unwrap().read_exact(&mut first).unwrap();
    // The pipe is closed now; the next event finds that out.
    until("the command has ended", || {
        place.run(&["ack", "--all"]);
        journal.try_wait().unwrap()
    });
    let ran = Ran::from(journal.wait_with_output().unwrap());
    assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn the_watchdog_is_fed_again_and_again_and_the_stop_is_told() {
    let place = Place::new();
    let (daemon, supervisor) = place.start_supervised(|run| {
        run.env("WATCHDOG_USEC", "50000");
    });
    for _ in 0..3 {
        assert_eq!(heard(&supervisor).unwrap(), "WATCHDOG=1\n");
    }
    daemon.signal(rustix::process::Signal::TERM);
    until("the stop is told", || (heard(&supervisor).unwrap() == "STOPPING=1\n").then_some(()));
    assert_eq!(daemon.stop(), Some(0));
}
