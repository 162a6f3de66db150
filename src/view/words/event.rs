//! An event of the journal in words.

use std::time::Duration;

use jiff::tz::TimeZone;
use serde_json::Value;

use crate::calibration::Doubt;
use crate::history::SETTINGS_DETAIL;
use crate::signal::Reason;
use crate::view::words::{alarm_state, date_and_time, duration, number};
use crate::view::{AlarmState, Entry, Instant, Vocabulary};

/// What happened: `alarm raised`.
pub fn event_kind_text(entry: &Entry) -> String {
    entry.kind.replace('_', " ")
}

/// Its details: `setpoint: 4; value: 4.310`; empty when it has none.
pub fn event_detail_text(entry: &Entry, zone: &TimeZone) -> String {
    // All the settings of a start fill a page; those that changed have events of their own.
    let told = entry.detail.iter().filter(|(name, value)| !value.is_null() && *name != SETTINGS_DETAIL);
    let details: Vec<String> = told.map(|(name, value)| named_detail_text(name, value, zone)).collect();
    details.join("; ")
}

/// What happened to what, with its details: `alarm raised: h2s-high (setpoint: 4; value: 4.310)`.
pub fn event_text(entry: &Entry, zone: &TimeZone) -> String {
    let (kind, detail) = (event_kind_text(entry), event_detail_text(entry, zone));
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

/// What made a calibration doubtful: the words of that list, some of which mean something else elsewhere.
fn doubts_text(name: &str, value: &Value) -> Option<String> {
    let words = value.as_array().filter(|_| name == "doubts")?.iter();
    let sentence = |word: &Value| Some(Doubt::from_word(word.as_str()?)?.sentence());
    Some(words.map(sentence).collect::<Option<Vec<_>>>()?.join(" and "))
}

/// One detail; what is a time in seconds by its name is told as such: `for: 1 h`, `step: -2.500 s`.
fn named_detail_text(name: &str, value: &Value, zone: &TimeZone) -> String {
    let seconds = name.strip_suffix("_s").and_then(|name| Some((name, value.as_f64()?)));
    let (name, text) = match seconds {
        Some((name, seconds)) => (name, seconds_text(seconds)),
        None => (name, doubts_text(name, value).unwrap_or_else(|| detail_text(value, zone))),
    };
    format!("{}: {text}", name.replace('_', " "))
}

/// Whole minutes and more as a duration, less with its decimals.
fn seconds_text(seconds: f64) -> String {
    match Duration::try_from_secs_f64(seconds) {
        Ok(long) if long >= Duration::from_secs(60) => duration(long),
        Ok(_) | Err(_) => format!("{} s", number(seconds)),
    }
}

fn detail_text(value: &Value, zone: &TimeZone) -> String {
    match value {
        Value::Null => "none".to_owned(),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        Value::Number(given) => given.as_f64().map_or_else(|| given.to_string(), number),
        Value::String(text) => match text.parse() {
            Ok(time) => date_and_time(Instant(time), zone),
            Err(_) => word_text(text).unwrap_or(text).to_owned(),
        },
        Value::Array(items) => {
            items.iter().map(|item| detail_text(item, zone)).collect::<Vec<_>>().join(" and ")
        }
        Value::Object(_) => value.to_string(),
    }
}

/// What a word of the closed lists means; any other text is told as it stands.
fn word_text(word: &str) -> Option<&'static str> {
    let state = AlarmState::MEMBERS.iter().find(|state| state.as_word() == word);
    state.map(|state| alarm_state(*state)).or_else(|| Reason::from_word(word).map(Reason::sentence))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_made_a_calibration_doubtful_is_told_in_its_own_words() {
        let doubts = serde_json::json!(["above_range", "unsettled"]);
        assert_eq!(
            doubts_text("doubts", &doubts).unwrap(),
            format!("{} and {}", Doubt::AboveRange.sentence(), Doubt::Unsettled.sentence())
        );
        assert_eq!(doubts_text("reasons", &doubts), None);
    }

    #[test]
    fn details_are_told_in_words_and_in_the_zone_of_the_site() {
        let zone = TimeZone::get("America/Chicago").unwrap();
        for (given, told) in [
            ("\"2026-03-02T15:04:05.879Z\"", "2026-03-02 09:04:05 CST"),
            ("\"latched_acknowledged\"", "gone again, to be reset"),
            ("\"out_of_service\"", "out of service"),
            (
                "[\"settling\", \"filter change\"]",
                "still settling: the sample line is being flushed, or the sensor is new and filter change",
            ),
            ("4.31", "4.310"),
        ] {
            assert_eq!(detail_text(&serde_json::from_str(given).unwrap(), &zone), told);
        }
    }

    #[test]
    fn a_time_in_seconds_is_told_as_a_time() {
        for (name, given, told) in [
            ("for_s", "3600", "for: 1 h"),
            ("open_to_air_s", "90", "open to air: 1 min 30 s"),
            ("step_s", "-2.5", "step: -2.500 s"),
            ("behind_s", "0.25", "behind: 0.2500 s"),
            ("setpoint", "90", "setpoint: 90"),
            ("old_s", "\"5s\"", "old s: 5s"),
        ] {
            let value = serde_json::from_str(given).unwrap();
            assert_eq!(named_detail_text(name, &value, &TimeZone::UTC), told);
        }
    }
}
