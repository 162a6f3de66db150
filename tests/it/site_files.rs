//! Site files: every rule has a file in `tests/bad-sites` that breaks it alone, with the words it is
//! told in beside it; the example that is shipped is clean; the reference is what the reader reads.
//!
//! To take over changed words after reading them: `SISKIN_BLESS=1 cargo test --test it site_files`.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use proptest::prelude::*;
use siskin::alarm::{Kind, Limit, Priority};
use siskin::config::{
    Framing, Parity, Port, SerialSettings, Site, Sources, load, load_with_doubts, reference,
};
use siskin::signal::{GuardTest, Order, Range, SignalIndex, Table, ValueType};

/// Texts by path.
struct Texts(BTreeMap<PathBuf, String>);

impl Texts {
    fn site(text: &str) -> Texts {
        Texts(BTreeMap::from([(PathBuf::from("site.toml"), text.to_owned())]))
    }
}

impl Sources for Texts {
    fn read(&self, path: &Path) -> io::Result<String> {
        self.0.get(path).cloned().ok_or_else(|| io::Error::from(io::ErrorKind::NotFound))
    }
}

/// Files of one directory, so that paths in messages are the same everywhere.
struct Directory(PathBuf);

impl Sources for Directory {
    fn read(&self, path: &Path) -> io::Result<String> {
        std::fs::read_to_string(self.0.join(path))
    }
}

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn loaded(text: &str) -> Site {
    load(Path::new("site.toml"), &Texts::site(text)).unwrap_or_else(|problems| panic!("{problems}"))
}

fn refused(text: &str) -> String {
    match load(Path::new("site.toml"), &Texts::site(text)) {
        Ok(_) => panic!("accepted"),
        Err(problems) => problems.to_string(),
    }
}

/// Compares with the golden file, or writes it when asked to.
fn golden(path: &Path, found: &str) -> Result<(), String> {
    if std::env::var_os("SISKIN_BLESS").is_some() {
        std::fs::write(path, found).unwrap();
        return Ok(());
    }
    let expected = std::fs::read_to_string(path).unwrap_or_default();
    if expected == found { Ok(()) } else { Err(format!("{}:\n{found}", path.display())) }
}

/// The bad site files that break more than one rule, and how many.
const BREAK_SEVERAL_RULES: [(&str, usize); 2] = [("type-wrong.toml", 2), ("profile-keys-missing.toml", 3)];

#[test]
fn every_bad_site_file_is_told_in_the_words_beside_it() {
    let directory = root("tests/bad-sites");
    let mut failures = Vec::new();
    let mut files = 0;
    for entry in std::fs::read_dir(&directory).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "toml") {
            continue;
        }
        files += 1;
        let name = path.file_name().unwrap();
        let is_doubt = name.to_string_lossy().starts_with("doubt-");
        let told = match load_with_doubts(Path::new(name), &Directory(directory.clone())) {
            Ok((_, doubts)) if is_doubt => doubts,
            Err(problems) if !is_doubt => problems,
            Ok(_) => panic!("{name:?} is accepted"),
            Err(problems) => panic!("{name:?} is refused:\n{problems}"),
        };
        let expected = BREAK_SEVERAL_RULES.iter().find(|(several, _)| name == *several);
        if told.len() != expected.map_or(1, |(_, rules)| *rules) {
            failures.push(format!("{name:?} is told in {} ways", told.len()));
        }
        failures.extend(golden(&path.with_extension("txt"), &told.to_string()).err());
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
    assert!(files > 80, "the bad site files are gone");
}

#[test]
fn the_shipped_example_has_no_error_and_no_doubt() {
    let (site, doubts) = load_with_doubts(Path::new("config/site.toml"), &Directory(root("")))
        .unwrap_or_else(|p| panic!("{p}"));
    assert!(doubts.is_empty(), "{doubts}");
    assert_eq!(site.devices.len(), 5);
}

#[test]
fn the_reference_of_all_settings_is_up_to_date() {
    let told = golden(&root("docs/configuration.md"), &reference());
    assert!(told.is_ok(), "docs/configuration.md is out of date: run with SISKIN_BLESS=1");
}

/// `siskin check` as a user runs it: exit code, standard output, standard error.
fn check(arguments: &[&str]) -> (Option<i32>, String, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_siskin"));
    let output = command.arg("check").args(arguments).current_dir(root("")).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[test]
fn check_tells_errors_on_standard_error_and_ends_with_2() {
    let (code, told, errors) = check(&["tests/bad-sites/key-unknown.toml"]);
    assert_eq!((code, told.as_str()), (Some(2), ""));
    assert!(
        errors.starts_with("siskin: tests/bad-sites/key-unknown.toml has 1 error\n\nerror: "),
        "{errors}"
    );
    assert!(errors.contains("key-unknown.toml:34:1") && errors.contains("`deadband`"), "{errors}");

    let (code, told, _) = check(&["--json", "tests/bad-sites/key-unknown.toml"]);
    let told: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!((code, &told["site"]), (Some(2), &serde_json::Value::Null));
    assert_eq!((&told["errors"][0]["line"], &told["errors"][0]["column"]), (&34.into(), &1.into()));
}

#[test]
fn check_tells_the_load_of_each_line_and_doubts_one_that_is_asked_too_much() {
    let (code, told, errors) = check(&["config/site.toml"]);
    assert_eq!((code, errors.as_str()), (Some(0), ""));
    assert!(told.contains("\nline east: ") && told.contains("\nline annex: "), "{told}");
    assert!(told.ends_with("config/site.toml: no errors, no doubts\n"), "{told}");

    // 300 baud carry 27 characters of 11 bits a second (Modbus over Serial Line V1.02, section 2.5.1).
    // Each second this site asks for two registers, 8 + 9 characters, and for a bit, 8 + 6.
    let slow = tempfile::tempdir().unwrap();
    let site = std::fs::read_to_string(root("tests/bad-sites/doubt-deadband-missing.toml")).unwrap();
    let site = site.replace("ttyUSB0\"\n", "ttyUSB0\"\nbaud = 300\n");
    std::fs::write(slow.path().join("site.toml"), site).unwrap();
    let (code, told, _) = check(&[slow.path().join("site.toml").to_str().unwrap()]);
    assert_eq!(code, Some(0));
    assert!(
        told.contains("doubt: line east is asked for ") && told.contains("polls will come late"),
        "{told}"
    );
    assert!(told.ends_with("has 2 doubts, no errors\n"), "{told}");
}

const CONTRACT: &str = r#"
[site]
id = "willow-bend"
name = "Willow Bend Interconnect"
time_zone = "America/Chicago"
gas_day_start = "09:00"
[history]
keep_samples = "3y"
max_size = "8GiB"
[[line]]
id = "east"
serial = "/dev/ttyUSB0"
baud = 9600
parity = "none"
stop_bits = 1
response_timeout = "700ms"
retries = 2
[[line]]
id = "annex"
tcp = "192.0.2.10:4001"
framing = "rtu"
[[device]]
id = "h2s-1"
name = "Trace hydrogen sulfide"
line = "east"
unit_id = 1
poll_every = "2s"
[[device.signal]]
id = "concentration"
tag = "AIT-1101"
table = "input"
address = 0
type = "f32"
word_order = "low_first"
unit = "ppmv"
range = [0.0, 20.0]
valid_when = [
  { signal = "loop", above = 0.5 },
  { signal = "loop", between = [2, 120.0] },
  { signal = "h2s-1.calibrating", is = false },
]
settle = "3m"
[[device.signal]]
id = "loop"
reference = 40005
type = "u16"
current = { raw = [0, 65535], milliamps = [0.0, 24.0] }
scale = { from = [4.0, 20.0], to = [0.0, 20.0] }
unit = "ppmv"
[[device.signal]]
id = "calibrating"
table = "discrete"
address = 3
type = "bool"
states = { false = "measuring", true = "calibrating" }
[[device.signal]]
id = "status"
table = "holding"
address = 9
type = "u16"
states = { 0 = "ok", 7 = "fault" }
poll_every = "500ms"
[[alarm]]
id = "h2s-high"
name = "H2S above contract limit"
signal = "h2s-1.concentration"
kind = "high"
setpoint = 4
deadband = 0.2
on_delay = "10s"
off_delay = "30s"
latching = true
priority = "high"
action = "Call gas control."
[[alarm]]
id = "h2s-fault"
name = "Fault"
signal = "h2s-1.status"
kind = "state"
in = ["fault", 0]
[[alarm]]
id = "status-lost"
name = "Status lost"
signal = "h2s-1.status"
kind = "lost"
"#;

#[test]
fn every_setting_of_a_site_file_arrives_where_it_is_used() {
    let site = loaded(CONTRACT);
    assert_eq!((site.id.as_str(), site.name.as_str()), ("willow-bend", "Willow Bend Interconnect"));
    assert_eq!(site.time_zone.iana_name(), Some("America/Chicago"));
    assert_eq!(site.gas_day_start, jiff::civil::time(9, 0, 0, 0));
    assert_eq!(site.history.max_size_bytes, 8 * 1024 * 1024 * 1024);
    assert_eq!(site.history.keep_samples, Duration::from_secs(3 * 365 * 86_400));

    let east = &site.lines[0];
    let settings = SerialSettings { baud: 9600, parity: Parity::None, stop_bits: 1 };
    assert_eq!(east.port, Port::Serial { path: "/dev/ttyUSB0".into(), settings });
    assert_eq!((east.response_timeout, east.retries), (Duration::from_millis(700), 2));

    let [concentration, looped, calibrating, status] = &site.signals[..] else { panic!("four signals") };
    assert_eq!(site.devices[0].signals, [0, 1, 2, 3].map(SignalIndex));
    assert_eq!(concentration.id, "h2s-1.concentration");
    assert_eq!((concentration.place.table, concentration.place.address), (Table::Input, 0));
    assert_eq!(concentration.place.value_type, ValueType::F32);
    assert_eq!(concentration.place.word_order, Order::LowFirst);
    assert_eq!(concentration.place.byte_order, Order::HighFirst);
    assert_eq!(concentration.range, Some(Range { low: 0.0, high: 20.0 }));
    assert_eq!(concentration.settle, Duration::from_secs(180));
    let guards: Vec<_> = concentration.valid_when.iter().map(|guard| (guard.signal.0, guard.test)).collect();
    let between = GuardTest::Between(Range { low: 2.0, high: 120.0 });
    assert_eq!(guards, [(1, GuardTest::Above(0.5)), (1, between), (2, GuardTest::Is(false))]);

    assert_eq!((looped.place.table, looped.place.address), (Table::Holding, 4));
    let milliamps = looped.current.as_ref().unwrap().milliamps;
    assert_eq!((milliamps.from, milliamps.to), ([0.0, 65535.0], [0.0, 24.0]));
    assert_eq!(looped.scale.unwrap().apply(12.0), 10.0);
    assert_eq!(calibrating.states.code("calibrating"), Some(1));
    assert_eq!(status.states.name(7), Some("fault"));
}

#[test]
fn alarms_arrive_and_every_signal_that_bears_one_has_an_alarm_for_its_loss() {
    let site = loaded(CONTRACT);
    let high = &site.alarms[0];
    assert_eq!(high.kind, Kind::High(Limit { setpoint: 4.0, deadband: 0.2 }));
    assert_eq!((high.on_delay, high.off_delay), (Duration::from_secs(10), Duration::from_secs(30)));
    assert_eq!((high.latching, high.priority), (true, Priority::High));
    assert_eq!(site.alarms[1].kind, Kind::State { codes: vec![7, 0] });
    // The file's own lost alarm takes the place of the automatic one.
    let lost: Vec<_> = site
        .alarms
        .iter()
        .filter(|alarm| alarm.kind == Kind::Lost)
        .map(|alarm| (alarm.id.as_str(), alarm.on_delay, alarm.priority))
        .collect();
    let delay = Duration::from_secs(30);
    assert_eq!(
        lost,
        [("status-lost", delay, Priority::Medium), ("h2s-1.concentration.lost", delay, Priority::Medium)]
    );
    let quiet = format!("{CONTRACT}\n[measurement_lost]\noff_for = [\"h2s-1.concentration\"]\n");
    let lost = loaded(&quiet).alarms.iter().filter(|alarm| alarm.kind == Kind::Lost).count();
    assert_eq!(lost, 1);
}

#[test]
fn what_is_absent_is_what_the_reference_says() {
    let site = loaded(CONTRACT);
    assert_eq!(site.http.unwrap().listen, "127.0.0.1:8485".parse().unwrap());
    assert_eq!(site.control.socket, Path::new("control.sock"));
    let annex = &site.lines[1];
    let tcp = Port::Tcp { address: "192.0.2.10:4001".into(), framing: Framing::Rtu, settings: None };
    assert_eq!(annex.port, tcp);
    assert_eq!((annex.response_timeout, annex.retries), (Duration::from_secs(1), 1));
    assert_eq!(annex.silence_max, Duration::from_secs(60));
    let device = &site.devices[0];
    assert_eq!((device.max_registers, device.turnaround, device.quiet), (125, None, Duration::ZERO));
    // Three polls, but never less than three seconds.
    let times = |index: usize| (site.signals[index].poll_every, site.signals[index].stale_after);
    assert_eq!(times(0), (Duration::from_secs(2), Duration::from_secs(6)));
    assert_eq!(times(3), (Duration::from_millis(500), Duration::from_secs(3)));

    let least = "[site]\nid = \"a\"\n[http]\nlisten = \"off\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                 [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 247\n\
                 [[device.signal]]\nid = \"s\"\nreference = 10001\n";
    let site = loaded(least);
    assert_eq!((site.name.as_str(), site.time_zone.iana_name()), ("a", Some("UTC")));
    assert_eq!(site.http, None);
    // Modbus over Serial Line V1.02, section 3.2: 19200 and even parity are the defaults.
    let settings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };
    assert_eq!(site.lines[0].port, Port::Serial { path: "/dev/ttyS0".into(), settings });
    assert_eq!(site.lines[0].response_timeout, Duration::from_millis(500));
    assert_eq!(site.signals[0].place.table, Table::Discrete);
    assert_eq!((site.devices[0].name.as_str(), site.signals[0].place.value_type), ("d", ValueType::Bool));
}

#[test]
fn serial_settings_behind_a_device_server_may_be_told_in_part() {
    let told = CONTRACT.replace("framing = \"rtu\"", "framing = \"rtu\"\nbaud = 9600");
    let Port::Tcp { settings, .. } = &loaded(&told).lines[1].port else { panic!("over TCP") };
    assert_eq!(*settings, Some(SerialSettings { baud: 9600, parity: Parity::Even, stop_bits: 1 }));
}

#[test]
fn a_signal_of_the_site_file_changes_only_the_keys_it_gives() {
    let site = "[site]\nid = \"a\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\nprofile = \"p/x.toml\"\n\
                [[device.signal]]\nid = \"one\"\naddress = 7\ntag = \"AIT-1\"\n\
                [[device.signal]]\nid = \"three\"\ntable = \"coil\"\naddress = 1\n";
    let profile = "[[signal]]\nid = \"zero\"\nreference = 30001\ntype = \"u16\"\n\
                   [[signal]]\nid = \"one\"\ntable = \"input\"\nreference = 30002\ntype = \"i16\"\nunit = \"psig\"\n";
    let texts = BTreeMap::from([
        (PathBuf::from("etc/site.toml"), site.to_owned()),
        (PathBuf::from("etc/p/x.toml"), profile.to_owned()),
    ]);
    let site =
        load(Path::new("etc/site.toml"), &Texts(texts)).unwrap_or_else(|problems| panic!("{problems}"));
    let ids: Vec<&str> = site.signals.iter().map(|signal| signal.id.as_str()).collect();
    assert_eq!(ids, ["d.zero", "d.one", "d.three"]);
    let one = &site.signals[1];
    assert_eq!((one.place.address, one.place.value_type), (7, ValueType::I16));
    assert_eq!((one.tag.as_deref(), one.unit.as_deref()), (Some("AIT-1"), Some("psig")));
}

#[test]
fn all_errors_are_told_at_once_in_the_order_of_the_file() {
    let bad = CONTRACT
        .replace("\"America/Chicago\"", "\"America/Nowhere\"")
        .replace("parity = \"none\"", "parity = 8")
        .replace("setpoint = 4\n", "setpoint = \"4\"\n");
    let told = refused(&bad);
    let places: Vec<usize> = ["America/Nowhere", "wrong value for `parity`", "wrong value for `setpoint`"]
        .iter()
        .map(|words| told.find(words).unwrap_or_else(|| panic!("{words} in:\n{told}")))
        .collect();
    assert!(places.is_sorted(), "{told}");
}

#[test]
fn a_fault_is_not_told_again_by_what_depends_on_it() {
    // The device's id is bad; the alarm on its signal and the conditions among its signals are not.
    let told = refused(&CONTRACT.replace("id = \"h2s-1\"", "id = \"H2S 1\""));
    assert_eq!(told.matches("error:").count(), 1, "{told}");
}

#[test]
fn limits_are_kept_and_named() {
    let head = "[site]\nid = \"a\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\n";
    let signals = |number: usize| {
        let signal =
            |index| format!("[[device.signal]]\nid = \"s{index}\"\ntable = \"coil\"\naddress = {index}\n");
        format!("{head}{}", (0..number).map(signal).collect::<String>())
    };
    assert_eq!(loaded(&signals(1024)).signals.len(), 1024);
    assert!(refused(&signals(1025)).contains("too many signals: 1025, at most 1024"));
    let told = refused(&signals(200).replace("\ntable", "\ntabel"));
    assert_eq!(told.matches("error:").count(), 100, "the first hundred");
    assert!(told.ends_with("\n… and 300 more\n"), "an unknown and a missing key each: {told}");
    let long = format!("{head}# {}", "x".repeat(1 << 20));
    assert!(refused(&long).contains("the file is too long"));
}

#[test]
fn every_setting_has_a_path_and_a_value() {
    let site = loaded(CONTRACT);
    let value = |path: &str| {
        let found = site.settings.iter().find(|(known, _)| known == path);
        found.map(|(_, value)| value.as_str())
    };
    assert_eq!(value("alarm.h2s-high.setpoint"), Some("4.0"));
    assert_eq!(value("alarm.h2s-fault.in"), Some("[fault, 0]"));
    assert_eq!(value("signal.h2s-1.concentration.range"), Some("[0.0, 20.0]"));
    assert_eq!(value("line.annex.silence_max"), Some("1m"));
    assert_eq!(value("http.listen"), Some("127.0.0.1:8485"));
    assert!(site.settings.is_sorted(), "sorted by path");
    // A change of spelling is no change of a setting; a change of a value is.
    let respelled = loaded(&CONTRACT.replace("setpoint = 4\n", "setpoint = 4.00\n").replace("3m", "180s"));
    assert_eq!(respelled.settings, site.settings);
    assert_ne!(respelled.sha256, site.sha256);
    assert_ne!(loaded(&CONTRACT.replace("setpoint = 4\n", "setpoint = 5\n")).settings, site.settings);
}

#[test]
fn the_hash_is_that_of_the_files_bytes() {
    // printf '[site]...' | sha256sum, from the coreutils.
    let text = "[site]\nid = \"a\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\n\
                [[device.signal]]\nid = \"s\"\nreference = 10001\n";
    assert_eq!(loaded(text).sha256, "d058f47565d687a6280ee2d9a62d5f67e03a32e806312ba3e24b4b8bc98e20e7");
}

proptest! {
    /// Whatever is cut out of a site file and put in elsewhere, reading it ends with a site or with
    /// problems that can be shown.
    #[test]
    fn a_damaged_site_file_is_read_to_the_end(
        from in 0..CONTRACT.len(), length in 0..80_usize, to in 0..CONTRACT.len(), junk in "\\PC{0,8}",
    ) {
        let cut = CONTRACT.get(from..(from + length).min(CONTRACT.len())).unwrap_or("");
        let mut text = CONTRACT.replacen(cut, "", 1);
        let place = (0..=to.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
        text.insert_str(place, &format!("{cut}{junk}"));
        if let Err(problems) = load(Path::new("site.toml"), &Texts::site(&text)) {
            prop_assert!(!problems.is_empty());
            prop_assert!(!problems.to_string().is_empty());
        }
    }
}
