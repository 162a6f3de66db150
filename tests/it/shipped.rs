//! The record shipped into a real PostgreSQL server: every event and every sample is there once, whoever is
//! killed in between, the site after years of its own time, many sites beside one another.
//!
//! The server is Debian's, begun anew for the test in a directory of its own, on a socket alone.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use siskin::config::Site;
use siskin::history::{Record, open};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::EventKind;
use siskin::signal::{Reason, Reasons, Sample, SignalIndex, Value};

use crate::record;
use crate::record_samples::site_with_signals;
use crate::scripted_slave::Random;
use crate::skip::skip;

/// A server that is not up by then is not coming.
const PATIENCE: Duration = Duration::from_secs(60);

/// A PostgreSQL server of the test's own. It ends with it.
struct Postgres {
    dir: tempfile::TempDir,
    bin: PathBuf,
    server: Child,
}

impl Postgres {
    /// `None` where there is no PostgreSQL.
    fn start() -> Option<Postgres> {
        let versions = std::fs::read_dir("/usr/lib/postgresql").ok()?;
        let mut bins: Vec<PathBuf> = versions.map(|version| version.unwrap().path().join("bin")).collect();
        bins.sort();
        let bin = bins.into_iter().rfind(|bin| bin.join("initdb").exists())?;
        let dir = tempfile::tempdir().unwrap();
        if rustix::process::geteuid().is_root() {
            // It refuses to run as root; its package has made a user for it.
            let given = Command::new("chown").arg("postgres").arg(dir.path()).status().unwrap();
            assert!(given.success());
        }
        let data = dir.path().join("data");
        let mut initdb = unprivileged(&bin.join("initdb"));
        initdb.args([
            "--no-sync",
            "--auth=trust",
            "--username=siskin",
            "--encoding=UTF8",
            "--locale=C",
            "-D",
        ]);
        let made = initdb.arg(&data).output().unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let mut server = unprivileged(&bin.join("postgres"));
        server.arg("-D").arg(&data).arg("-k").arg(dir.path()).args(["-c", "listen_addresses="]);
        let server = server.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let postgres = Postgres { dir, bin, server };
        let began = Instant::now();
        while !postgres.psql("SELECT 1").status.success() {
            assert!(began.elapsed() < PATIENCE, "the server does not come up");
            std::thread::sleep(Duration::from_millis(50));
        }
        Some(postgres)
    }

    fn psql(&self, sql: &str) -> Output {
        let mut psql = Command::new(self.bin.join("psql"));
        psql.args(["-XAtq", "-U", "siskin", "-d", "postgres", "-h"]).arg(self.dir.path());
        psql.args(["-c", sql]).output().unwrap()
    }

    fn ask(&self, sql: &str) -> String {
        let answer = self.psql(sql);
        assert!(answer.status.success(), "{sql}: {}", String::from_utf8_lossy(&answer.stderr));
        String::from_utf8(answer.stdout).unwrap().trim_end().to_owned()
    }

    fn address(&self) -> String {
        format!("host={} user=siskin dbname=postgres", self.dir.path().display())
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        // The immediate end, of the server and of all that it has started.
        let pid_file =
            std::fs::read_to_string(self.dir.path().join("data/postmaster.pid")).unwrap_or_default();
        if let Some(pid) = pid_file.lines().next().and_then(|pid| pid.parse().ok()) {
            let pid = rustix::process::Pid::from_raw(pid).unwrap();
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::QUIT);
        }
        let _ = self.server.wait();
    }
}

/// A program run by somebody who is not root.
fn unprivileged(program: &Path) -> Command {
    if !rustix::process::geteuid().is_root() {
        return Command::new(program);
    }
    let mut command = Command::new("runuser");
    command.args(["-u", "postgres", "--"]).arg(program);
    command.current_dir("/");
    command
}

/// A site whose time runs as the test wants it.
struct Shipper {
    dir: tempfile::TempDir,
    id: String,
    second: Arc<AtomicU64>,
    record: Option<Record>,
}

impl Shipper {
    fn new(id: &str) -> Shipper {
        let dir = tempfile::tempdir().unwrap();
        let line = "[[line]]\nid = \"bench\"\ntcp = \"127.0.0.1:1\"\nframing = \"rtu\"\n";
        let signals =
            [("h2s-1", "concentration", "f32"), ("h2o-1", "dew_point", "f32"), ("door", "open", "bool")];
        let devices = (1..).zip(signals).map(|(unit_id, (device, signal, value_type))| {
            let table = if value_type == "bool" { "discrete" } else { "input" };
            format!(
                "[[device]]\nid = \"{device}\"\nline = \"bench\"\nunit_id = {unit_id}\npoll_every = \"1s\"\n\
                 [[device.signal]]\nid = \"{signal}\"\ntable = \"{table}\"\naddress = 0\ntype = \"{value_type}\"\n"
            )
        });
        let toml = format!("[site]\nid = \"{id}\"\n\n{line}{}", devices.collect::<String>());
        std::fs::write(dir.path().join("site.toml"), toml).unwrap();
        let mut site = Shipper { dir, id: id.to_owned(), second: Arc::default(), record: None };
        site.open();
        site
    }

    fn open(&mut self) {
        let second = Arc::clone(&self.second);
        let clock: Clock = Arc::new(move || at(second.load(Ordering::Relaxed)));
        let site = Site { id: self.id.clone(), ..site_with_signals() };
        self.record = Some(open(&self.dir.path().join("data"), &site, clock).unwrap());
    }

    /// Records some minutes from a second of its time on, with an event every ten seconds.
    fn record(&self, from: u64, minutes: u64) {
        let recorder = &self.record.as_ref().unwrap().recorder;
        self.second.store(from, Ordering::Relaxed);
        for second in from..from + 60 * minutes {
            recorder.samples((0..3).map(|signal| (SignalIndex(signal), sample(signal, second))).collect());
            if second.is_multiple_of(10) {
                drop(recorder.events(vec![record::event(EventKind::DeviceLost, second)]));
            }
        }
        self.second.store(from + 60 * minutes + 70, Ordering::Relaxed);
        // An event has the recorder look at the time.
        recorder.events(vec![record::event(EventKind::AlarmRaised, from)]).blocking_recv().unwrap().unwrap();
        let began = Instant::now();
        while recorder.status().samples_queued > 0 {
            assert!(began.elapsed() < PATIENCE, "the samples are not written");
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    fn siskin(&self, arguments: &[&str]) -> Command {
        let mut siskin = Command::new(env!("CARGO_BIN_EXE_siskin"));
        siskin.args(arguments).arg("--config").arg(self.dir.path().join("site.toml"));
        siskin.arg("--data").arg(self.dir.path().join("data")).stdin(Stdio::null());
        siskin
    }

    fn ship(&self, to: &Postgres) -> serde_json::Value {
        let shipped = self.siskin(&["ship", "--json", "--to", &to.address()]).output().unwrap();
        assert!(shipped.status.success(), "{}", String::from_utf8_lossy(&shipped.stderr));
        serde_json::from_slice(&shipped.stdout).unwrap()
    }

    /// Holds the copy to the record, as `siskin export` tells that.
    fn check(&self, there: &Postgres) {
        let export = |arguments: &[&str]| {
            let exported = self.siskin(arguments).output().unwrap();
            assert!(exported.status.success());
            String::from_utf8(exported.stdout).unwrap()
        };
        let lines = export(&["export", "--format", "jsonl"]);
        let expected = lines.lines().map(|line| {
            let sample: serde_json::Value = serde_json::from_str(line).unwrap();
            let value = &sample["value"];
            let number = value.as_f64().map(|number| format!("{:016x}", number.to_bits()));
            let state = value.as_bool().map(|state| (if state { "t" } else { "f" }).to_owned());
            let value = number.or(state).unwrap_or_default();
            let words: Vec<&str> =
                sample["reasons"].as_array().unwrap().iter().map(|word| word.as_str().unwrap()).collect();
            format!(
                "{} {} {value} {} {}",
                sample["signal"].as_str().unwrap(),
                sample["time"].as_str().unwrap(),
                sample["quality"].as_str().unwrap(),
                words.join(",")
            )
        });
        let copied = there.ask(&format!(
            "SELECT concat_ws(' ', signal, to_char(time AT TIME ZONE 'UTC', 'YYYY-MM-DD\"T\"HH24:MI:SS.MS\"Z\"'),
                 coalesce(encode(float8send(value), 'hex'), left(state::text, 1), ''), quality,
                 replace(reasons, ' ', ','))
             FROM siskin.samples WHERE site = '{}'",
            self.id
        ));
        assert_eq!(counted(copied.lines().map(str::to_owned)), counted(expected), "samples");
        let journal = export(&["journal", "--export"]);
        let expected = journal.lines().filter(|line| line.starts_with("{\"entry\"")).map(str::to_owned);
        let copied = there.ask(&format!(
            "SELECT '{{\"entry\":' || text || ',\"hash\":\"' || hash || '\"}}' FROM siskin.events
             WHERE site = '{}' ORDER BY seq",
            self.id
        ));
        assert!(copied.lines().map(str::to_owned).eq(expected), "events");
    }
}

/// How often each line is there, whatever blanks end it.
fn counted(lines: impl Iterator<Item = String>) -> BTreeMap<String, u32> {
    let mut counted = BTreeMap::new();
    lines.for_each(|line| *counted.entry(line.trim_end().to_owned()).or_insert(0) += 1);
    counted
}

fn at(second: u64) -> Moment {
    let mono = Mono::from_millis(1_000 * second);
    let begins: Wall = "2026-03-02T00:00:30Z".parse().unwrap();
    Moment { mono, wall: begins + mono.since_start() }
}

fn sample(signal: usize, second: u64) -> Sample {
    let value = match (signal, second % 97) {
        (_, 5..9) => return Sample::absent(Reason::CommunicationLost, at(second)),
        (0, _) => Value::Number((7 * second % 300) as f64 / 10.0),
        (1, _) => Value::Flag(second % 90 < 10),
        (_, 50) => Value::Number(-0.0),
        (_, 51) => Value::Number(f64::MAX),
        _ => Value::Number(f64::from((second as f32).sqrt())),
    };
    let reasons = if second.is_multiple_of(11) { Reasons::one(Reason::Settling) } else { Reasons::NONE };
    Sample::new(Some(value), reasons, at(second))
}

#[test]
fn everything_is_there_once_whoever_is_killed_in_between() {
    let Some(postgres) = Postgres::start() else {
        return skip("shipping to PostgreSQL", "there is none");
    };
    let (mut near, far) = (Shipper::new("willow-bend"), Shipper::new("cotton-wood"));
    far.record(600, 3);
    let began = Instant::now();
    far.ship(&postgres);
    let took = began.elapsed();
    far.check(&postgres);

    // Hours without a server, then all at once, and the shipper is killed again and again meanwhile.
    near.record(0, 90);
    let mut random = Random(0x5419);
    let mut killed = 0;
    for _ in 0..12 {
        let mut ship = near.siskin(&["ship", "--to", &postgres.address()]);
        let mut ship = ship.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        std::thread::sleep(random.duration_below(2 * took));
        killed += u32::from(ship.try_wait().unwrap().is_none());
        ship.kill().unwrap();
        ship.wait().unwrap();
    }
    assert!(killed > 0, "it was never in the middle of anything");
    near.ship(&postgres);
    near.check(&postgres);
    let again = near.ship(&postgres);
    assert_eq!(
        (&again["events"], &again["samples"]),
        (&0.into(), &0.into()),
        "there is nothing more to ship"
    );

    // Two who ship the same at once do it once, and the other site is as it was.
    near.record(90 * 60, 3);
    let mut both = [(), ()]
        .map(|()| near.siskin(&["ship", "--to", &postgres.address()]).stdout(Stdio::null()).spawn().unwrap());
    assert!(both.iter_mut().all(|ship| ship.wait().unwrap().success()));
    near.check(&postgres);
    far.check(&postgres);

    // The clock is set back: minutes that were shipped are written again, and so shipped again.
    near.record(1_200, 2);
    let again = near.ship(&postgres);
    assert!(again["samples"].as_u64().unwrap() >= 2 * 2 * 3 * 60, "{again}");
    near.check(&postgres);

    // A history begun anew is another source, and takes nothing of the old one away.
    near.record.take().unwrap().recorder.close();
    let before = postgres.ask("SELECT count(*) FROM siskin.samples WHERE site = 'willow-bend'");
    std::fs::remove_file(near.dir.path().join("data/history.db")).unwrap();
    near.open();
    near.record(1_260, 2);
    near.ship(&postgres);
    let after = postgres.ask("SELECT count(*) FROM siskin.samples WHERE site = 'willow-bend'");
    assert_eq!(after.parse::<u64>().unwrap(), before.parse::<u64>().unwrap() + 2 * 60 * 3);
}

#[test]
fn what_cannot_be_reached_or_done_is_told_with_what_to_do() {
    let site = Shipper::new("willow-bend");
    let told = |arguments: &[&str]| {
        let ended = site.siskin(arguments).output().unwrap();
        (ended.status.code(), String::from_utf8_lossy(&ended.stderr).into_owned())
    };
    let (code, said) = told(&["ship", "--to", "host=/no/such/place user=siskin"]);
    assert!(
        code == Some(3) && said.contains("/no/such/place") && said.contains("cannot be reached"),
        "{said}"
    );
    let (code, said) = told(&["ship", "--to", "host=/tmp password=secret"]);
    assert!(code == Some(2) && said.contains("--password-file"), "{said}");
    assert_eq!(told(&["ship"]).0, Some(2));
    let schema = site.siskin(&["ship", "--schema"]).output().unwrap();
    assert!(String::from_utf8_lossy(&schema.stdout).contains("CREATE TABLE IF NOT EXISTS siskin.sample"));
    let Some(postgres) = Postgres::start() else {
        return skip("a server that lets nobody make tables", "there is no PostgreSQL");
    };
    postgres.ask("CREATE ROLE guest LOGIN; REVOKE CREATE ON DATABASE postgres FROM PUBLIC");
    let guest = postgres.address().replace("user=siskin", "user=guest");
    let (code, said) = told(&["ship", "--to", &guest]);
    assert!(code == Some(3) && said.contains("siskin ship --schema"), "{said}");
}
