//! The hash chain: what exactly is hashed, and how an entry reads as text.
//!
//! An entry is one compact JSON array, `[seq,"time",mono_ms,"kind","subject",user,name,{detail}]`,
//! and is stored as that text, byte for byte. Its hash is the SHA-256, in lower-case hex, of the hash
//! before it, a line feed, and the text; before the first entry stand 64 zeros. Nothing is ever
//! rendered a second time to be checked, so that no library's way of writing a number matters.
//! `docs/journal.md` tells the same to people who check it with other tools.

use std::fmt::Write;

use serde_json::{Map, Value};
use sha2::{Digest, Sha256};

use crate::history::JournalEntry;
use crate::moment::Wall;
use crate::monitor::{Detail, Event};

/// The hash that stands before the first entry.
pub const FIRST_PREVIOUS: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// The end of the chain: the last entry's number and hash. An empty journal has number 0 and
/// [`FIRST_PREVIOUS`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The last entry's number.
    pub seq: u64,
    /// The last entry's hash, in hex.
    pub hash: String,
}

impl Default for Head {
    fn default() -> Self {
        Head { seq: 0, hash: FIRST_PREVIOUS.to_owned() }
    }
}

/// The hash of the entry `text` that follows the entry with the hash `previous`.
pub fn link(previous: &str, text: &str) -> String {
    hex(&Sha256::new().chain_update(previous).chain_update("\n").chain_update(text).finalize())
}

/// A digest in lower-case hex, as `sha256sum` prints it.
pub fn hex(digest: &[u8]) -> String {
    digest.iter().fold(String::with_capacity(FIRST_PREVIOUS.len()), |mut hex, byte| {
        let _ = write!(hex, "{byte:02x}"); // writing to a string does not fail
        hex
    })
}

/// The event as the text of entry `seq`.
pub(super) fn entry_text(seq: u64, event: &Event) -> String {
    let mono_ms = u64::try_from(event.at.mono.since_start().as_millis()).unwrap_or(u64::MAX);
    let who = event.who.as_ref();
    let detail: Map<String, Value> =
        event.detail.iter().map(|(name, detail)| ((*name).to_owned(), detail_value(detail))).collect();
    serde_json::json!([
        seq,
        format!("{:.3}", event.at.wall),
        mono_ms,
        event.kind.word(),
        event.subject,
        who.map(|who| &who.user),
        who.and_then(|who| who.name.as_ref()),
        detail,
    ])
    .to_string()
}

/// The entry that `text` and `hash` stand for, or what is wrong with the text.
pub fn parse_entry(text: &str, hash: String) -> Result<JournalEntry, String> {
    type Columns = (u64, String, u64, String, String, Option<String>, Option<String>, Map<String, Value>);
    let (seq, time, mono_ms, kind, subject, user, name, detail): Columns =
        serde_json::from_str(text).map_err(|error| format!("the text is not an entry: {error}"))?;
    let time: Wall = time.parse().map_err(|error| format!("the time is not one: {error}"))?;
    Ok(JournalEntry { seq, time, mono_ms, kind, subject, user, name, detail, hash })
}

fn detail_value(detail: &Detail) -> Value {
    match detail {
        Detail::Number(number) => Value::from(*number), // null when it is not finite
        Detail::Flag(flag) => Value::from(*flag),
        Detail::Text(text) => Value::from(text.as_str()),
        Detail::List(list) => Value::from(list.as_slice()),
    }
}
