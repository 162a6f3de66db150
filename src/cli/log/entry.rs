//! One line of the log: its level, its words and its fields, as text and as the system's journal takes it.
//!
//! The journal's native protocol is <https://systemd.io/JOURNAL_NATIVE_PROTOCOL/>, the levels are those of
//! `syslog(3)`.

use std::fmt::{Debug, Write};

use tracing::field::{Field, Visit};
use tracing::{Event, Level};

/// The most bytes of a line's words, and of each field: what is longer is cut.
const TEXT_BYTES_MAX: usize = 8 * 1024;

/// One line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    level: Level,
    message: String,
    fields: Vec<(&'static str, String)>,
}

impl Entry {
    /// What `event` says.
    pub fn of(event: &Event<'_>) -> Entry {
        let mut entry =
            Entry { level: *event.metadata().level(), message: String::new(), fields: Vec::new() };
        event.record(&mut entry);
        entry
    }

    /// A line without fields.
    pub fn plain(level: Level, message: String) -> Entry {
        Entry { level, message: cut(message), fields: Vec::new() }
    }

    /// Adds to its words.
    pub fn add(&mut self, words: &str) {
        self.message += words;
    }

    /// Level, words and fields as one line of text.
    pub fn text(&self) -> String {
        format!("{:>5} {}", self.level, self.words())
    }

    fn words(&self) -> String {
        let mut text = self.message.clone();
        for (name, value) in &self.fields {
            let _ = write!(text, " {name}={value:?}"); // writing to a string does not fail
        }
        text
    }

    /// The number that `syslog(3)` has for its level.
    pub fn priority(&self) -> u8 {
        match self.level {
            Level::ERROR => 3,
            Level::WARN => 4,
            Level::INFO => 6,
            Level::DEBUG | Level::TRACE => 7,
        }
    }

    /// As the journal takes it: a field a line, each field of ours with `SISKIN_` before its name.
    pub fn datagram(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        put(&mut bytes, "PRIORITY", &self.priority().to_string());
        put(&mut bytes, "SYSLOG_IDENTIFIER", "siskin");
        put(&mut bytes, "MESSAGE", &self.words());
        for (name, value) in &self.fields {
            let name = name.replace(|letter: char| !letter.is_ascii_alphanumeric(), "_");
            put(&mut bytes, &format!("SISKIN_{}", name.to_ascii_uppercase()), value);
        }
        bytes
    }
}

/// A value with a line break goes with its length before it, any other as `NAME=value`.
fn put(bytes: &mut Vec<u8>, name: &str, value: &str) {
    bytes.extend(name.as_bytes());
    if value.contains('\n') {
        bytes.push(b'\n');
        bytes.extend(u64::try_from(value.len()).unwrap_or(u64::MAX).to_le_bytes());
    } else {
        bytes.push(b'=');
    }
    bytes.extend(value.as_bytes());
    bytes.push(b'\n');
}

fn cut(mut text: String) -> String {
    if text.len() > TEXT_BYTES_MAX {
        text.truncate(text.floor_char_boundary(TEXT_BYTES_MAX));
        text.push('…');
    }
    text
}

impl Visit for Entry {
    fn record_str(&mut self, field: &Field, value: &str) {
        match field.name() {
            "message" => self.message = cut(value.to_owned()),
            name => self.fields.push((name, cut(value.to_owned()))),
        }
    }

    fn record_debug(&mut self, field: &Field, value: &dyn Debug) {
        self.record_str(field, &format!("{value:?}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(message: &str, fields: &[(&'static str, &str)]) -> Entry {
        let fields = fields.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
        Entry { level: Level::INFO, message: message.to_owned(), fields }
    }

    #[test]
    fn a_line_reads_as_one_line_whatever_is_in_its_fields() {
        let told = entry("event", &[("kind", "line_down"), ("cause", "a\nb")]).text();
        assert_eq!(told, r#" INFO event kind="line_down" cause="a\nb""#);
    }

    /// Against the examples of the protocol's own page.
    #[test]
    fn the_journal_gets_each_field_by_name_and_long_values_by_their_length() {
        let sent = entry("event", &[("kind", "line_down"), ("cause", "a\nb")]).datagram();
        let mut expected = b"PRIORITY=6\nSYSLOG_IDENTIFIER=siskin\n".to_vec();
        expected.extend(b"MESSAGE=event kind=\"line_down\" cause=\"a\\nb\"\nSISKIN_KIND=line_down\n");
        expected.extend(b"SISKIN_CAUSE\n\x03\0\0\0\0\0\0\0a\nb\n");
        assert_eq!(String::from_utf8_lossy(&sent), String::from_utf8_lossy(&expected));
    }

    #[test]
    fn what_is_too_long_is_cut_between_letters() {
        let told = Entry::plain(Level::WARN, "ü".repeat(TEXT_BYTES_MAX)).text();
        assert!(told.len() < TEXT_BYTES_MAX + 16 && told.ends_with("ü…"), "{}", told.len());
    }
}
