//! From a request to its answer.

use std::time::Duration;

use serde::Serialize;
use tokio::time::timeout;

use crate::control::protocol::{
    ActKind, ActRequest, Acted, Alarms, Answer, Failure, FailureKind, JOURNAL_ENTRIES_DEFAULT,
    JournalRequest, Request,
};
use crate::daemon::{ActError, Handle};
use crate::monitor::{Action, ActionKind, ActionResult, Refusal, Targets, Who};
use crate::view::{self, Journal, Status, Word};

/// How long an action may take until it is in the journal.
const ACT_MAX: Duration = Duration::from_secs(8);

/// The answer to a request of this operating-system user.
pub(super) async fn answer(request: Request, user: &str, handle: &Handle) -> Answer {
    let answered = match request {
        Request::Status {} => json(&Status::of(&handle.snapshot(), handle.now())),
        Request::Alarms {} => json(&view::Alarms::of(&handle.snapshot(), handle.now())),
        Request::Journal(wanted) => journal(&wanted, handle).await,
        Request::Act(wanted) => act(wanted, user, handle).await,
    };
    answered.unwrap_or_else(Answer::Error)
}

fn json(shape: &impl Serialize) -> Result<Answer, Failure> {
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

async fn act(wanted: ActRequest, user: &str, handle: &Handle) -> Result<Answer, Failure> {
    tracing::info!(user, kind = ?wanted.kind, "operator action");
    let action = Action {
        kind: match wanted.kind {
            ActKind::Acknowledge => ActionKind::Acknowledge,
            ActKind::Reset => ActionKind::Reset,
        },
        targets: match wanted.alarms {
            Alarms::These(ids) => Targets::These(ids),
            Alarms::All(_) => Targets::All,
        },
        who: Who { user: user.to_owned(), name: wanted.name },
        remark: wanted.remark,
        seen: None,
    };
    match timeout(ACT_MAX, handle.act(action)).await {
        Ok(Ok(results)) => json(&results.into_iter().map(Acted::from).collect::<Vec<_>>()),
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

fn unavailable(message: String) -> Failure {
    Failure { kind: FailureKind::Unavailable, message }
}

impl From<ActionResult> for Acted {
    fn from(result: ActionResult) -> Acted {
        let (state, refused, nearest) = match result.result {
            Ok(life) => (Some(life), None, None),
            Err(Refusal::UnknownAlarm { nearest }) => (None, Some("unknown_alarm"), nearest),
            Err(Refusal::NothingToAcknowledge(life)) => (Some(life), Some("nothing_to_acknowledge"), None),
            Err(Refusal::NothingToReset(life)) => (Some(life), Some("nothing_to_reset"), None),
            Err(Refusal::StillActive) => (None, Some("still_active"), None),
            Err(Refusal::NotAcknowledged) => (None, Some("not_acknowledged"), None),
            Err(Refusal::NotSeen) => (None, Some("not_seen"), None),
            Err(Refusal::Withheld(_)) => (None, Some("withheld"), None),
            Err(Refusal::ShelvedTooLong { .. }) => (None, Some("shelved_too_long"), None),
            Err(Refusal::NotShelved) => (None, Some("not_shelved"), None),
            Err(Refusal::AlreadyOutOfService) => (None, Some("already_out_of_service"), None),
            Err(Refusal::AlreadyInService) => (None, Some("already_in_service"), None),
        };
        Acted {
            alarm: result.alarm,
            done: refused.is_none(),
            state: state.map(Word),
            refused: refused.map(str::to_owned),
            nearest,
        }
    }
}
