//! The site file and the profile in JSON Schema, so that editors complete keys and underline slips.
//!
//! Made of the declarations that also read the file. A schema sees one value at a time: it knows keys,
//! types, words and patterns. It does not know limits of durations, nor what settings mean to one
//! another: the judge of a site file is `siskin check`. Only words of draft 7 are used, which every
//! editor reads (<https://json-schema.org/draft-07>).

use schemars::{Schema, json_schema};

use super::{Key, Presence, Profile, Root, Shape, TableKeys};

/// Which file a schema describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Describes {
    /// The site file.
    Site,
    /// A profile: the signals of one kind of device.
    Profile,
}

/// The schema of a file.
pub fn schema(of: Describes) -> Schema {
    let (mut schema, title) = match of {
        Describes::Site => (Root::schema(), "siskin site file"),
        Describes::Profile => (Profile::schema(), "siskin profile"),
    };
    schema.insert("$schema".to_owned(), "http://json-schema.org/draft-07/schema#".into());
    schema.insert("title".to_owned(), title.into());
    schema
}

/// A table: its keys and no others.
pub(super) fn of_table(table: &TableKeys) -> Schema {
    let mut properties = serde_json::Map::new();
    let mut required = Vec::new();
    for key in &table.keys {
        properties.insert(key.name.to_owned(), of_key(key).to_value());
        if key.presence == Presence::Required {
            required.push(key.name);
        }
    }
    json_schema!({
        "type": "object",
        "description": table.doc.trim(),
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

/// A value with what the reference tells of its key.
fn of_key(key: &Key) -> Schema {
    let mut schema = key.schema.clone();
    let mut told = format!("{} Takes {}.", key.doc.trim(), key.expected);
    match key.presence {
        Presence::Required => {}
        Presence::Default("{}" | "[]") => {}
        Presence::Default(text) => {
            if let Some(value) = as_json(text) {
                schema.insert("default".to_owned(), value);
            }
        }
        Presence::Otherwise(words) => told += &format!(" When absent: {words}."),
    }
    schema.insert("description".to_owned(), told.into());
    if let Some(example) = as_json(key.example).filter(|example| *example != serde_json::json!([])) {
        schema.insert("examples".to_owned(), serde_json::json!([example]));
    }
    schema
}

/// A value as TOML text, in JSON.
fn as_json(text: &str) -> Option<serde_json::Value> {
    let whole: toml::Table = toml::from_str(&format!("value = {text}")).ok()?;
    serde_json::to_value(whole.get("value")?).ok()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::config::raw::every_table;

    /// Whether a schema accepts `value`.
    fn accepts(schema: &Schema, value: &serde_json::Value) -> bool {
        jsonschema::is_valid(schema.as_value(), value)
    }

    #[test]
    fn every_default_and_every_example_is_accepted_by_the_schema_of_its_key() {
        for table in every_table() {
            for key in &table.keys {
                let defaults = match key.presence {
                    Presence::Default(text) => Some(text),
                    Presence::Required | Presence::Otherwise(_) => None,
                };
                for text in defaults.into_iter().chain([key.example]) {
                    let value = as_json(text).unwrap();
                    assert!(accepts(&key.schema, &value), "{} {}: {text}", table.title, key.name);
                }
            }
        }
    }

    #[test]
    fn no_key_takes_everything() {
        for table in every_table() {
            for key in &table.keys {
                let refused = [serde_json::json!({ "no such key": [] }), serde_json::json!(null)];
                for value in refused {
                    assert!(!accepts(&key.schema, &value), "{} {} takes {value}", table.title, key.name);
                }
            }
        }
    }
}
