//! Site files: every rule has a file in `tests/bad-sites` that breaks it alone, with the words it is
//! told in beside it; the example that is shipped is clean; the reference is what the reader reads.
//!
//! To take over changed words after reading them: `SISKIN_BLESS=1 cargo test --test it site_files`.

mod arrive;

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;

use proptest::prelude::*;
use siskin::config::{Severity, Site, Sources, load, load_with_doubts, reference};

use arrive::EVERY_KIND;

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

/// The same gas reaches register and loop: what makes one no measurement must not leave the other good.
#[test]
fn a_loop_in_a_shipped_site_is_no_measurement_when_its_analyzers_register_is_none() {
    for file in ["site.toml", "demo.toml"] {
        let site = load(Path::new(file), &Directory(root("config"))).unwrap();
        let conditions = |id: &str| {
            let signal = site.signals.iter().find(|signal| signal.id == id).unwrap();
            (signal.valid_when.clone(), signal.settle)
        };
        let (register, loop_) = (conditions("h2s-1.concentration"), conditions("ai-1.h2s-loop"));
        assert!(register.0.len() >= 3, "{file}: {register:?}");
        assert_eq!(register, loop_, "{file}");
    }
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
    assert!(told.contains("line east: ") && told.contains("\nline annex: "), "{told}");

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

#[test]
fn check_doubts_a_scada_map_whose_numbers_are_missing_or_belong_to_other_names() {
    let copy = tempfile::tempdir().unwrap();
    std::fs::create_dir(copy.path().join("profiles")).unwrap();
    for entry in std::fs::read_dir(root("config/profiles")).unwrap() {
        let from = entry.unwrap().path();
        std::fs::copy(&from, copy.path().join("profiles").join(from.file_name().unwrap())).unwrap();
    }
    let text = std::fs::read_to_string(root("config/site.toml")).unwrap();
    let path = copy.path().join("site.toml");
    std::fs::write(&path, &text).unwrap();
    let site = path.to_str().unwrap();
    let (code, told, _) = check(&[site]);
    assert_eq!(code, Some(0), "a doubt is no error: {told}");
    assert!(told.contains("scada-map.lock is not there: no address of the SCADA map is fixed yet"), "{told}");
    assert!(told.ends_with("has 1 doubt, no errors\n"), "{told}");
    let (_, json, _) = check(&["--json", site]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(json["doubts"][0]["found"].as_str().unwrap().contains("scada-map.lock"), "{json}");

    let map = Command::new(env!("CARGO_BIN_EXE_siskin")).args(["map", "--config", site]).output().unwrap();
    assert!(map.status.success(), "{map:?}");
    let (_, told, _) = check(&[site]);
    assert!(told.ends_with(": no errors, no doubts\n"), "{told}");

    std::fs::write(&path, text.replace("id = \"annex\"", "id = \"yard\"").replace("\"annex\"", "\"yard\""))
        .unwrap();
    let (_, told, _) = check(&[site]);
    let renamed = ["has no number for line yard, ", "but has numbers for line annex, "];
    assert!(renamed.iter().all(|words| told.contains(words)), "{told}");
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
    let rise = |window: &str| {
        format!(
            "{CONTRACT}[[alarm]]\nid = \"rise\"\nname = \"Rise\"\nsignal = \"h2s-1.concentration\"\n\
             kind = \"rise\"\nsetpoint = 1.0\nwindow = \"{window}\"\n"
        )
    };
    // A sample every two seconds, at both ends of the window too.
    assert_eq!(loaded(&rise("8190s")).alarms.len(), loaded(CONTRACT).alarms.len() + 1);
    assert!(refused(&rise("8192s")).contains("4097 samples at one every \"2s\", at most 4096 are kept"));
    let buttons = |number: usize| {
        let button = |index| format!("[[push_button]]\nsignal = \"d.s{index}\"\nasks = \"reset\"\n");
        format!("{}{}", signals(40), (0..number).map(button).collect::<String>())
    };
    assert_eq!(loaded(&buttons(32)).push_buttons.len(), 32);
    assert!(refused(&buttons(33)).contains("too many push-buttons: 33, at most 32"));
    let vote = |number: usize| {
        let alarm = |index| {
            let on = format!("signal = \"d.s0\"\nkind = \"state\"\nis = true\non_delay = \"{index}s\"\n");
            format!("[[alarm]]\nid = \"a{index}\"\nname = \"A\"\n{on}")
        };
        let of: Vec<String> = (0..number).map(|index| format!("\"a{index}\"")).collect();
        let alarms: String = (0..number).map(alarm).collect();
        let vote = "[[alarm]]\nid = \"vote\"\nname = \"V\"\nkind = \"vote\"\nat_least = 1\n";
        format!("{}{alarms}{vote}of = [{}]\n", signals(1), of.join(", "))
    };
    assert_eq!(loaded(&vote(64)).alarms.len(), 64 + 1 + 1, "the vote, and the loss of the signal");
    assert!(refused(&vote(65)).contains("too many alarms in a vote: 65, at most 64"));
    let conditions = |number: usize, key: &str| {
        let conditions = vec!["{ signal = \"d.s0\", is = true }"; number].join(", ");
        vote(1).replace("on_delay", &format!("{key} = [{conditions}]\non_delay"))
    };
    assert_eq!(loaded(&conditions(64, "suppress_when")).alarms[0].suppress_when.len(), 64);
    let told = refused(&conditions(65, "suppress_when"));
    assert!(told.contains("too many conditions on an alarm: 65, at most 64"), "{told}");
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
    assert_eq!(value("shelving.max"), Some("12h"));
    let more = loaded(&format!("{CONTRACT}{EVERY_KIND}")).settings;
    let value_of = |path: &str| more.iter().find(|(known, _)| known == path).map(|(_, value)| value.as_str());
    assert_eq!(value_of("alarm.day.over"), Some("1d"));
    assert_eq!(value_of("alarm.vote.of"), Some("[h2s-high, vote-on-loss, h2s-1.loop.lost]"));
    assert_eq!(value_of("push_button.h2s-1.calibrating.asks"), Some("reset"));
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

const WHOLE_CHARS: usize = CONTRACT.len() + EVERY_KIND.len();

proptest! {
    /// Whatever is cut out of a site file and put in elsewhere, reading it ends with a site or with
    /// problems that can be shown.
    #[test]
    fn a_damaged_site_file_is_read_to_the_end(
        from in 0..WHOLE_CHARS, length in 0..80_usize, to in 0..WHOLE_CHARS, junk in "\\PC{0,8}",
    ) {
        let whole = format!("{CONTRACT}{EVERY_KIND}");
        let cut = whole.get(from..(from + length).min(whole.len())).unwrap_or("");
        let mut text = whole.replacen(cut, "", 1);
        let place = (0..=to.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
        text.insert_str(place, &format!("{cut}{junk}"));
        let (Err(told) | Ok((_, told))) = load_with_doubts(Path::new("site.toml"), &Texts::site(&text));
        let nothing_to_tell = told.is_empty() && told.severity() == Severity::Doubt;
        prop_assert!(nothing_to_tell || !told.to_string().is_empty());
    }
}
