//! What became of an operator's action, in words: one line for each alarm.

use std::time::Duration;

use crate::alarm::Withheld;
use crate::control::protocol::{ActKind, ActRequest, Acted, Alarms};
use crate::view::words;

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
        ActKind::Acknowledge | ActKind::Reset => state.to_owned(),
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

fn state(result: &Acted) -> &'static str {
    result.state.map_or("its state is not known", |state| words::alarm_state(state.0))
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
        "nothing_to_acknowledge" => return format!("nothing to acknowledge, it is {}", state(result)),
        "not_seen" => "it has called since you looked: look again, then acknowledge",
        "nothing_to_reset" => return format!("nothing to reset, it is {}", state(result)),
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
    use crate::alarm::Life;
    use crate::monitor::{ActionResult, Refusal};

    fn told(kind: ActKind, result: Result<Life, Refusal>) -> String {
        let request = ActRequest { for_s: Some(7200), ..ActRequest::new(kind, Alarms::These(Vec::new())) };
        fate(&request, &Acted::from(ActionResult { alarm: "h2s-high".to_owned(), result }))
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
            assert_eq!(told(kind, Ok(life)), expected);
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
            let told = told(ActKind::Acknowledge, Err(refusal));
            assert!(told.starts_with("refused: ") && told.contains(expected), "{told}");
            assert!(!told.contains('_'), "a word for machines: {told}");
        }
    }

    #[test]
    fn a_refusal_of_a_newer_daemon_is_told_as_well_as_can_be() {
        let request = ActRequest::new(ActKind::Reset, Alarms::These(Vec::new()));
        let mut result = Acted::from(ActionResult { alarm: "x".to_owned(), result: Err(Refusal::NotSeen) });
        result.refused = Some("some_day".to_owned());
        assert_eq!(fate(&request, &result), "refused: some day");
    }
}
