//! What travels on the control socket when a person works on a device: the requests, and what becomes
//! of them. The words are a contract (`docs/control-socket.md`).

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::control::protocol::{Failure, NAME_CHARS_MAX, REMARK_CHARS_MAX, check_words};
use crate::monitor::{Hindrance, Who, Work, WorkKind, Worked};
use crate::view::{Calibration, Instant};

/// The longest purpose of a function check, in characters.
pub const PURPOSE_CHARS_MAX: usize = 64;
/// The longest note, in characters.
pub const NOTE_CHARS_MAX: usize = 500;

/// Take a device into function check: nothing it says counts as a measurement until it ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BeginRequest {
    /// The device's id.
    pub device: String,
    /// For how many seconds at most; then it ends by itself, and an alarm tells of it.
    pub for_s: u64,
    /// What for, in a word or two.
    pub purpose: String,
    /// It may be in function check already: this deadline takes the place of that one.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub again: bool,
    /// Who asks, and why.
    #[serde(flatten)]
    pub said: Said,
}

/// End the function check of a device: process gas flows through it again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EndRequest {
    /// The device's id.
    pub device: String,
    /// Who asks, and why.
    #[serde(flatten)]
    pub said: Said,
}

/// Something for the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoteRequest {
    /// The device it is about; without one, the site.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// What is to be recorded.
    pub text: String,
    /// The person's name, beside the operating-system user that the daemon finds out by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// Who says it and why.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// The person's name, beside the operating-system user that the daemon finds out by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Why, in their words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
}

/// What has become of the work.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Done {
    /// The device's id as it was asked for, or the site's.
    pub subject: String,
    /// Whether it was done.
    pub done: bool,
    /// When the function check ends by itself, if the device is in one.
    pub until: Option<Instant>,
    /// Why it was not done; the words are listed in `docs/control-socket.md`.
    pub refused: Option<String>,
    /// For `unknown_device`: the name that was perhaps meant.
    pub nearest: Option<String>,
    /// For `already_in_function_check`: who has the device in it.
    pub by: Option<String>,
    /// For `too_long`: the longest time that the site allows, in seconds.
    pub max_s: Option<u64>,
    /// What was recorded of a calibration gas.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Calibration>,
    /// For `doubtful_gas`: what makes it so.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
    /// For `too_few_answers`: how many there are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub have: Option<usize>,
    /// The new sensor's number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// When the new sensor has settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settles_until: Option<Instant>,
}

impl BeginRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        if self.for_s == 0 {
            let message = "`for_s` must be a number of seconds from 1 on".to_owned();
            return Err(Failure::bad_request(message));
        }
        check_words("purpose", Some(&self.purpose), PURPOSE_CHARS_MAX)?;
        self.said.check()
    }

    pub(super) fn work(self, user: &str) -> Work {
        let BeginRequest { device, for_s, purpose, again, said } = self;
        let lasting = Duration::from_secs(for_s);
        said.work(user, WorkKind::BeginFunctionCheck { device, lasting, purpose, again })
    }
}

impl EndRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        self.said.check()
    }

    pub(super) fn work(self, user: &str) -> Work {
        self.said.work(user, WorkKind::EndFunctionCheck { device: self.device })
    }
}

impl NoteRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        check_words("text", Some(&self.text), NOTE_CHARS_MAX)?;
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)
    }

    pub(super) fn work(self, user: &str) -> Work {
        let said = Said { name: self.name, remark: None };
        said.work(user, WorkKind::Note { about: self.device, text: self.text })
    }
}

impl Said {
    /// Refuses words that are empty, too long, or no plain text.
    ///
    /// # Errors
    /// A [`Failure`] that says which, and what is wrong.
    pub fn check(&self) -> Result<(), Failure> {
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)?;
        check_words("remark", self.remark.as_deref(), REMARK_CHARS_MAX)
    }

    pub(super) fn work(self, user: &str, kind: WorkKind) -> Work {
        Work { kind, who: Who { user: user.to_owned(), name: self.name }, remark: self.remark }
    }
}

impl Done {
    /// What became of the work that was asked for on `asked`.
    pub(super) fn of(asked: String, worked: Result<Worked, Hindrance>) -> Done {
        let mut done = Done {
            subject: asked,
            done: worked.is_ok(),
            until: None,
            refused: None,
            nearest: None,
            by: None,
            max_s: None,
            recorded: None,
            doubts: Vec::new(),
            have: None,
            serial: None,
            settles_until: None,
        };
        match worked {
            Ok(worked) => {
                done.subject = worked.subject;
                done.until = worked.until.map(Instant);
                done.recorded = worked.recorded.as_deref().map(Calibration::from);
                if let Some(fitted) = worked.fitted {
                    done.settles_until = fitted.settles_until.map(Instant);
                    done.serial = Some(fitted.serial);
                }
            }
            Err(hindrance) => {
                done.refused = Some(word(&hindrance).to_owned());
                done.explain(hindrance);
            }
        }
        done
    }

    /// Takes over what a hindrance tells beside its word.
    fn explain(&mut self, hindrance: Hindrance) {
        match hindrance {
            Hindrance::UnknownDevice { nearest } | Hindrance::UnknownSignal { nearest } => {
                self.nearest = nearest;
            }
            Hindrance::AlreadyInFunctionCheck(check) => {
                self.by = Some(check.by.to_string());
                self.until = Some(Instant(check.until.wall));
            }
            Hindrance::TooLong { max } => self.max_s = Some(max.as_secs()),
            Hindrance::DoubtfulGas(doubts) => {
                self.doubts = doubts.iter().map(|doubt| doubt.word().to_owned()).collect();
            }
            Hindrance::TooFewAnswers { have } => self.have = Some(have),
            Hindrance::NotInFunctionCheck | Hindrance::NoRange | Hindrance::NoSensor | Hindrance::NotYet => {}
        }
    }
}

const fn word(hindrance: &Hindrance) -> &'static str {
    match hindrance {
        Hindrance::UnknownDevice { .. } => "unknown_device",
        Hindrance::AlreadyInFunctionCheck(_) => "already_in_function_check",
        Hindrance::NotInFunctionCheck => "not_in_function_check",
        Hindrance::TooLong { .. } => "too_long",
        Hindrance::UnknownSignal { .. } => "unknown_signal",
        Hindrance::NoRange => "no_range",
        Hindrance::DoubtfulGas(_) => "doubtful_gas",
        Hindrance::TooFewAnswers { .. } => "too_few_answers",
        Hindrance::NoSensor => "no_sensor",
        Hindrance::NotYet => "not_yet",
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibration::{Doubt, Point, Stage};
    use crate::control::gas_test::STANDARD_ID_CHARS_MAX;
    use crate::control::protocol::Request;
    use crate::moment::{Moment, Mono, Wall};
    use crate::monitor::{Fitted, FunctionCheck, Recorded};

    const DOCUMENT: &str = include_str!("../../docs/control-socket.md");

    fn at() -> Wall {
        "2026-03-02T15:34:05Z".parse().unwrap()
    }

    fn hindrances() -> Vec<Hindrance> {
        let by = Who { user: "kim".to_owned(), name: None };
        let until = Moment { mono: Mono::ZERO, wall: at() };
        let check = FunctionCheck { by, since: at(), until, purpose: "calibration".to_owned() };
        vec![
            Hindrance::UnknownDevice { nearest: Some("h2s-1".to_owned()) },
            Hindrance::AlreadyInFunctionCheck(check),
            Hindrance::NotInFunctionCheck,
            Hindrance::TooLong { max: Duration::from_secs(14_400) },
            Hindrance::UnknownSignal { nearest: Some("h2s-1.concentration".to_owned()) },
            Hindrance::NoRange,
            Hindrance::DoubtfulGas(vec![Doubt::Expired]),
            Hindrance::TooFewAnswers { have: 1 },
            Hindrance::NoSensor,
            Hindrance::NotYet,
        ]
    }

    fn recorded() -> Recorded {
        Recorded {
            signal: "h2s-1.concentration".to_owned(),
            point: Point::Span,
            stage: Stage::AsFound,
            at: "2026-03-02T15:10:00Z".parse().unwrap(),
            session: Some("2026-03-02T15:04:05Z".parse().unwrap()),
            by: Who { user: "kim".to_owned(), name: None },
            standard: 16.0,
            standard_id: "CYL-0417".to_owned(),
            expires: Some(jiff::civil::date(2027, 3, 31)),
            reading: 15.75,
            error_pct: -1.25,
            tolerance_pct: 2.0,
            drift_pct: Some(-1.5),
            doubts: Vec::new(),
        }
    }

    fn fitted() -> Fitted {
        Fitted {
            serial: "S-4711".to_owned(),
            since: at(),
            at: at(),
            by: Who { user: "kim".to_owned(), name: None },
            open_to_air: Some(Duration::from_secs(300)),
            settles_until: Some("2026-03-02T17:34:05Z".parse().unwrap()),
        }
    }

    #[test]
    fn every_hindrance_stands_in_the_document() {
        for hindrance in hindrances() {
            let row = format!("\n| `{}` | ", word(&hindrance));
            assert!(DOCUMENT.contains(&row), "{row}");
        }
    }

    #[test]
    fn the_documents_answers_are_what_is_really_sent() {
        let worked =
            |recorded| Worked { subject: "h2s-1".to_owned(), until: Some(at()), recorded, fitted: None };
        let begun = worked(None);
        for (asked, worked) in [
            ("h2s-1", Ok(begun)),
            ("h2s-1", Ok(worked(Some(Box::new(recorded()))))),
            ("h2s-1", Err(hindrances().remove(6))),
            ("h2s-1", Err(hindrances().remove(7))),
            ("h2s-1", Ok(Worked { until: None, fitted: Some(Box::new(fitted())), ..worked(None) })),
            ("h2s-1", Err(hindrances().remove(8))),
            ("h2s1", Err(hindrances().remove(0))),
            ("h2s-1", Err(hindrances().remove(1))),
            ("h2s-1", Err(hindrances().remove(3))),
        ] {
            let answer = serde_json::to_string(&Done::of(asked.to_owned(), worked)).unwrap();
            assert!(DOCUMENT.contains(&format!("{{\"answer\":{answer}}}")), "{answer}");
        }
    }

    #[test]
    fn what_cannot_go_into_the_record_is_refused() {
        let long = "x".repeat(NOTE_CHARS_MAX + 1);
        let long_note = format!(r#"{{"ask":"note","text":"{long}"}}"#);
        let purpose = "x".repeat(PURPOSE_CHARS_MAX + 1);
        let long_purpose =
            format!(r#"{{"ask":"begin_function_check","device":"d","for_s":1,"purpose":"{purpose}"}}"#);
        let standard_id = "x".repeat(STANDARD_ID_CHARS_MAX + 1);
        let long_standard_id = format!(
            r#"{{"ask":"record_gas_test","device":"d","signal":"s","point":"zero","stage":"as_left","standard":1,"standard_id":"{standard_id}"}}"#
        );
        for (line, expected) in [
            (long_standard_id.as_str(), "longer than 64 characters"),
            (
                r#"{"ask":"record_gas_test","device":"d","signal":"s","point":"zero","stage":"as_left","standard":1,"standard_id":"x","expires":"soon"}"#,
                "no day such as 2027-03-31",
            ),
            (r#"{"ask":"begin_function_check","device":"d","for_s":0,"purpose":"x"}"#, "from 1 on"),
            (r#"{"ask":"begin_function_check","device":"d","for_s":60}"#, "missing field `purpose`"),
            (r#"{"ask":"begin_function_check","device":"d","for_s":60,"purpose":" "}"#, "`purpose` is empty"),
            (long_purpose.as_str(), "longer than 64 characters"),
            (r#"{"ask":"end_function_check","device":"d","remrak":"x"}"#, "unknown field `remrak`"),
            (
                r#"{"ask":"record_gas_test","device":"d","signal":"s","point":"middle","stage":"as_left","standard":1,"standard_id":"x"}"#,
                "unknown word \"middle\"",
            ),
            (
                r#"{"ask":"record_gas_test","device":"d","signal":"s","point":"zero","stage":"as_left","standard":1,"standard_id":" "}"#,
                "`standard_id` is empty",
            ),
            (r#"{"ask":"note","text":""}"#, "`text` is empty"),
            (r#"{"ask":"note","text":"a\u0007"}"#, "control character"),
            (r#"{"ask":"note","text":"16\u202e21 ppmv"}"#, "control character"),
            (r#"{"ask":"note","text":"a\u2028b"}"#, "control character"),
            (long_note.as_str(), "longer than 500 characters"),
        ] {
            let told = Request::parse(line.as_bytes()).unwrap_err().message;
            assert!(told.contains(expected), "{line}: {told}");
        }
    }
}
