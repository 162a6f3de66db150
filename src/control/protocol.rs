//! What travels on the control socket: requests, answers, and the limits on both.
//!
//! One JSON object per line. The words are a contract (`docs/control-socket.md`): they may be added
//! to, never changed. Unknown fields are refused, so that a misspelt `remark` is not lost in silence.

use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::alarm::{Life, Withheld};
use crate::control::gas_test::RecordRequest;
use crate::control::proof::{ProofRequest, ReadingsRequest};
use crate::control::sensor::SensorRequest;
use crate::control::work::{BeginRequest, EndRequest, NoteRequest};
use crate::monitor::ActionKind;
use crate::view::{Instant, Word};

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
/// The longest time for which a line is lent.
pub const LOAN_MAX: Duration = Duration::from_secs(4 * 3600);

/// A request.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case", deny_unknown_fields)]
pub enum Request {
    /// The snapshot, as `GET /api/v1/status` gives it.
    Status {},
    /// Every alarm with its state, as `GET /api/v1/alarms` gives it.
    Alarms {},
    /// Entries of the journal, in order: the last `last`, or those after `after`.
    Journal(JournalRequest),
    /// How well the alarms served their operator.
    Performance(PerformanceRequest),
    /// An operator action.
    Act(ActRequest),
    /// Lend a line to this connection.
    LendLine(LendRequest),
    /// Take the lent line back.
    ReturnLine {},
    /// Take a device into function check.
    BeginFunctionCheck(BeginRequest),
    /// End the function check of a device.
    EndFunctionCheck(EndRequest),
    /// Record what a device says of a calibration gas.
    RecordGasTest(RecordRequest),
    /// Take note of a new sensor.
    ChangeSensor(SensorRequest),
    /// Something for the record.
    Note(NoteRequest),
    /// What was proven of a device, for the record.
    Proof(ProofRequest),
    /// What a device last said, whatever that is worth.
    Readings(ReadingsRequest),
}

/// Between which times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PerformanceRequest {
    /// From when.
    pub from: Instant,
    /// Until when.
    pub to: Instant,
}

/// Which line, and for how long.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LendRequest {
    /// Its id.
    pub line: String,
    /// For how many seconds at most.
    pub for_s: u64,
    /// The name of who works on it, beside the operating-system user that the daemon finds out by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What for, in their words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
}

/// A line that is lent to this connection.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineLent {
    /// Its id.
    pub line: String,
    /// When it is taken back at the latest.
    pub until: Instant,
}

/// A line that is no longer lent to this connection.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineReturned {
    /// Its id.
    pub line: String,
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
    /// With `shelve`: for how long, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub for_s: Option<u64>,
    /// With `shelve`: until the condition is gone for the first time, at most for the site's longest time.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub once: bool,
    /// With `acknowledge`: the `seq` of the status the operator looked at. An alarm that has called
    /// since is not acknowledged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<u64>,
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
    /// Set aside for a time.
    Shelve,
    /// Back from the shelf.
    Unshelve,
    /// Take out of service for maintenance.
    OutOfService,
    /// Put back into service.
    InService,
}

/// Of which alarms: a list of ids, `{"group": "…"}`, or the word `"all"`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged, expecting = "`alarms` must be a list of alarm ids, {\"group\": \"…\"}, or \"all\"")]
pub enum Alarms {
    /// These, by id.
    These(Vec<String>),
    /// Every alarm of a first-out group for which the action means something now.
    Group(GroupName),
    /// Every alarm for which the action means something now.
    All(AllWord),
}

/// A first-out group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GroupName {
    /// Its name.
    pub group: String,
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
    /// Somebody else has the line.
    Lent,
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
    /// Where the alarm is in its life cycle afterwards, where that is known.
    pub state: Option<Word<Life>>,
    /// Whether its condition cannot be known now: then `normal` is no good news. An older daemon does not tell.
    #[serde(default)]
    pub indeterminate: bool,
    /// Why it was not done; the words are listed in `docs/control-socket.md`.
    pub refused: Option<String>,
    /// For `unknown_alarm` and `unknown_group`: the name that was perhaps meant.
    pub nearest: Option<String>,
    /// For `withheld`: why it is.
    pub withheld: Option<Word<Withheld>>,
    /// For `shelved_too_long`: the longest time that the site allows, in seconds.
    pub max_s: Option<u64>,
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
            Request::Status {} | Request::Alarms {} | Request::ReturnLine {} => Ok(()),
            Request::LendLine(lend) => lend.check(),
            Request::Performance(between) if between.from < between.to => Ok(()),
            Request::Performance(_) => {
                Err(Failure::bad_request("`from` must be earlier than `to`".to_owned()))
            }
            Request::Journal(journal) => journal.check(),
            Request::Act(act) => act.check(),
            Request::BeginFunctionCheck(begin) => begin.check(),
            Request::EndFunctionCheck(end) => end.check(),
            Request::RecordGasTest(record) => record.check(),
            Request::ChangeSensor(change) => change.check(),
            Request::Note(note) => note.check(),
            Request::Proof(proof) => proof.check(),
            Request::Readings(_) => Ok(()),
        }
    }
}

impl LendRequest {
    fn check(&self) -> Result<(), Failure> {
        if !(1..=LOAN_MAX.as_secs()).contains(&self.for_s) {
            let message = format!("`for_s` must be 1 to {}: a lent line is not watched", LOAN_MAX.as_secs());
            return Err(Failure::bad_request(message));
        }
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)?;
        check_words("remark", self.remark.as_deref(), REMARK_CHARS_MAX)
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
    /// The bare request.
    pub fn new(kind: ActKind, alarms: Alarms) -> ActRequest {
        ActRequest { kind, alarms, for_s: None, once: false, seen: None, name: None, remark: None }
    }

    fn check(&self) -> Result<(), Failure> {
        if self.alarms == Alarms::These(Vec::new()) {
            return Err(Failure::bad_request("`alarms` names no alarm".to_owned()));
        }
        let sweeping = matches!(self.alarms, Alarms::All(_));
        match self.kind {
            ActKind::Shelve if sweeping => return Err(Failure::names_wanted("shelve")),
            ActKind::OutOfService if sweeping => return Err(Failure::names_wanted("out_of_service")),
            ActKind::OutOfService if self.remark.is_none() => {
                let message = "`out_of_service` needs a `remark`: it has no end, and whoever finds the alarm \
                               so must learn why";
                return Err(Failure::bad_request(message.to_owned()));
            }
            ActKind::Acknowledge => {}
            _ if self.seen.is_some() => {
                return Err(Failure::bad_request("`seen` goes with `acknowledge` alone".to_owned()));
            }
            ActKind::Reset
            | ActKind::Shelve
            | ActKind::Unshelve
            | ActKind::OutOfService
            | ActKind::InService => {}
        }
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)?;
        check_words("remark", self.remark.as_deref(), REMARK_CHARS_MAX)?;
        self.action_kind().map(drop)
    }

    /// What is asked of the monitor.
    ///
    /// # Errors
    /// When the fields do not go together.
    pub fn action_kind(&self) -> Result<ActionKind, Failure> {
        match (self.kind, self.for_s, self.once) {
            (ActKind::Shelve, Some(1..), false) => {
                Ok(ActionKind::Shelve(self.for_s.map(Duration::from_secs)))
            }
            (ActKind::Shelve, None, true) => Ok(ActionKind::Shelve(None)),
            (ActKind::Shelve, _, _) => Err(Failure::bad_request(
                "`shelve` needs either `for_s`, a number of seconds from 1 on, or `\"once\":true`".to_owned(),
            )),
            (_, Some(_), _) | (_, _, true) => {
                Err(Failure::bad_request("`for_s` and `once` go with `shelve` alone".to_owned()))
            }
            (ActKind::Acknowledge, None, false) => Ok(ActionKind::Acknowledge),
            (ActKind::Reset, None, false) => Ok(ActionKind::Reset),
            (ActKind::Unshelve, None, false) => Ok(ActionKind::Unshelve),
            (ActKind::OutOfService, None, false) => Ok(ActionKind::RemoveFromService),
            (ActKind::InService, None, false) => Ok(ActionKind::ReturnToService),
        }
    }
}

/// Words that go into the record and from there onto terminals: short, and without control characters.
pub(super) fn check_words(field: &str, words: Option<&str>, chars_max: usize) -> Result<(), Failure> {
    let Some(words) = words else { return Ok(()) };
    if words.trim().is_empty() {
        return Err(Failure::bad_request(format!("`{field}` is empty")));
    }
    if words.chars().count() > chars_max {
        return Err(Failure::bad_request(format!("`{field}` is longer than {chars_max} characters")));
    }
    if words.chars().any(commands_a_terminal) {
        return Err(Failure::bad_request(format!(
            "`{field}` holds a line break or another control character"
        )));
    }
    Ok(())
}

/// Whether a character breaks lines, or turns the direction of those around it so that a record reads
/// otherwise than it was written (Unicode Standard Annex 9, section 2).
fn commands_a_terminal(character: char) -> bool {
    character.is_control() || matches!(character, '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

impl Failure {
    fn names_wanted(kind: &str) -> Failure {
        Failure::bad_request(format!("`{kind}` does not go with \"all\": name the alarms, or their group"))
    }

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
        ActRequest::new(ActKind::Acknowledge, alarms)
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

    fn these() -> Alarms {
        Alarms::These(vec!["h2s-high".to_owned()])
    }

    #[test]
    fn each_kind_asks_the_monitor_for_one_thing() {
        let kind = |kind: &str| {
            let line = format!(r#"{{"ask":"act","alarms":["x"],"remark":"why","kind":{kind}}}"#);
            let Request::Act(act) = parse(&line).unwrap() else { panic!("{line}") };
            act.action_kind().unwrap()
        };
        assert_eq!(kind(r#""acknowledge""#), ActionKind::Acknowledge);
        assert_eq!(kind(r#""reset""#), ActionKind::Reset);
        assert_eq!(kind(r#""shelve","for_s":7200"#), ActionKind::Shelve(Some(Duration::from_secs(7200))));
        assert_eq!(kind(r#""shelve","once":true"#), ActionKind::Shelve(None));
        assert_eq!(kind(r#""unshelve""#), ActionKind::Unshelve);
        assert_eq!(kind(r#""out_of_service""#), ActionKind::RemoveFromService);
        assert_eq!(kind(r#""in_service""#), ActionKind::ReturnToService);
    }

    #[test]
    fn a_request_reads_back_as_it_was_written() {
        for request in [
            Request::Status {},
            Request::Alarms {},
            Request::Journal(JournalRequest { last: Some(20), ..JournalRequest::default() }),
            Request::Act(act(Alarms::All(AllWord::All))),
            Request::Act(act(Alarms::Group(GroupName { group: "upset".to_owned() }))),
            Request::Act(ActRequest { seen: Some(245), ..act(Alarms::All(AllWord::All)) }),
            Request::Act(ActRequest { kind: ActKind::Shelve, once: true, ..act(these()) }),
            Request::Act(ActRequest { kind: ActKind::Shelve, for_s: Some(60), ..act(these()) }),
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
                "must be a list of alarm ids, {\"group\": \"…\"}, or \"all\"",
            ),
            (r#"{"ask":"act","kind":"shelve","alarms":["x"]}"#, "needs either `for_s`"),
            (r#"{"ask":"act","kind":"shelve","alarms":["x"],"for_s":0}"#, "needs either `for_s`"),
            (
                r#"{"ask":"act","kind":"shelve","alarms":["x"],"for_s":60,"once":true}"#,
                "needs either `for_s`",
            ),
            (r#"{"ask":"act","kind":"reset","alarms":["x"],"for_s":60}"#, "go with `shelve` alone"),
            (r#"{"ask":"act","kind":"shelve","alarms":"all","once":true}"#, "does not go with \"all\""),
            (
                r#"{"ask":"act","kind":"out_of_service","alarms":"all","remark":"x"}"#,
                "does not go with \"all\"",
            ),
            (r#"{"ask":"act","kind":"out_of_service","alarms":["x"]}"#, "needs a `remark`"),
            (
                r#"{"ask":"act","kind":"reset","alarms":"all","seen":3}"#,
                "`seen` goes with `acknowledge` alone",
            ),
            (r#"{"ask":"act","kind":"acknowledge","alarms":[]}"#, "names no alarm"),
            (r#"{"ask":"act","kind":"acknowledge","alarms":"all","remrak":"x"}"#, "unknown field `remrak`"),
            (r#"{"ask":"act","kind":"reset","alarms":"all","name":" "}"#, "`name` is empty"),
            (r#"{"ask":"act","kind":"reset","alarms":"all","remark":"a\u001b[2J"}"#, "control character"),
            (long_remark.as_str(), "longer than 500 characters"),
            (r#"{"ask":"lend_line","line":"east"}"#, "missing field `for_s`"),
            (r#"{"ask":"lend_line","line":"east","for_s":0}"#, "`for_s` must be 1 to 14400"),
            (r#"{"ask":"lend_line","line":"east","for_s":14401}"#, "`for_s` must be 1 to 14400"),
            (r#"{"ask":"lend_line","line":"east","for_s":9,"remark":" "}"#, "`remark` is empty"),
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
