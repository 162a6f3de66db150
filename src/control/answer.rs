//! From a request to its answer.

use std::time::Duration;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;
use tokio::time::timeout;

use crate::control::loan::Held;
use crate::control::proof;
use crate::control::protocol::{
    ActRequest, Acted, Alarms, Answer, Failure, FailureKind, JOURNAL_ENTRIES_DEFAULT, JournalRequest,
    PerformanceRequest, Request,
};
use crate::control::work::Done;
use crate::daemon::{ActError, Handle};
use crate::monitor::{Action, ActionResult, Refusal, Targets, Who, Work};
use crate::view::{self, Journal, Status, Word};

/// How long an action may take until it is in the journal.
const ACT_MAX: Duration = Duration::from_secs(8);

/// The answer to a request of this operating-system user, whose connection holds what is `held`.
pub(super) async fn answer(request: Request, user: &str, handle: &Handle, held: &mut Held) -> Answer {
    let answered = match request {
        Request::Status {} => json(&Status::of(&handle.snapshot(), handle.now())),
        Request::Alarms {} => json(&view::Alarms::of(&handle.snapshot(), handle.now())),
        Request::Journal(wanted) => journal(&wanted, handle).await,
        Request::Performance(wanted) => performance(wanted, handle).await,
        Request::Act(wanted) => act(wanted, user, handle).await,
        Request::LendLine(wanted) => held.lend(wanted, user, handle).await,
        Request::ReturnLine {} => held.give_back(),
        Request::BeginFunctionCheck(wanted) => work(wanted.device.clone(), wanted.work(user), handle).await,
        Request::EndFunctionCheck(wanted) => work(wanted.device.clone(), wanted.work(user), handle).await,
        Request::RecordGasTest(wanted) => {
            work(wanted.device.clone(), wanted.work(user, today(handle)), handle).await
        }
        Request::ChangeSensor(wanted) => work(wanted.device.clone(), wanted.work(user), handle).await,
        Request::Note(wanted) => {
            work(wanted.device.clone().unwrap_or_default(), wanted.work(user), handle).await
        }
        Request::Proof(wanted) => work(wanted.device.clone(), wanted.work(user), handle).await,
        Request::Readings(wanted) => json(&proof::readings(&wanted.device, &handle.snapshot())),
    };
    answered.unwrap_or_else(Answer::Error)
}

/// What day it is at the site.
fn today(handle: &Handle) -> Date {
    let zone = TimeZone::get(&handle.snapshot().time_zone).unwrap_or(TimeZone::UTC);
    zone.to_datetime(handle.now().wall).date()
}

pub(super) fn json(shape: &impl Serialize) -> Result<Answer, Failure> {
    serde_json::value::to_raw_value(shape)
        .map(Answer::Answer)
        .map_err(|error| unavailable(format!("the answer has no JSON: {error}")))
}

async fn journal(wanted: &JournalRequest, handle: &Handle) -> Result<Answer, Failure> {
    let after = wanted.after.unwrap_or(0);
    let limit = wanted.limit.unwrap_or(JOURNAL_ENTRIES_DEFAULT);
    let page = match wanted.last {
        Some(last) => handle.journal_last(last).await.map(|entries| Journal::of(entries, 0, usize::MAX)),
        None => handle.journal(after, limit).await.map(|entries| Journal::of(entries, after, limit)),
    };
    json(&page.map_err(|cause| unavailable(format!("the journal cannot be read: {cause}")))?)
}

async fn performance(wanted: PerformanceRequest, handle: &Handle) -> Result<Answer, Failure> {
    let figures = handle.performance(wanted.from.0, wanted.to.0).await;
    let figures = figures.map_err(|cause| unavailable(format!("the journal cannot be read: {cause}")))?;
    json(&view::Performance::from(figures))
}

async fn act(wanted: ActRequest, user: &str, handle: &Handle) -> Result<Answer, Failure> {
    tracing::info!(user, kind = ?wanted.kind, "operator action");
    let action = Action {
        kind: wanted.action_kind()?,
        targets: match wanted.alarms {
            Alarms::These(ids) => Targets::These(ids),
            Alarms::Group(named) => Targets::Group(named.group),
            Alarms::All(_) => Targets::All,
        },
        who: Who { user: user.to_owned(), name: wanted.name },
        remark: wanted.remark,
        seen: wanted.seen,
    };
    let results = in_time(handle.act(action)).await?;
    json(&results.into_iter().map(Acted::from).collect::<Vec<_>>())
}

/// Does what a person asks of the device `asked`.
async fn work(asked: String, work: Work, handle: &Handle) -> Result<Answer, Failure> {
    tracing::info!(user = work.who.user, device = asked, "work on a device");
    let worked = in_time(handle.work(work)).await?;
    json(&Done::of(asked, worked))
}

/// The outcome of something that is recorded before it is answered.
async fn in_time<T>(asked: impl Future<Output = Result<T, ActError>>) -> Result<T, Failure> {
    match timeout(ACT_MAX, asked).await {
        Ok(Ok(outcome)) => Ok(outcome),
        Ok(Err(error)) => Err(Failure {
            kind: match error {
                ActError::Stopping => FailureKind::Stopping,
                ActError::NotRecorded(_) => FailureKind::NotRecorded,
            },
            message: error.to_string(),
        }),
        Err(_) => Err(unavailable(format!(
            "no answer within {} s; the action may still be carried out, look before asking again",
            ACT_MAX.as_secs()
        ))),
    }
}

pub(super) fn unavailable(message: String) -> Failure {
    Failure { kind: FailureKind::Unavailable, message }
}

impl From<ActionResult> for Acted {
    fn from(result: ActionResult) -> Acted {
        let mut acted = Acted {
            alarm: result.alarm,
            done: result.result.is_ok(),
            state: None,
            indeterminate: result.indeterminate,
            refused: None,
            nearest: None,
            withheld: None,
            max_s: None,
        };
        match result.result {
            Ok(life) => acted.state = Some(Word(life)),
            Err(refusal) => {
                acted.refused = Some(word(&refusal).to_owned());
                acted.explain(refusal);
            }
        }
        acted
    }
}

impl Acted {
    /// Takes over what a refusal tells beside its word.
    fn explain(&mut self, refusal: Refusal) {
        match refusal {
            Refusal::UnknownAlarm { nearest } | Refusal::UnknownGroup { nearest } => self.nearest = nearest,
            Refusal::NothingToAcknowledge(life) | Refusal::NothingToReset(life) => {
                self.state = Some(Word(life));
            }
            Refusal::Withheld(withheld) => self.withheld = Some(Word(withheld)),
            Refusal::ShelvedTooLong { max } => self.max_s = Some(max.as_secs()),
            Refusal::NotSeen
            | Refusal::StillActive
            | Refusal::ConditionUnknown
            | Refusal::NotAcknowledged
            | Refusal::NotShelved
            | Refusal::AlreadyOutOfService
            | Refusal::AlreadyInService => {}
        }
    }
}

const fn word(refusal: &Refusal) -> &'static str {
    match refusal {
        Refusal::UnknownAlarm { .. } => "unknown_alarm",
        Refusal::UnknownGroup { .. } => "unknown_group",
        Refusal::NothingToAcknowledge(_) => "nothing_to_acknowledge",
        Refusal::NotSeen => "not_seen",
        Refusal::NothingToReset(_) => "nothing_to_reset",
        Refusal::StillActive => "still_active",
        Refusal::ConditionUnknown => "condition_unknown",
        Refusal::NotAcknowledged => "not_acknowledged",
        Refusal::Withheld(_) => "withheld",
        Refusal::ShelvedTooLong { .. } => "shelved_too_long",
        Refusal::NotShelved => "not_shelved",
        Refusal::AlreadyOutOfService => "already_out_of_service",
        Refusal::AlreadyInService => "already_in_service",
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::time::Duration;

    use super::*;
    use crate::alarm::{Life, Withheld};

    const DOCUMENT: &str = include_str!("../../docs/control-socket.md");

    fn refusals() -> Vec<Refusal> {
        vec![
            Refusal::UnknownAlarm { nearest: Some("h2s-high".to_owned()) },
            Refusal::UnknownGroup { nearest: None },
            Refusal::NothingToAcknowledge(Life::Normal),
            Refusal::NotSeen,
            Refusal::NothingToReset(Life::Normal),
            Refusal::StillActive,
            Refusal::NotAcknowledged,
            Refusal::Withheld(Withheld::Shelved),
            Refusal::ShelvedTooLong { max: Duration::from_secs(43_200) },
            Refusal::NotShelved,
            Refusal::AlreadyOutOfService,
            Refusal::AlreadyInService,
        ]
    }

    #[test]
    fn every_refusal_stands_in_the_document() {
        for refusal in refusals() {
            let row = format!("\n| `{}` | ", word(&refusal));
            assert!(DOCUMENT.contains(&row), "{refusal:?}");
        }
    }

    #[test]
    fn the_documents_answers_are_what_is_really_sent() {
        let sent = [
            ("h2s-high", Ok(Life::Acknowledged)),
            ("h2s-hihg", Err(refusals().remove(0))),
            ("flow-low", Err(refusals().remove(8))),
        ];
        for (alarm, result) in sent {
            let acted = Acted::from(ActionResult { alarm: alarm.to_owned(), result, indeterminate: false });
            let answer = serde_json::to_string(&json(&[acted]).unwrap()).unwrap();
            assert!(DOCUMENT.contains(&answer), "{answer}");
        }
    }
}
