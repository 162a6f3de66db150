//! What became of an operator's action, in words: one line for each alarm.

use std::time::Duration;

use crate::alarm::{Life, Withheld};
use crate::control::protocol::{ActKind, ActRequest, Acted, Alarms};
use crate::view::{Word, words};

/// Said when there was no alarm for which the action means something.
pub(super) fn nothing_to_do(request: &ActRequest) -> String {
    let none = match &request.alarms {
        Alarms::Group(named) => format!("No alarm of the group {}", named.group),
        Alarms::These(_) | Alarms::All(_) => "No alarm".to_owned(),
    };
    let what = match request.kind {
        ActKind::Acknowledge => "waits for an acknowledgement",
        ActKind::Reset => "waits for a reset",
        ActKind::Shelve => "can be shelved",
        ActKind::Unshelve => "is shelved",
        ActKind::OutOfService => "is in service",
        ActKind::InService => "is out of service",
    };
    format!("{none} {what}.")
}

/// What became of one alarm.
pub(super) fn fate(request: &ActRequest, result: &Acted) -> String {
    match &result.refused {
        Some(refused) => format!("refused: {}", refusal(refused, result)),
        None => done(request, result),
    }
}

fn done(request: &ActRequest, result: &Acted) -> String {
    let state = state(result);
    match request.kind {
        ActKind::Acknowledge | ActKind::Reset => state,
        ActKind::Shelve => match request.for_s {
            Some(seconds) => format!("shelved for {}", words::duration(Duration::from_secs(seconds))),
            None => {
                "shelved until its condition is gone for the first time, or the site's longest time is over"
                    .to_owned()
            }
        },
        ActKind::Unshelve => format!("no longer shelved, {state}"),
        ActKind::OutOfService => "out of service until it is put back".to_owned(),
        ActKind::InService => format!("back in service, {state}"),
    }
}

fn state(result: &Acted) -> String {
    match result.state {
        None => "its state is not known".to_owned(),
        Some(life) if result.indeterminate => words::life_not_judged(life.0),
        Some(life) => words::alarm_state(life.0).to_owned(),
    }
}

/// `, it is normal`, for one that has nothing to be answered.
fn it_is(result: &Acted) -> String {
    let state = state(result);
    match result.state {
        Some(Word(Life::Normal)) if result.indeterminate => format!("; it {state}"),
        Some(_) | None => format!(", it is {state}"),
    }
}

fn refusal(refused: &str, result: &Acted) -> String {
    let Acted { alarm, nearest, .. } = result;
    let told = match refused {
        "unknown_alarm" => match nearest {
            Some(nearest) => return format!("no such alarm; is {nearest} meant?"),
            None => "no such alarm; `siskin alarms --all` shows them",
        },
        "unknown_group" => match nearest {
            Some(nearest) => return format!("no alarm is in such a group; is {nearest} meant?"),
            None => "no alarm is in such a group; `siskin alarms --all` shows them",
        },
        "nothing_to_acknowledge" => return format!("nothing to acknowledge{}", it_is(result)),
        "not_seen" => "it has called since you looked: look again, then acknowledge",
        "nothing_to_reset" => return format!("nothing to reset{}", it_is(result)),
        "still_active" => "its condition still holds, and a reset would hide it",
        "condition_unknown" => "its condition cannot be known now, and a reset would call it normal",
        "not_acknowledged" => "it must be acknowledged first",
        "withheld" => return withheld(alarm, result.withheld.map(|why| why.0)),
        "shelved_too_long" => {
            let max = result.max_s.map(|seconds| words::duration(Duration::from_secs(seconds)));
            let max = max.unwrap_or_else(|| "its longest time".to_owned());
            return format!("the site lets no alarm be shelved for longer than {max}");
        }
        "not_shelved" => "it is not shelved",
        "already_out_of_service" => "it is out of service already",
        "already_in_service" => "it is in service already",
        other => return other.replace('_', " "),
    };
    told.to_owned()
}

fn withheld(alarm: &str, why: Option<Withheld>) -> String {
    match why {
        Some(Withheld::Shelved) => {
            format!("it is shelved and calls nobody; `siskin unshelve {alarm}` takes it back first")
        }
        Some(Withheld::OutOfService) => {
            format!("it is out of service and calls nobody; `siskin in-service {alarm}` puts it back first")
        }
        Some(Withheld::Suppressed) => {
            "the site's own logic suppresses it now, and it calls nobody".to_owned()
        }
        None => "it is withheld and calls nobody".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::monitor::{ActionResult, Refusal};

    fn told(kind: ActKind, result: Result<Life, Refusal>, indeterminate: bool) -> String {
        let request = ActRequest { for_s: Some(7200), ..ActRequest::new(kind, Alarms::These(Vec::new())) };
        let alarm = "h2s-high".to_owned();
        fate(&request, &Acted::from(ActionResult { alarm, result, indeterminate }))
    }

    #[test]
    fn what_was_done_is_said_in_words() {
        for (kind, life, expected) in [
            (ActKind::Acknowledge, Life::Acknowledged, "active, acknowledged"),
            (ActKind::Reset, Life::Normal, "normal"),
            (ActKind::Shelve, Life::Unacknowledged, "shelved for 2 h"),
            (ActKind::Unshelve, Life::Unacknowledged, "no longer shelved, active, not acknowledged"),
            (ActKind::OutOfService, Life::Normal, "out of service until it is put back"),
            (ActKind::InService, Life::Normal, "back in service, normal"),
        ] {
            assert_eq!(told(kind, Ok(life), false), expected);
        }
    }

    #[test]
    fn no_alarm_that_cannot_be_judged_is_called_normal() {
        for (kind, result, expected) in [
            (ActKind::Acknowledge, Ok(Life::Normal), "cannot be judged now"),
            (ActKind::Reset, Ok(Life::LatchedAcknowledged), "gone again, to be reset, cannot be judged now"),
            (ActKind::Unshelve, Ok(Life::Normal), "no longer shelved, cannot be judged now"),
            (ActKind::InService, Ok(Life::Normal), "back in service, cannot be judged now"),
            (
                ActKind::Acknowledge,
                Err(Refusal::NothingToAcknowledge(Life::Normal)),
                "refused: nothing to acknowledge; it cannot be judged now",
            ),
            (
                ActKind::Reset,
                Err(Refusal::NothingToReset(Life::Normal)),
                "refused: nothing to reset; it cannot be judged now",
            ),
        ] {
            assert_eq!(told(kind, result, true), expected);
        }
    }

    #[test]
    fn every_refusal_is_said_in_plain_words() {
        let nearest = Some("h2s-high".to_owned());
        for (refusal, expected) in [
            (Refusal::UnknownAlarm { nearest: nearest.clone() }, "no such alarm; is h2s-high meant?"),
            (Refusal::UnknownAlarm { nearest: None }, "`siskin alarms --all` shows them"),
            (Refusal::UnknownGroup { nearest }, "no alarm is in such a group; is h2s-high meant?"),
            (Refusal::NothingToAcknowledge(Life::Normal), "nothing to acknowledge, it is normal"),
            (Refusal::NotSeen, "it has called since you looked"),
            (Refusal::NothingToReset(Life::Normal), "nothing to reset, it is normal"),
            (Refusal::StillActive, "its condition still holds"),
            (Refusal::NotAcknowledged, "must be acknowledged first"),
            (Refusal::Withheld(Withheld::Shelved), "`siskin unshelve h2s-high` takes it back first"),
            (Refusal::Withheld(Withheld::OutOfService), "`siskin in-service h2s-high` puts it back first"),
            (Refusal::Withheld(Withheld::Suppressed), "the site's own logic suppresses it"),
            (Refusal::ShelvedTooLong { max: Duration::from_secs(43_200) }, "longer than 12 h"),
            (Refusal::NotShelved, "it is not shelved"),
            (Refusal::AlreadyOutOfService, "it is out of service already"),
            (Refusal::AlreadyInService, "it is in service already"),
        ] {
            let told = told(ActKind::Acknowledge, Err(refusal), false);
            assert!(told.starts_with("refused: ") && told.contains(expected), "{told}");
            assert!(!told.contains('_'), "a word for machines: {told}");
        }
    }

    #[test]
    fn a_refusal_of_a_newer_daemon_is_told_as_well_as_can_be() {
        let request = ActRequest::new(ActKind::Reset, Alarms::These(Vec::new()));
        let mut result = Acted::from(ActionResult::of_nothing("x", Refusal::NotSeen));
        result.refused = Some("some_day".to_owned());
        assert_eq!(fate(&request, &result), "refused: some day");
    }
}
