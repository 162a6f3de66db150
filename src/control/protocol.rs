//! What travels on the control socket: requests, answers, and the limits on both.
//!
//! One JSON object per line. The words are a contract (`docs/control-socket.md`): they may be added
//! to, never changed. Unknown fields are refused, so that a misspelt `remark` is not lost in silence.

use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::alarm::Life;
use crate::view::Word;

/// The longest request, its newline included.
pub const REQUEST_BYTES_MAX: usize = 64 * 1024;
/// The longest answer that the client takes.
pub const ANSWER_BYTES_MAX: u64 = 64 * 1024 * 1024;
/// The most connections at one time; one more is told so and closed.
pub const CONNECTIONS_MAX: usize = 32;
/// How long a connection may take over one request, or over taking one answer.
pub const IDLE_MAX: Duration = Duration::from_secs(10);
/// The most journal entries in one answer.
pub const JOURNAL_ENTRIES_MAX: usize = 1000;
/// Journal entries in an answer when the request does not say.
pub const JOURNAL_ENTRIES_DEFAULT: usize = 100;
/// The longest name of an operator, in characters.
pub const NAME_CHARS_MAX: usize = 64;
/// The longest remark, in characters.
pub const REMARK_CHARS_MAX: usize = 500;

/// A request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case", deny_unknown_fields)]
pub enum Request {
    /// The snapshot, as `GET /api/v1/status` gives it.
    Status {},
    /// Every alarm with its state, as `GET /api/v1/alarms` gives it.
    Alarms {},
    /// Entries of the journal, in order: the last `last`, or those after `after`.
    Journal(JournalRequest),
    /// An operator action.
    Act(ActRequest),
}

/// Which entries of the journal.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JournalRequest {
    /// Only entries with a greater sequence number; 0 when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<u64>,
    /// At most so many of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<usize>,
    /// Instead of `after` and `limit`: the last so many.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<usize>,
}

/// An operator action.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ActRequest {
    /// What is asked.
    pub kind: ActKind,
    /// Of which alarms.
    pub alarms: Alarms,
    /// The operator's name, beside the operating-system user that the daemon finds out by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Why, in their words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
}

/// What an operator may ask.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ActKind {
    /// "I know."
    Acknowledge,
    /// Let go of a latched alarm.
    Reset,
}

/// Of which alarms: a list of ids, or the word `"all"`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged, expecting = "`alarms` must be a list of alarm ids, or \"all\"")]
pub enum Alarms {
    /// These, by id.
    These(Vec<String>),
    /// Every alarm for which the action means something now.
    All(AllWord),
}

/// The word `"all"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AllWord {
    /// `"all"`.
    All,
}

/// What comes back for one request.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// What was asked for.
    Answer(Box<RawValue>),
    /// Why there is nothing.
    Error(Failure),
}

/// Why a request was not answered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{message}")]
pub struct Failure {
    /// For machines.
    pub kind: FailureKind,
    /// For people: one line.
    pub message: String,
}

/// The kinds of failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FailureKind {
    /// The request cannot be understood, or asks for too much.
    BadRequest,
    /// Too many connections are open.
    Busy,
    /// The daemon is stopping.
    Stopping,
    /// The action was done, but is not recorded so far.
    NotRecorded,
    /// The daemon could not find the answer.
    Unavailable,
}

/// What became of an action for one alarm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Acted {
    /// The alarm's id, as it was asked for.
    pub alarm: String,
    /// Whether it was done.
    pub done: bool,
    /// The alarm's state afterwards, where it is known.
    pub state: Option<Word<Life>>,
    /// Why it was not done: `unknown_alarm`, `nothing_to_acknowledge`, `nothing_to_reset`,
    /// `still_active`, `not_acknowledged`.
    pub refused: Option<String>,
    /// For `unknown_alarm`: the id that was perhaps meant.
    pub nearest: Option<String>,
}

impl Request {
    /// The request in one line of a message.
    ///
    /// # Errors
    /// A [`Failure`] of kind `bad_request` that says what was expected.
    pub fn parse(line: &[u8]) -> Result<Request, Failure> {
        let request: Request = serde_json::from_slice(line)
            .map_err(|error| Failure::bad_request(format!("the request cannot be understood: {error}")))?;
        request.check()?;
        Ok(request)
    }

    fn check(&self) -> Result<(), Failure> {
        match self {
            Request::Status {} | Request::Alarms {} => Ok(()),
            Request::Journal(journal) => journal.check(),
            Request::Act(act) => act.check(),
        }
    }
}

impl JournalRequest {
    fn check(&self) -> Result<(), Failure> {
        if self.last.is_some() && (self.after.is_some() || self.limit.is_some()) {
            return Err(Failure::bad_request("`last` cannot go with `after` or `limit`".to_owned()));
        }
        if self.last.or(self.limit).is_some_and(|entries| entries > JOURNAL_ENTRIES_MAX) {
            let message = format!("at most {JOURNAL_ENTRIES_MAX} journal entries go in one answer");
            return Err(Failure::bad_request(message));
        }
        Ok(())
    }
}

impl ActRequest {
    fn check(&self) -> Result<(), Failure> {
        if self.alarms == Alarms::These(Vec::new()) {
            return Err(Failure::bad_request("`alarms` names no alarm".to_owned()));
        }
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)?;
        check_words("remark", self.remark.as_deref(), REMARK_CHARS_MAX)
    }
}

/// Words that go into the record and from there onto terminals: short, and without control characters.
fn check_words(field: &str, words: Option<&str>, chars_max: usize) -> Result<(), Failure> {
    let Some(words) = words else { return Ok(()) };
    if words.trim().is_empty() {
        return Err(Failure::bad_request(format!("`{field}` is empty")));
    }
    if words.chars().count() > chars_max {
        return Err(Failure::bad_request(format!("`{field}` is longer than {chars_max} characters")));
    }
    if words.chars().any(char::is_control) {
        return Err(Failure::bad_request(format!(
            "`{field}` holds a line break or another control character"
        )));
    }
    Ok(())
}

impl Failure {
    /// A failure of kind `bad_request`.
    pub fn bad_request(message: String) -> Failure {
        Failure { kind: FailureKind::BadRequest, message }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn parse(line: &str) -> Result<Request, String> {
        Request::parse(line.as_bytes()).map_err(|failure| failure.message)
    }

    fn act(alarms: Alarms) -> ActRequest {
        ActRequest { kind: ActKind::Acknowledge, alarms, name: None, remark: None }
    }

    #[test]
    fn every_request_of_the_document_is_understood() {
        let text = include_str!("../../docs/control-socket.md");
        let requests: Vec<&str> = text.lines().filter(|line| line.starts_with("{\"ask\"")).collect();
        assert!(requests.len() >= 5, "the document shows only {} requests", requests.len());
        for request in requests {
            parse(request).unwrap();
        }
    }

    #[test]
    fn alarms_are_a_list_or_all() {
        let these = parse(r#"{"ask":"act","kind":"acknowledge","alarms":["all"]}"#).unwrap();
        assert_eq!(these, Request::Act(act(Alarms::These(vec!["all".to_owned()]))));
        let all = parse(r#"{"ask":"act","kind":"acknowledge","alarms":"all"}"#).unwrap();
        assert_eq!(all, Request::Act(act(Alarms::All(AllWord::All))));
    }

    #[test]
    fn a_request_reads_back_as_it_was_written() {
        for request in [
            Request::Status {},
            Request::Alarms {},
            Request::Journal(JournalRequest { last: Some(20), ..JournalRequest::default() }),
            Request::Act(act(Alarms::All(AllWord::All))),
        ] {
            let line = serde_json::to_string(&request).unwrap();
            assert_eq!(parse(&line), Ok(request), "{line}");
        }
    }

    #[test]
    fn what_is_wrong_with_a_request_is_said() {
        let long_remark =
            format!(r#"{{"ask":"act","kind":"reset","alarms":"all","remark":"{}"}}"#, "x".repeat(501));
        for (line, expected) in [
            ("", "EOF"),
            ("nonsense", "expected ident"),
            ("[]", "the request cannot be understood"),
            (r#"{"ask":"write"}"#, "unknown variant `write`"),
            (r#"{"ask":"status","what":1}"#, "unknown field `what`"),
            (r#"{"ask":"act","kind":"acknowledge"}"#, "missing field `alarms`"),
            (
                r#"{"ask":"act","kind":"acknowledge","alarms":"some"}"#,
                "must be a list of alarm ids, or \"all\"",
            ),
            (r#"{"ask":"act","kind":"acknowledge","alarms":[]}"#, "names no alarm"),
            (r#"{"ask":"act","kind":"acknowledge","alarms":"all","remrak":"x"}"#, "unknown field `remrak`"),
            (r#"{"ask":"act","kind":"reset","alarms":"all","name":" "}"#, "`name` is empty"),
            (r#"{"ask":"act","kind":"reset","alarms":"all","remark":"a\u001b[2J"}"#, "control character"),
            (long_remark.as_str(), "longer than 500 characters"),
            (r#"{"ask":"journal","last":1001}"#, "at most 1000 journal entries"),
            (r#"{"ask":"journal","limit":1001}"#, "at most 1000 journal entries"),
            (r#"{"ask":"journal","after":1,"last":1}"#, "`last` cannot go with"),
            (r#"{"ask":"journal","after":-1}"#, "invalid value"),
        ] {
            let told = parse(line).unwrap_err();
            assert!(told.contains(expected), "{line}: {told}");
        }
    }
}
