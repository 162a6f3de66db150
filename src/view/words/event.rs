//! An event of the journal as a sentence.

use serde_json::Value;

use crate::alarm::Life;
use crate::signal::Reason;
use crate::view::Entry;
use crate::view::words::{alarm_state, number};

/// What happened to what, with its details: `alarm raised: h2s-high (setpoint 4, value 4.310)`.
pub fn event_text(entry: &Entry) -> String {
    let what = entry.kind.replace('_', " ");
    let details: Vec<String> = entry
        .detail
        .iter()
        .filter(|(_, value)| !value.is_null())
        .map(|(name, value)| format!("{} {}", name.replace('_', " "), detail_text(value)))
        .collect();
    if details.is_empty() {
        format!("{what}: {}", entry.subject)
    } else {
        format!("{what}: {} ({})", entry.subject, details.join(", "))
    }
}

fn detail_text(value: &Value) -> String {
    match value {
        Value::Null => "none".to_owned(),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        Value::Number(given) => given.as_f64().map_or_else(|| given.to_string(), number),
        Value::String(text) => word_text(text).unwrap_or(text).to_owned(),
        Value::Array(items) => items.iter().map(detail_text).collect::<Vec<_>>().join(" and "),
        Value::Object(_) => value.to_string(),
    }
}

/// What a word of the closed lists means; any other text is told as it stands.
fn word_text(word: &str) -> Option<&'static str> {
    Life::from_word(word).map(alarm_state).or_else(|| Reason::from_word(word).map(Reason::sentence))
}
