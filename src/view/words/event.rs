//! An event of the journal in words.

use serde_json::Value;

use crate::alarm::Life;
use crate::history::SETTINGS_DETAIL;
use crate::signal::Reason;
use crate::view::Entry;
use crate::view::words::{alarm_state, number};

/// What happened: `alarm raised`.
pub fn event_kind_text(entry: &Entry) -> String {
    entry.kind.replace('_', " ")
}

/// Its details: `setpoint: 4; value: 4.310`; empty when it has none.
pub fn event_detail_text(entry: &Entry) -> String {
    // All the settings of a start fill a page; those that changed have events of their own.
    let told = entry.detail.iter().filter(|(name, value)| !value.is_null() && *name != SETTINGS_DETAIL);
    let details: Vec<String> =
        told.map(|(name, value)| format!("{}: {}", name.replace('_', " "), detail_text(value))).collect();
    details.join("; ")
}

/// What happened to what, with its details: `alarm raised: h2s-high (setpoint: 4; value: 4.310)`.
pub fn event_text(entry: &Entry) -> String {
    let (kind, detail) = (event_kind_text(entry), event_detail_text(entry));
    if detail.is_empty() {
        format!("{kind}: {}", entry.subject)
    } else {
        format!("{kind}: {} ({detail})", entry.subject)
    }
}

/// Who did it: `R. Vale (operator)`; `None` when nobody did.
pub fn event_who_text(entry: &Entry) -> Option<String> {
    let user = entry.user.as_ref()?;
    Some(entry.name.as_ref().map_or_else(|| user.clone(), |name| format!("{name} ({user})")))
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
