//! The JSON Schema that editors are given: it takes what siskin takes, knows every key that the
//! reference knows, and refuses the slips that can be seen in one value alone.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// What `siskin check --schema` prints.
fn schema(argument: &str) -> Value {
    let printed = Command::new(env!("CARGO_BIN_EXE_siskin")).args(["check", argument]).output().unwrap();
    assert!(printed.status.success(), "{}", String::from_utf8_lossy(&printed.stderr));
    serde_json::from_slice(&printed.stdout).unwrap()
}

fn validator(argument: &str) -> jsonschema::Validator {
    jsonschema::draft7::new(&schema(argument)).unwrap()
}

/// A TOML file as the JSON that an editor holds against the schema; `None` when it is not TOML.
fn toml_as_json(path: &Path) -> Option<Value> {
    let text = std::fs::read_to_string(path).unwrap();
    toml::from_str::<toml::Table>(&text).ok().map(|table| serde_json::to_value(table).unwrap())
}

fn files(folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(root(folder)).unwrap().map(|entry| entry.unwrap().path());
    entries.filter(|path| path.extension().is_some_and(|extension| extension == "toml")).collect()
}

#[test]
fn every_shipped_site_file_and_profile_is_as_the_schema_says() {
    let profiles = files("config/profiles").into_iter().map(|path| (path, "--schema=profile"));
    let sites = ["config/site.toml", "config/demo.toml"].map(|path| (root(path), "--schema"));
    for (path, argument) in sites.into_iter().chain(profiles) {
        let told = validator(argument).validate(&toml_as_json(&path).unwrap()).map_err(|e| e.to_string());
        assert_eq!(told, Ok(()), "{}", path.display());
    }
}

#[test]
fn what_is_shipped_names_the_schema_that_the_package_installs() {
    let packed = include_str!("../../Cargo.toml").contains("\"usr/share/siskin/\"");
    let profiles = files("config/profiles").into_iter().map(|path| (path, "profile"));
    for (path, kind) in profiles.chain([(root("config/site.toml"), "site")]) {
        let text = std::fs::read_to_string(&path).unwrap();
        let named = text.starts_with(&format!("#:schema /usr/share/siskin/{kind}.schema.json\n"));
        assert!(packed && named, "{}", path.display());
    }
}

/// Every set of keys in a schema, each key with its description.
fn tables(schema: &Value, found: &mut Vec<Vec<(String, String)>>) {
    match schema {
        Value::Object(object) => {
            if let Some(Value::Object(keys)) = object.get("properties") {
                let told = |key: &Value| key["description"].as_str().unwrap_or_default().to_owned();
                found.push(keys.iter().map(|(name, key)| (name.clone(), told(key))).collect());
            }
            object.values().for_each(|value| tables(value, found));
        }
        Value::Array(items) => items.iter().for_each(|value| tables(value, found)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

#[test]
fn every_key_of_the_reference_is_in_the_schema_with_its_description() {
    let mut known = Vec::new();
    tables(&schema("--schema"), &mut known);
    let reference = include_str!("../../docs/configuration.md");
    let (reference, _) = reference.split_once("\n## Units").unwrap();
    let mut sections = 0;
    for section in reference.split("\n## ").skip(1) {
        let rows: Vec<(&str, String)> = section.lines().filter_map(key_and_sentence).collect();
        let is_this = |keys: &Vec<(String, String)>| {
            keys.len() == rows.len()
                && rows.iter().all(|(name, sentence)| {
                    keys.iter().any(|(key, told)| key == name && told.starts_with(sentence.as_str()))
                })
        };
        assert!(!rows.is_empty() && known.iter().any(is_this), "not in the schema: {section}");
        sections += 1;
    }
    assert!(sections >= 17, "the reference has only {sections} tables");
}

/// Key and sentence of a row of the reference.
fn key_and_sentence(row: &str) -> Option<(&str, String)> {
    let cells: Vec<&str> = row.strip_prefix("| `")?.trim_end_matches(" |").split(" | ").collect();
    let [key, .., sentence] = cells[..] else { return None };
    Some((key.trim_end_matches('`'), sentence.replace("\\|", "|")))
}

/// Bad values that the schema lets pass, and `siskin check` does not: amounts in other units, what is no
/// address, what is in another file, and the names of all time zones, for their case does not matter.
const BEYOND_A_SCHEMA: [&str; 6] = [
    "gas-reference-gauge.toml",
    "gas-reference-temperature.toml",
    "http-listen-wrong.toml",
    "profile-key-unknown.toml",
    "size-too-small.toml",
    "time-zone-unknown.toml",
];

#[test]
fn unknown_keys_wrong_types_and_bad_words_are_refused_and_doubts_are_not() {
    let validator = validator("--schema");
    let (mut refused, mut passed) = (0, Vec::new());
    for path in files("tests/bad-sites") {
        let told = std::fs::read_to_string(path.with_extension("txt")).unwrap();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let Some(file) = toml_as_json(&path) else { continue };
        let slip = ["error: unknown key", "error: wrong value for"].iter().any(|it| told.starts_with(it));
        match validator.is_valid(&file) {
            false => {
                assert!(!name.starts_with("doubt-"), "{name} is refused, and siskin takes it");
                refused += usize::from(slip);
            }
            true if slip => passed.push(name),
            true => {}
        }
    }
    passed.sort();
    assert_eq!(passed, BEYOND_A_SCHEMA);
    assert!(refused > 15, "only {refused} bad files are refused");
}
