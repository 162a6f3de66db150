//! What travels on the control socket when a person proves an analyzer: what it last said, loop checks, and
//! the steps of a commissioning. The words are a contract (`docs/control-socket.md`).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::control::protocol::{Failure, NAME_CHARS_MAX, REMARK_CHARS_MAX, check_words};
use crate::control::work::Said;
use crate::monitor::{Detail, EventKind, Snapshot, Work, WorkKind};
use crate::signal::device_id;
use crate::view::{Instant, Value};

/// The most points, causes or findings in one request.
pub const LIST_ITEMS_MAX: usize = 100;

/// What a device last said.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingsRequest {
    /// The device's id.
    pub device: String,
}

/// What a device last said for one of its signals: no measurement while `quality` is `bad`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// `device.signal`.
    pub signal: String,
    /// The number as it was read and scaled, whatever it is worth; `null` when it never was.
    pub said: Option<Value>,
    /// When.
    pub time: Option<Instant>,
    /// The word of its quality.
    pub quality: String,
    /// Why it is not good.
    pub reasons: Vec<String>,
}

/// What every signal of the device last said; empty when there is no such device.
pub(super) fn readings(device: &str, snapshot: &Snapshot) -> Vec<Reading> {
    let signals = snapshot.signals.iter().filter(|signal| device_id(&signal.id) == device);
    signals
        .map(|signal| Reading {
            signal: signal.id.clone(),
            said: signal.last_answer.map(|(value, _)| Value::from(value)),
            time: signal.last_answer.map(|(_, at)| Instant::from(at)),
            quality: signal.sample.quality().word().to_owned(),
            reasons: signal.sample.reasons().iter().map(|reason| reason.word().to_owned()).collect(),
        })
        .collect()
}

/// What was proven of a device, for the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProofRequest {
    /// The device's id.
    pub device: String,
    /// What.
    pub proof: Proof,
    /// Who proved it, beside the operating-system user that the daemon finds out by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What they have to say about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
}

/// What was proven.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Proof {
    /// Register, loop and display were compared.
    LoopChecked {
        /// The signal of the register.
        signal: String,
        /// The signal of the loop.
        #[serde(rename = "loop")]
        loop_signal: String,
        /// What was found at each point, in words.
        points: Vec<String>,
        /// The greatest gap, in % of the span.
        worst_pct: Option<f64>,
        /// How great it may be.
        tolerance_pct: f64,
        /// Whether all agrees.
        pass: bool,
        /// The words of the likely causes.
        causes: Vec<String>,
        /// The word for the end of the loop that is at fault, when a meter told.
        side: Option<String>,
    },
    /// A commissioning begins.
    CommissioningBegun {
        /// The list's name.
        checklist: String,
        /// SHA-256 of the list's file, in hex.
        checklist_sha256: String,
        /// How many steps it has.
        steps: u32,
    },
    /// A step was answered.
    CommissioningStep {
        /// Its id.
        step: String,
        /// What it is about.
        title: String,
        /// `done`, `failed` or `not_applicable`.
        result: String,
        /// What siskin saw for itself: `pass`, `fail` or `unknown`.
        check: Option<String>,
        /// That in words.
        seen: Vec<String>,
        /// A number that was noted.
        number: Option<f64>,
        /// Its unit.
        unit: Option<String>,
        /// Words that were noted.
        text: Option<String>,
    },
    /// A person signs for it.
    CommissioningSigned {
        /// SHA-256 of the list's file, in hex.
        checklist_sha256: String,
        /// How many steps are settled.
        steps: u32,
    },
}

impl ProofRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        check_words("name", self.name.as_deref(), NAME_CHARS_MAX)?;
        check_words("remark", self.remark.as_deref(), REMARK_CHARS_MAX)?;
        if matches!(self.proof, Proof::CommissioningSigned { .. }) && self.name.is_none() {
            let message = "`commissioning_signed` needs a `name`: a person signs".to_owned();
            return Err(Failure::bad_request(message));
        }
        for (name, detail) in self.proof.details() {
            match detail {
                Detail::Text(text) => check_words(name, Some(&text), REMARK_CHARS_MAX)?,
                Detail::List(items) if items.len() > LIST_ITEMS_MAX => {
                    let message = format!("`{name}` has more than {LIST_ITEMS_MAX} items");
                    return Err(Failure::bad_request(message));
                }
                Detail::List(items) => {
                    items.iter().try_for_each(|item| check_words(name, Some(item), REMARK_CHARS_MAX))?;
                }
                Detail::Number(_) | Detail::Flag(_) => {}
            }
        }
        Ok(())
    }

    pub(super) fn work(self, user: &str) -> Work {
        let (kind, detail) = (self.proof.kind(), self.proof.details());
        let said = Said { name: self.name, remark: self.remark };
        said.work(user, WorkKind::Prove { device: self.device, kind, detail })
    }
}

impl Proof {
    const fn kind(&self) -> EventKind {
        match self {
            Proof::LoopChecked { .. } => EventKind::LoopChecked,
            Proof::CommissioningBegun { .. } => EventKind::CommissioningBegun,
            Proof::CommissioningStep { .. } => EventKind::CommissioningStep,
            Proof::CommissioningSigned { .. } => EventKind::CommissioningSigned,
        }
    }

    /// What the journal keeps of it.
    fn details(&self) -> BTreeMap<&'static str, Detail> {
        let text = |text: &String| Some(Detail::Text(text.clone()));
        // What is no number has no place in the journal.
        let number = |number: f64| number.is_finite().then_some(Detail::Number(number));
        let list = |items: &Vec<String>| (!items.is_empty()).then(|| Detail::List(items.clone()));
        let given = match self {
            Proof::LoopChecked {
                signal,
                loop_signal,
                points,
                worst_pct,
                tolerance_pct,
                pass,
                causes,
                side,
            } => {
                vec![
                    ("signal", text(signal)),
                    ("loop", text(loop_signal)),
                    ("points", list(points)),
                    ("worst_pct", worst_pct.and_then(number)),
                    ("tolerance_pct", number(*tolerance_pct)),
                    ("pass", Some(Detail::Flag(*pass))),
                    ("causes", list(causes)),
                    ("side", side.as_ref().and_then(text)),
                ]
            }
            Proof::CommissioningBegun { checklist, checklist_sha256, steps } => vec![
                ("checklist", text(checklist)),
                ("checklist_sha256", text(checklist_sha256)),
                ("steps", number(f64::from(*steps))),
            ],
            Proof::CommissioningStep {
                step,
                title,
                result,
                check,
                seen,
                number: noted,
                unit,
                text: words,
            } => vec![
                ("step", text(step)),
                ("title", text(title)),
                ("result", text(result)),
                ("check", check.as_ref().and_then(text)),
                ("seen", list(seen)),
                ("number", noted.and_then(number)),
                ("unit", unit.as_ref().and_then(text)),
                ("text", words.as_ref().and_then(text)),
            ],
            Proof::CommissioningSigned { checklist_sha256, steps } => {
                vec![("checklist_sha256", text(checklist_sha256)), ("steps", number(f64::from(*steps)))]
            }
        };
        given.into_iter().filter_map(|(name, detail)| Some((name, detail?))).collect()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::control::protocol::Request;

    fn told(proof: &str) -> String {
        let line = format!(r#"{{"ask":"proof","device":"h2s-1","proof":{proof}}}"#);
        Request::parse(line.as_bytes()).map(|_| String::new()).unwrap_or_else(|failure| failure.message)
    }

    #[test]
    fn what_cannot_go_into_the_record_is_refused() {
        let many = vec!["\"x\""; LIST_ITEMS_MAX + 1].join(",");
        let step = |seen: &str| {
            format!(
                r#"{{"kind":"commissioning_step","step":"a","title":"t","result":"done","seen":[{seen}]}}"#
            )
        };
        for (proof, expected) in [
            (step("\"fine\"").as_str(), ""),
            (step(&many).as_str(), "`seen` has more than 100 items"),
            (step("\"a\\u001b[2J\"").as_str(), "control character"),
            (r#"{"kind":"commissioning_signed","checklist_sha256":"00","steps":1}"#, "needs a `name`"),
            (r#"{"kind":"alarm_raised"}"#, "unknown variant"),
        ] {
            let told = told(proof);
            assert!(told.contains(expected) && told.is_empty() == expected.is_empty(), "{proof}: {told}");
        }
    }
}
