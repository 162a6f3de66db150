//! How far the commissioning of a device has come, folded from the journal: so it is resumed after any
//! interruption, and what is printed is what the chain of hashes holds.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use crate::moment::Wall;
use crate::proving::checklist::{Checklist, ListStep};

/// An event of the journal, as much of it as matters here.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Its number.
    pub seq: u64,
    /// When.
    pub at: Wall,
    /// The word for what happened.
    pub kind: String,
    /// The id of what it happened to.
    pub subject: String,
    /// Who did it.
    pub who: Option<String>,
    /// Details by name.
    pub detail: Map<String, Value>,
    /// The chain's hash up to it, in hex.
    pub hash: String,
}

/// What a person answers to a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answered {
    /// Done, and as it should be.
    Done,
    /// Not as it should be: it stays open.
    Failed,
    /// There is nothing of the kind here.
    NotApplicable,
}

impl Answered {
    /// Every answer.
    pub const ALL: [Answered; 3] = [Answered::Done, Answered::Failed, Answered::NotApplicable];

    /// The word in the journal, in JSON and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Answered::Done => "done",
            Answered::Failed => "failed",
            Answered::NotApplicable => "not_applicable",
        }
    }

    /// The answer with this word.
    pub fn from_word(word: &str) -> Option<Answered> {
        Answered::ALL.into_iter().find(|answered| answered.word() == word)
    }
}

/// A commissioning.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// The event that began it. Details: checklist, checklist_sha256, steps.
    pub begun: Told,
    /// The last answer to each step, by the step's id.
    pub answers: BTreeMap<String, Told>,
    /// The event with which somebody signed for it.
    pub signed: Option<Told>,
    /// The last loop check since it began.
    pub loop_check: Option<Told>,
    /// The last calibration of each signal and point since it began.
    pub calibrations: Vec<Told>,
    /// For each alarm that was raised since then: whether it was ever cleared after that.
    pub alarms: BTreeMap<String, bool>,
}

/// The words of the events that make a record.
pub const BEGUN: &str = "commissioning_begun";
/// A step was answered.
pub const STEP: &str = "commissioning_step";
/// It was signed for.
pub const SIGNED: &str = "commissioning_signed";
/// A loop check was made.
pub const LOOP_CHECKED: &str = "loop_checked";
const CALIBRATED: &str = "calibration_recorded";
const RAISED: &str = "alarm_raised";
const CLEARED: &str = "alarm_cleared";

impl Record {
    /// The last commissioning of `device` in `events`, which are in order; `None` when there is none.
    pub fn of<'a>(device: &str, events: impl IntoIterator<Item = &'a Told>) -> Option<Record> {
        let mut record: Option<Record> = None;
        for told in events {
            if told.kind == BEGUN && told.subject == device {
                record = Some(Record::begun(told));
            } else if let Some(record) = &mut record {
                record.take(device, told);
            }
        }
        record
    }

    fn begun(told: &Told) -> Record {
        Record {
            begun: told.clone(),
            answers: BTreeMap::new(),
            signed: None,
            loop_check: None,
            calibrations: Vec::new(),
            alarms: BTreeMap::new(),
        }
    }

    fn take(&mut self, device: &str, told: &Told) {
        // What happens after the signature belongs to the daily work.
        if self.signed.is_some() {
            return;
        }
        match told.kind.as_str() {
            // Proven once is proven: it may come again at any time.
            RAISED => {
                self.alarms.entry(told.subject.clone()).or_insert(false);
            }
            CLEARED => {
                if let Some(cleared) = self.alarms.get_mut(&told.subject) {
                    *cleared = true;
                }
            }
            _ if told.subject != device => {}
            STEP => {
                if let Some(step) = told.text("step") {
                    self.answers.insert(step.to_owned(), told.clone());
                }
            }
            SIGNED => self.signed = Some(told.clone()),
            LOOP_CHECKED => self.loop_check = Some(told.clone()),
            CALIBRATED => {
                let of = |told: &Told| ["signal", "point"].map(|key| told.detail.get(key).cloned());
                self.calibrations.retain(|earlier| of(earlier) != of(told));
                self.calibrations.push(told.clone());
            }
            _ => {}
        }
    }

    /// The last answer to a step.
    pub fn answer(&self, step: &ListStep) -> Option<Answered> {
        Answered::from_word(self.answers.get(&step.id)?.text("result")?)
    }

    /// The steps that are not settled, in the list's order.
    pub fn open<'a>(&self, list: &'a Checklist) -> Vec<&'a ListStep> {
        let settled = |step: &&ListStep| match self.answer(step) {
            Some(Answered::Done | Answered::NotApplicable) => false,
            Some(Answered::Failed) | None => true,
        };
        list.steps.iter().filter(settled).collect()
    }
}

impl Told {
    /// A detail that is a text.
    pub fn text(&self, key: &str) -> Option<&str> {
        self.detail.get(key)?.as_str()
    }

    /// A detail that is a yes or no.
    pub fn flag(&self, key: &str) -> Option<bool> {
        self.detail.get(key)?.as_bool()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use serde_json::json;

    fn told(seq: u64, kind: &str, subject: &str, detail: Value) -> Told {
        Told {
            seq,
            at: "2026-03-02T15:00:00Z".parse().unwrap(),
            kind: kind.to_owned(),
            subject: subject.to_owned(),
            who: Some("Kim (kim)".to_owned()),
            detail: detail.as_object().cloned().unwrap_or_default(),
            hash: format!("{seq:064x}"),
        }
    }

    fn step(seq: u64, step: &str, result: &str) -> Told {
        told(seq, STEP, "h2s-1", json!({ "step": step, "result": result }))
    }

    fn list() -> Checklist {
        Checklist::parse(
            "name = 'x'\n[[step]]\nid = 'a'\ntitle = 't'\ndo = ['x']\n[[step]]\nid = 'b'\ntitle = 't'\ndo = ['x']\n",
        )
        .unwrap()
    }

    fn open(events: &[Told]) -> Vec<String> {
        let record = Record::of("h2s-1", events).unwrap();
        record.open(&list()).iter().map(|step| step.id.clone()).collect()
    }

    #[test]
    fn nothing_was_begun_where_the_journal_has_no_beginning() {
        assert_eq!(Record::of("h2s-1", &[step(1, "a", "done")]), None);
        assert_eq!(Record::of("h2s-1", &[told(1, BEGUN, "h2o-1", json!({}))]), None);
    }

    #[test]
    fn a_commissioning_goes_on_where_it_was_left() {
        let mut events = vec![told(1, BEGUN, "h2s-1", json!({}))];
        assert_eq!(open(&events), ["a", "b"]);
        events.push(step(2, "a", "done"));
        assert_eq!(open(&events), ["b"]);
        events.push(step(3, "b", "failed"));
        assert_eq!(open(&events), ["b"], "what failed is open");
        events.push(told(4, STEP, "h2o-1", json!({ "step": "b", "result": "done" })));
        assert_eq!(open(&events), ["b"], "another device's answers are its own");
        events.push(step(5, "b", "not_applicable"));
        assert!(open(&events).is_empty());
        events.push(step(6, "a", "failed"));
        assert_eq!(open(&events), ["a"], "the last answer counts");
        events.push(told(7, BEGUN, "h2s-1", json!({})));
        assert_eq!(open(&events), ["a", "b"], "begun anew, all is open");
    }

    #[test]
    fn what_happens_after_the_signature_does_not_change_the_record() {
        let mut events = vec![
            told(1, BEGUN, "h2s-1", json!({})),
            step(2, "a", "done"),
            told(3, SIGNED, "h2s-1", json!({})),
        ];
        let signed = Record::of("h2s-1", &events);
        events.push(step(4, "a", "failed"));
        events.push(told(5, LOOP_CHECKED, "h2s-1", json!({ "pass": false })));
        assert_eq!(Record::of("h2s-1", &events), signed);
    }

    #[test]
    fn an_alarm_is_proven_when_it_came_and_went_after_the_beginning() {
        let events = [
            told(1, RAISED, "early", json!({})),
            told(2, BEGUN, "h2s-1", json!({})),
            told(3, CLEARED, "early", json!({})),
            told(4, RAISED, "h2s-high", json!({})),
            told(5, RAISED, "h2s-low", json!({})),
            told(6, CLEARED, "h2s-high", json!({})),
            told(7, RAISED, "h2s-high", json!({})),
        ];
        let alarms = Record::of("h2s-1", &events).unwrap().alarms;
        assert_eq!(alarms, BTreeMap::from([("h2s-high".to_owned(), true), ("h2s-low".to_owned(), false)]));
    }

    #[test]
    fn of_a_calibration_the_last_at_each_point_counts() {
        let at = |seq, point, pass| {
            told(seq, CALIBRATED, "h2s-1", json!({ "signal": "c", "point": point, "pass": pass }))
        };
        let events = [
            told(1, BEGUN, "h2s-1", json!({})),
            at(2, "zero", true),
            at(3, "span", false),
            at(4, "span", true),
        ];
        let passes: Vec<(u64, bool)> = Record::of("h2s-1", &events)
            .unwrap()
            .calibrations
            .iter()
            .map(|told| (told.seq, told.flag("pass").unwrap()))
            .collect();
        assert_eq!(passes, [(2, true), (4, true)]);
    }
}
