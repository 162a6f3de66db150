//! Reports of days on which the clocks change, every figure of them computed again by a Python program
//! that shares nothing with siskin but the raw export.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use serde_json::Value as Json;
use siskin::config::{self, Site, Sources};
use siskin::daemon::monitor_plan;
use siskin::history::{Record, open};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::monitor::{Detail, Event, EventKind, Input, Plan, State, Who, step};
use siskin::signal::{Reason, Reasons, Sample, SignalIndex, Value};
use siskin::simulate::Random;

use crate::skip::skip;

/// A read takes this long to come round.
const POLL_MS: u64 = 20_000;
/// The most samples that wait for the disk before time goes on.
const WAITING_MAX: usize = 4_000;

/// A site with a limit on either side, averages over hours and gas days, a bit and named codes.
const SITE: &str = r#"
[site]
id = "willow-bend"
name = "Willow Bend Interconnect"
time_zone = "America/Chicago"
gas_day_start = "09:00"

[[line]]
id = "east"
tcp = "192.0.2.10:4001"
framing = "tcp"

[[device]]
id = "h2s-1"
line = "east"
unit_id = 1
poll_every = "20s"

[[device.signal]]
id = "concentration"
tag = "AIT-1101"
table = "input"
address = 0
type = "u16"
scale = { from = [0, 10], to = [0, 1] }
unit = "ppmv"
range = [0.0, 20.0]

[[device.signal]]
id = "calibrating"
table = "discrete"
address = 3
type = "bool"
states = { false = "measuring", true = "calibrating" }

[[device.signal]]
id = "stream"
table = "input"
address = 5
type = "u16"
states = { 1 = "line gas", 2 = "zero gas", 3 = "span gas" }

[[device]]
id = "h2o-1"
line = "east"
unit_id = 2
poll_every = "20s"
stale_after = "50s"

[[device.signal]]
id = "dew_point"
table = "input"
address = 0
type = "f32"
unit = "°C"

[[alarm]]
id = "h2s-high"
name = "H2S above contract limit"
signal = "h2s-1.concentration"
kind = "high"
setpoint = 4.0
deadband = 0.2
on_delay = "30s"
off_delay = "60s"
priority = "high"

[[alarm]]
id = "h2s-hour"
name = "H2S above limit by the hour"
signal = "h2s-1.concentration"
kind = "average_high"
setpoint = 3.0
over = "clock_hour"
coverage_min = 0.9

[[alarm]]
id = "h2s-day"
name = "H2S above limit by the gas day"
signal = "h2s-1.concentration"
kind = "average_high"
setpoint = 1.9
over = "gas_day"

[[alarm]]
id = "dew-point-low"
name = "Dew point implausibly low"
signal = "h2o-1.dew_point"
kind = "low"
setpoint = -14.0
deadband = 0.5
"#;

const H2S: SignalIndex = SignalIndex(0);
const CALIBRATING: SignalIndex = SignalIndex(1);
const STREAM: SignalIndex = SignalIndex(2);
const DEW_POINT: SignalIndex = SignalIndex(3);

struct Text(String);

impl Sources for Text {
    fn read(&self, _path: &Path) -> std::io::Result<String> {
        Ok(self.0.clone())
    }
}

/// A site file and a record of days gone by.
struct Past {
    dir: tempfile::TempDir,
}

impl Past {
    fn siskin(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_siskin"));
        command.args(arguments).arg("--config").arg(self.site_file()).arg("--data").arg(self.dir.path());
        command.stdin(Stdio::null()).output().unwrap()
    }

    fn told(&self, arguments: &[&str]) -> String {
        let output = self.siskin(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn site_file(&self) -> PathBuf {
        self.dir.path().join("site.toml")
    }

    /// Writes what a command tells to a file.
    fn file(&self, name: &str, arguments: &[&str]) -> PathBuf {
        let path = self.dir.path().join(name);
        std::fs::write(&path, self.told(arguments)).unwrap();
        path
    }
}

/// The core on made-up samples, and the record of what comes of it.
struct Life {
    site: Site,
    plan: Plan,
    state: State,
    record: Record,
    /// Milliseconds since 1970.
    now_ms: Arc<AtomicU64>,
    began_ms: u64,
    random: Random,
    acknowledge_ms: Option<u64>,
}

impl Life {
    fn begin(dir: &Path, site: &str, from: &str) -> Life {
        let text = Text(site.to_owned());
        let site =
            config::load(Path::new("site.toml"), &text).map_err(|problems| problems.to_string()).unwrap();
        let from: Wall = from.parse().unwrap();
        let began_ms = u64::try_from(from.as_millisecond()).unwrap();
        let now_ms = Arc::new(AtomicU64::new(began_ms));
        let clock_ms = Arc::clone(&now_ms);
        let clock: Clock = Arc::new(move || moment(began_ms, clock_ms.load(Ordering::Relaxed)));
        let record = open(dir, &site, clock).unwrap();
        let plan = monitor_plan(&site);
        let state = State::for_replay(&plan, moment(began_ms, began_ms));
        Life { site, plan, state, record, now_ms, began_ms, random: Random::new(11), acknowledge_ms: None }
    }

    fn now(&self) -> Moment {
        moment(self.began_ms, self.now_ms.load(Ordering::Relaxed))
    }

    fn tell(&self, kind: EventKind, subject: &str, who: Option<&str>, detail: &[(&'static str, &str)]) {
        let who = who.map(|name| Who { user: "operator".to_owned(), name: Some(name.to_owned()) });
        let detail = detail.iter().map(|(name, text)| (*name, Detail::Text((*text).to_owned())));
        let detail: BTreeMap<&str, Detail> = detail.collect();
        let event = Event { at: self.now(), kind, subject: subject.to_owned(), who, detail };
        drop(self.record.recorder.events(vec![event]));
    }

    fn start(&mut self) {
        let sha256 = self.site.sha256.clone();
        self.tell(EventKind::Started, "willow-bend", None, &[("site_sha256", &sha256)]);
        let now = self.now();
        step(&self.plan, &mut self.state, Input::Interrupted, now);
    }

    /// Nothing lives meanwhile.
    fn pass_to(&mut self, to: &str) {
        let to: Wall = to.parse().unwrap();
        self.now_ms.store(u64::try_from(to.as_millisecond()).unwrap(), Ordering::Relaxed);
    }

    fn below(&mut self, limit: u64) -> f64 {
        f64::from(u32::try_from(self.random.bits() % limit).unwrap())
    }

    /// Lives through the time up to another, poll by poll.
    fn until(&mut self, to: &str) {
        let to: Wall = to.parse().unwrap();
        let to_ms = u64::try_from(to.as_millisecond()).unwrap();
        let mut poll = 0_u64;
        let mut skipped = 0;
        loop {
            let at_ms = self.now_ms.load(Ordering::Relaxed) / POLL_MS * POLL_MS + POLL_MS;
            if at_ms >= to_ms {
                self.now_ms.store(to_ms, Ordering::Relaxed);
                return;
            }
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below 400")]
            let jitter = self.below(400) as u64;
            self.now_ms.store(at_ms + jitter, Ordering::Relaxed);
            (poll, skipped) = (poll + 1, if self.below(700) == 0.0 { 9 } else { skipped.max(1) - 1 });
            if skipped == 0 {
                self.poll(poll);
            }
            if self.acknowledge_ms.is_some_and(|due| due <= at_ms) {
                self.acknowledge_ms = None;
                self.tell(
                    EventKind::AlarmAcknowledged,
                    "h2s-high",
                    Some("R. Vale"),
                    &[("remark", "stain tube")],
                );
            }
            while self.record.recorder.status().samples_queued > WAITING_MAX {
                std::thread::yield_now();
            }
        }
    }

    fn poll(&mut self, poll: u64) {
        let now = self.now();
        let seconds = f64::from(u32::try_from(now.wall.as_second() % 1_000_000).unwrap());
        let good = |value| Sample::new(Some(value), Reasons::NONE, now);
        let noise = self.below(1_000) / 1_000.0 - 0.5;
        let tenths = ((2.0 + 1.9 * (seconds / 9_000.0).sin() + 0.8 * noise) * 10.0).round() / 10.0;
        let hour = now.wall.to_string();
        let in_check = hour.contains("T17:") && hour.as_str()[14..16] < *"20";
        let settling = hour.contains("T17:2");
        let h2s = match () {
            () if in_check => Sample::absent(Reason::FunctionCheck, now),
            () if settling => Sample::new(Some(Value::Number(9.5)), Reasons::one(Reason::Settling), now),
            () if hour.contains("T03:14") => {
                Sample::new(Some(Value::Number(21.5)), Reasons::one(Reason::AboveRange), now)
            }
            () => good(Value::Number(tenths)),
        };
        let mut samples = vec![
            (H2S, h2s),
            (CALIBRATING, good(Value::Flag(in_check))),
            (
                STREAM,
                good(Value::Number(if in_check { 2.0 + f64::from(u8::from(poll % 7 > 3)) } else { 1.0 })),
            ),
        ];
        // Three hours without an answer, told by one sample.
        let lost = (5..8).any(|lost| hour.contains(&format!("T{lost:02}:")));
        if !lost {
            #[expect(clippy::cast_possible_truncation, reason = "a device sends a binary32")]
            let dew_point = (-12.0 + 3.0 * (seconds / 5_000.0).cos() + 0.3 * noise) as f32;
            samples.push((DEW_POINT, good(Value::Number(f64::from(dew_point)))));
        } else if hour.contains("T05:00:") && hour.as_str()[17..19] < *"20" {
            samples.push((DEW_POINT, Sample::absent(Reason::CommunicationLost, now)));
        }
        self.record.recorder.samples(samples.clone());
        let events = step(&self.plan, &mut self.state, Input::Recorded(samples), now).events;
        if events.iter().any(|event| event.kind == EventKind::AlarmRaised && event.subject == "h2s-high") {
            self.acknowledge_ms = Some(self.now_ms.load(Ordering::Relaxed) + 300_000);
        }
        if !events.is_empty() {
            drop(self.record.recorder.events(events));
        }
    }

    fn end(self) {
        while self.record.recorder.status().samples_queued > 0 {
            self.now_ms.fetch_add(1_000, Ordering::Relaxed);
            std::thread::yield_now();
        }
        self.record.recorder.close();
    }
}

fn moment(began_ms: u64, at_ms: u64) -> Moment {
    let wall = Wall::from_millisecond(i64::try_from(at_ms).unwrap()).unwrap();
    Moment { mono: Mono::new(Duration::from_millis(at_ms - began_ms)), wall }
}

/// The gas days about both changes of the clocks; a stop, a cut in the midst of a loss, function checks.
fn past() -> Past {
    let past = Past { dir: tempfile::tempdir().unwrap() };
    std::fs::write(past.site_file(), SITE).unwrap();
    // In spring, a dew point counts for longer.
    let in_spring = SITE.replace("stale_after = \"50s\"", "stale_after = \"90s\"");
    let mut life = Life::begin(past.dir.path(), &in_spring, "2024-03-09T13:10:00Z");
    life.start();
    life.until("2024-03-10T01:30:00Z");
    life.tell(EventKind::AlarmShelved, "h2s-day", Some("R. Vale"), &[("remark", "filter, \"changed\"")]);
    life.tell(EventKind::FunctionCheckBegun, "h2s-1", Some("R. Vale"), &[("purpose", "calibration")]);
    life.tell(EventKind::FunctionCheckEnded, "h2s-1", None, &[("by", "deadline")]);
    life.tell(EventKind::Stopped, "willow-bend", None, &[]);
    life.pass_to("2024-03-10T02:45:30Z");
    life.start();
    // Cut off while the dew point was lost, of which one sample tells.
    life.until("2024-03-10T06:20:00Z");
    life.pass_to("2024-03-10T07:00:10Z");
    life.start();
    life.until("2024-03-11T16:00:00Z");
    life.tell(EventKind::Stopped, "willow-bend", None, &[]);
    life.end();
    let mut life = Life::begin(past.dir.path(), SITE, "2024-11-02T10:00:00Z");
    life.start();
    life.until("2024-11-04T03:00:00Z");
    life.end();
    past
}

fn json(past: &Past, arguments: &[&str]) -> Json {
    serde_json::from_str(&past.told(&[&["report", "--json"], arguments].concat())).unwrap()
}

#[test]
fn a_program_of_other_make_computes_the_same_figures() {
    let past = past();
    let samples = past.file("samples.csv", &["export"]);
    let journal = past.file("journal.jsonl", &["journal", "--export"]);
    let checker = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/check_report.py");
    let times: [(&[&str], &[&str]); 4] = [
        (&["--day", "2024-03-09"], &["--day", "2024-03-09"]),
        (&["--day", "2024-11-02"], &["--day", "2024-11-02"]),
        (&["--month", "2024-03"], &["--month", "2024-03"]),
        (&["--from", "2024-11-02T10:17", "--to", "2024-11-03T20:41:07.500"], &["--between"]),
    ];
    for (asked, how) in times {
        let report = past.file("report.json", &[&["report", "--json"], asked].concat());
        let mut python = Command::new("python3");
        python.arg(&checker).args([&report, &samples, &journal, &past.site_file()]).args(how);
        let Ok(checked) = python.output() else { return skip("reports", "there is no python3") };
        let (told, why) =
            (String::from_utf8_lossy(&checked.stdout), String::from_utf8_lossy(&checked.stderr));
        if why.contains("ZoneInfoNotFoundError") {
            return skip("reports", "python3 knows no time zones");
        }
        assert!(checked.status.success(), "{asked:?}: {told}{why}");
        let figures: usize = told.split(' ').next().unwrap().parse().unwrap();
        assert!(figures > 800, "{asked:?}: only {told}");
        if how[0] != "--between" {
            continue;
        }
        // A checker that never finds anything proves nothing.
        let spoilt = std::fs::read_to_string(&report).unwrap().replacen("\"beyond_s\":", "\"beyond_s\":1", 1);
        std::fs::write(&report, spoilt).unwrap();
        let checked = python.output().unwrap();
        assert_eq!(checked.status.code(), Some(1), "{}", String::from_utf8_lossy(&checked.stdout));
    }
    the_days_are_as_long_as_the_clocks_make_them(&past);
    every_form_tells_the_same(&past);
    a_journal_that_was_changed_is_told_of(&past);
}

fn the_days_are_as_long_as_the_clocks_make_them(past: &Past) {
    for (day, hours) in [("2024-03-09", 23), ("2024-11-02", 25), ("2024-03-10", 24)] {
        let report = json(past, &["--day", day]);
        assert_eq!(report["span"]["lasts_s"], f64::from(hours) * 3_600.0, "{day}");
        let signal = &report["signals"][0];
        assert_eq!(signal["hours"].as_array().unwrap().len(), usize::try_from(hours).unwrap());
    }
    let report = json(past, &["--day", "2024-03-09"]);
    let because = |signal: usize| {
        let losses = report["signals"][signal]["availability"]["losses"].as_array().unwrap();
        losses.iter().map(|loss| loss["because"][0].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    for word in ["function_check", "settling", "nothing_recorded"] {
        assert!(because(0).iter().any(|known| known == word), "{word}: {:?}", because(0));
    }
    let doubts = &report["signals"][0]["availability"]["doubts"];
    assert_eq!(doubts[0]["because"], serde_json::json!(["above_range"]), "{doubts}");
    assert!(because(3).iter().any(|word| word == "communication_lost"), "{:?}", because(3));
    assert_eq!(report["work"][0]["kind"], "function_check_begun");
    assert_eq!(report["work"][1]["kind"], "function_check_ended");
    assert!(report["actions"].as_array().unwrap().iter().any(|entry| entry["kind"] == "alarm_shelved"));
    assert!(report["alarms"].as_array().unwrap().iter().any(|alarm| !alarm["acknowledged_by"].is_null()));
}

fn every_form_tells_the_same(past: &Past) {
    let day = ["report", "--day", "2024-11-02"];
    let report = json(past, &day[1..]);
    let text = past.told(&day);
    let page = past.told(&[&day[..], &["--format", "html"]].concat());
    for told in [&text, &page] {
        assert!(told.contains(report["journal"]["head"].as_str().unwrap()), "{told}");
        assert!(told.contains("25 h") || told.contains("1 d 1 h"), "{told}");
        assert!(told.contains("CDT") && told.contains("CST") && told.contains("AIT-1101"), "{told}");
    }
    for told in [&text, &page] {
        assert!(told.contains("Values that count in the figures were uncertain"), "{told}");
        assert!(
            told.contains("Measured, but uncertain") && told.contains("above the measuring range"),
            "{told}"
        );
    }
    assert!(page.starts_with("<!doctype html>") && page.contains("<svg") && !page.contains("<script"));
    let hours = past.told(&[&day[..], &["--format", "csv", "--table", "hours"]].concat());
    assert_eq!(hours.lines().count(), 1 + 4 * 25);
    let mean = report["signals"][0]["hours"][0]["mean"].as_f64().unwrap();
    assert!(hours.lines().nth(1).unwrap().contains(&format!(",{mean},")), "{hours}");
    for table in ["days", "setpoints", "availability", "alarms", "events"] {
        let rows = past.told(&[&day[..], &["--format", "csv", "--table", table]].concat());
        let columns = rows.lines().next().unwrap().split(',').count();
        assert!(columns > 4 && rows.ends_with("\r\n"), "{table}: {rows}");
    }
    let one = json(past, &["--day", "2024-11-02", "--signal", "h2s-1.stream"]);
    assert_eq!(one["signals"].as_array().unwrap().len(), 1);
    let events = past.told(&["export", "--events", "--format", "jsonl"]);
    assert_eq!(
        events.lines().count(),
        usize::try_from(report["journal"]["entries"].as_u64().unwrap()).unwrap()
    );
    let events = past.told(&["export", "--events", "--from", "2024-03-10", "--to", "2024-03-11"]);
    assert!(events.contains(r#""{""remark"":""filter, \""changed\""""}""#), "{events}");
}

fn a_journal_that_was_changed_is_told_of(past: &Past) {
    let db = rusqlite::Connection::open(past.dir.path().join("journal.db")).unwrap();
    db.execute_batch(
        "DROP TRIGGER event_never_changed; UPDATE event SET text = replace(text, 'willow', 'wallow') WHERE seq = 1",
    )
    .unwrap();
    let told = past.siskin(&["report", "--day", "2024-03-09"]);
    assert_eq!(told.status.code(), Some(1), "{}", String::from_utf8_lossy(&told.stderr));
    assert!(String::from_utf8_lossy(&told.stdout).contains("chain BROKEN"));
}

#[test]
fn a_report_that_cannot_be_made_is_refused_in_words() {
    let past = Past { dir: tempfile::tempdir().unwrap() };
    std::fs::write(past.site_file(), SITE).unwrap();
    let mut life = Life::begin(past.dir.path(), SITE, "2024-03-09T13:10:00Z");
    life.start();
    life.until("2024-03-09T13:20:00Z");
    life.end();
    let refused = |arguments: &[&str], code: i32, words: &str| {
        let output = past.siskin(&[&["report"], arguments].concat());
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {told}");
        assert!(told.contains(words), "{arguments:?}: {told}");
    };
    refused(&["--day", "yesterday"], 2, "yesterday");
    refused(&["--day", "2999-01-01"], 2, "nothing to tell yet");
    refused(&["--month", "2024-13"], 2, "year and month");
    refused(&["--day", "2024-03-09", "--month", "2024-03"], 2, "cannot be used with");
    refused(&["--from", "2024-03-09", "--to", "2024-03-08"], 2, "must be earlier");
    refused(&["--from", "1924-03-09"], 2, "too many");
    refused(&["--signal", "h2s-1.concentratoin"], 2, "h2s-1.concentration");
    std::fs::remove_file(past.dir.path().join("history.db")).unwrap();
    refused(&[], 3, "history.db");
}
