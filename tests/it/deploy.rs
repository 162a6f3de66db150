//! What goes to the machine beside the program: the unit stays as closed as it was made, its package holds
//! what it should, and the lists that people read are those that the program is built from.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::skip::skip;

/// The most that `systemd-analyze security` may find open, of 10.
const EXPOSURE_MAX: f64 = 1.2;

const UNIT: &str = include_str!("../../deploy/siskin.service");
const MANIFEST: &str = include_str!("../../Cargo.toml");

fn in_the_repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The values of `key` in the unit, in order.
fn unit(key: &str) -> Vec<&'static str> {
    UNIT.lines().filter_map(|line| line.strip_prefix(key)?.strip_prefix('=')).collect()
}

#[test]
fn the_unit_leaves_next_to_nothing_open() {
    let asked = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--no-pager"])
        .arg(in_the_repository("deploy/siskin.service"))
        .stdin(Stdio::null())
        .output();
    let Ok(answer) = asked else {
        return skip("the exposure of the unit", "systemd-analyze is missing");
    };
    let told = String::from_utf8_lossy(&answer.stdout);
    let Some((_, figure)) = told.split_once("Overall exposure level for siskin.service: ") else {
        let told = String::from_utf8_lossy(&answer.stderr);
        return skip("the exposure of the unit", &format!("systemd-analyze cannot judge it here: {told}"));
    };
    let exposure: f64 = figure.split_whitespace().next().unwrap().parse().unwrap();
    assert!(exposure <= EXPOSURE_MAX, "{told}");
}

#[test]
fn the_unit_reaches_serial_ports_and_this_machine_and_nothing_else() {
    assert_eq!(unit("DevicePolicy"), ["closed"]);
    assert_eq!(unit("DeviceAllow"), ["char-ttyUSB rw", "char-ttyACM rw", "char-ttyS rw"]);
    assert_eq!((unit("IPAddressDeny"), unit("IPAddressAllow")), (vec!["any"], vec!["localhost"]));
    assert_eq!((unit("CapabilityBoundingSet"), unit("AmbientCapabilities")), (vec![""], vec![""]));
    // Either would hide the serial ports, or the names of those who operate.
    assert!(unit("PrivateDevices").is_empty() && unit("PrivateUsers").is_empty());
}

#[test]
fn the_unit_lets_it_open_a_file_for_every_connection_that_it_takes_in() {
    let files: usize = unit("LimitNOFILE")[0].parse().unwrap();
    assert!(files >= siskin::serve::CONNECTIONS_MAX + siskin::serve::FILES_KEPT_FREE_MIN, "{files}");
}

#[test]
fn the_unit_waits_for_ready_checks_the_site_file_first_and_gives_up_on_one_that_is_wrong() {
    assert_eq!((unit("Type"), unit("WatchdogSec")), (vec!["notify"], vec!["30s"]));
    let checks = "/usr/bin/siskin check /etc/siskin/site.toml";
    assert_eq!(unit("ExecStartPre"), [checks]);
    assert_eq!(unit("ExecReload"), [checks, "/usr/bin/sh -c 'kill -HUP $MAINPID'"]);
    assert_eq!(unit("ConditionPathExists"), ["/etc/siskin/site.toml"]);
    assert_eq!(unit("RestartPreventExitStatus"), ["2"]);
    assert_eq!(unit("StartLimitBurst").len(), 1);
}

#[test]
fn everything_that_is_packed_is_there() {
    let manifest: toml::Table = toml::from_str(MANIFEST).unwrap();
    let deb = manifest["package"]["metadata"]["deb"].as_table().unwrap();
    let made_by_the_build = |source: &str| source.starts_with("target/");
    let mut installed = BTreeSet::new();
    for asset in deb["assets"].as_array().unwrap() {
        let [source, to, mode] = [0, 1, 2].map(|at| asset[at].as_str().unwrap());
        assert_eq!(mode, if source.ends_with("/siskin") && to == "usr/bin/" { "755" } else { "644" });
        let (folder, file) = source.rsplit_once('/').unwrap_or((".", source));
        if made_by_the_build(source) {
            continue;
        }
        let files = std::fs::read_dir(in_the_repository(folder)).unwrap().map(|it| it.unwrap().file_name());
        let suffix = file.strip_prefix('*');
        let fits = |name: &str| suffix.map_or(name == file, |suffix| name.ends_with(suffix));
        let found: Vec<String> = files.map(|it| it.into_string().unwrap()).filter(|it| fits(it)).collect();
        assert!(!found.is_empty(), "{source} is not there");
        installed.extend(
            found.iter().map(|it| if to.ends_with('/') { format!("/{to}{it}") } else { format!("/{to}") }),
        );
    }
    let settings: BTreeSet<_> = installed.into_iter().filter(|it| it.starts_with("/etc/")).collect();
    let kept: BTreeSet<_> =
        deb["conf-files"].as_array().unwrap().iter().map(|it| it.as_str().unwrap().to_owned()).collect();
    assert_eq!(settings, kept, "an upgrade keeps what people changed in /etc only in the files named here");
}

#[test]
fn the_maintainer_scripts_are_shell() {
    for script in ["postinst", "prerm", "postrm"] {
        let path = in_the_repository("deploy/debian").join(script);
        let read = Command::new("sh").arg("-n").arg(&path).output().unwrap();
        assert!(read.status.success(), "{script}: {}", String::from_utf8_lossy(&read.stderr));
    }
}

#[test]
fn every_direct_dependency_is_listed_with_its_licence_and_why() {
    let manifest: toml::Table = toml::from_str(MANIFEST).unwrap();
    let licences = licences();
    for (heading, table) in [("In the program", "dependencies"), ("In the tests", "dev-dependencies")] {
        let wanted = manifest[table].as_table().unwrap().keys();
        let wanted: Vec<_> = wanted.map(|name| (name.clone(), licences[name].clone())).collect();
        assert_eq!(listed_dependencies(heading), wanted, "docs/dependencies.md, {heading:?}");
    }
}

/// Name and licence of each crate listed under a heading of docs/dependencies.md.
fn listed_dependencies(heading: &str) -> Vec<(String, String)> {
    let page = include_str!("../../docs/dependencies.md");
    let (_, section) = page.split_once(&format!("\n## {heading}\n")).unwrap();
    let section = section.split("\n## ").next().unwrap();
    section.lines().filter(|line| line.starts_with("| `")).map(crate_and_licence).collect()
}

fn crate_and_licence(row: &str) -> (String, String) {
    let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
    let [name, licence, why] = cells[..] else { panic!("three columns in {row}") };
    assert!(!why.is_empty(), "{row}");
    (name.trim_matches('`').to_owned(), licence.to_owned())
}

/// What every crate says of its licence.
fn licences() -> BTreeMap<String, String> {
    let asked = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version=1", "--locked", "--offline"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(in_the_repository("."))
        .output()
        .unwrap();
    assert!(asked.status.success(), "{}", String::from_utf8_lossy(&asked.stderr));
    let told: serde_json::Value = serde_json::from_slice(&asked.stdout).unwrap();
    let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let packages = told["packages"].as_array().unwrap().iter();
    packages.map(|package| (text(&package["name"]), text(&package["license"]))).collect()
}

#[test]
fn the_bill_of_materials_names_what_the_program_is_made_of_and_nothing_else() {
    if Command::new("python3").arg("-V").output().is_err() {
        return skip("the bill of materials", "there is no python3");
    }
    let make =
        || Command::new(in_the_repository("deploy/sbom")).env("SOURCE_DATE_EPOCH", "1772463845").output();
    let made = make().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    assert_eq!(made.stdout, make().unwrap().stdout, "the same sources, the same bytes");
    let told: serde_json::Value = serde_json::from_slice(&made.stdout).unwrap();
    assert_eq!((&told["bomFormat"], &told["specVersion"]), (&"CycloneDX".into(), &"1.5".into()));
    assert_eq!(told["metadata"]["timestamp"], "2026-03-02T15:04:05Z");
    let components = told["components"].as_array().unwrap();
    let named = |name: &str| components.iter().filter(|it| it["name"] == name).collect::<Vec<_>>();
    let manifest: toml::Table = toml::from_str(MANIFEST).unwrap();
    for name in manifest["dependencies"].as_table().unwrap().keys() {
        let [component] = named(name)[..] else { panic!("{name} is there {} times", named(name).len()) };
        assert_eq!(component["hashes"][0]["content"].as_str().unwrap().len(), 64, "{name}");
        assert!(component["licenses"][0]["expression"].is_string(), "{name}");
    }
    // What only tests or the build use is not in the program; what another crate carries is.
    for name in ["proptest", "insta", "serde_derive", "cc"] {
        assert!(named(name).is_empty(), "{name} is not in the program");
    }
    assert_eq!(named("sqlite").len(), 1);
}

#[test]
fn every_threat_is_held_by_tests_that_exist() {
    each_row_is_held_by_tests_that_exist(include_str!("../../docs/security.md"), "Threats");
}

#[test]
fn what_is_said_of_alarms_is_held_by_tests_that_exist() {
    each_row_is_held_by_tests_that_exist(include_str!("../../docs/alarms.md"), "What is proven");
}

#[test]
fn each_planted_fault_is_found_by_a_test_that_exists() {
    let page = include_str!("../../docs/testing.md");
    each_row_is_held_by_tests_that_exist(page, "Faults planted on a line");
    each_row_is_held_by_tests_that_exist(page, "Faults planted into a technician's day");
}

fn each_row_is_held_by_tests_that_exist(page: &str, heading: &str) {
    let (_, table) = page.split_once(&format!("\n## {heading}\n")).unwrap();
    let table = table.split("\n## ").next().unwrap();
    let mut sources = String::new();
    read_rust(&in_the_repository("src"), &mut sources);
    read_rust(&in_the_repository("tests"), &mut sources);
    for row in table.lines().filter(|line| line.starts_with("| ")).skip(2) {
        let held_by = row.trim_matches('|').rsplit('|').next().unwrap();
        let tests: Vec<&str> = held_by.split('`').skip(1).step_by(2).collect();
        assert!(!tests.is_empty(), "held by nothing: {row}");
        for test in tests {
            assert!(sources.contains(&format!("fn {test}(")), "no test is called {test}");
        }
    }
}

/// Adds the text of every Rust file below a folder.
fn read_rust(folder: &Path, text: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            read_rust(&path, text);
        } else if path.extension().is_some_and(|it| it == "rs") {
            *text += &std::fs::read_to_string(&path).unwrap();
        }
    }
}
