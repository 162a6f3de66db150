//! Votes: alarms on other alarms, of the file or made for the loss of a measurement.

use super::alarm::Known;
use super::circle::circles;
use super::{Directory, report_twice};
use crate::alarm::{AlarmIndex, AlarmSpec, Kind};
use crate::config::problem::{Problem, Span};
use crate::config::raw::{Alarm, At, Text};

/// Every alarm that can be voted on, by its id. `whole` says whether every signal is known, on which
/// depends which *measurement lost* alarms there are.
pub(super) fn directory(alarms: &[At<Alarm>], lost: &[AlarmSpec], whole: bool) -> Directory<AlarmIndex> {
    let own = alarms.iter().map(|alarm| alarm.value.id.get().map(|id| id.0.clone()));
    let all: Vec<Option<String>> = own.chain(lost.iter().map(|alarm| Some(alarm.id.clone()))).collect();
    let whole = whole && all.iter().all(Option::is_some);
    let named = |(index, id): (usize, Option<String>)| Some((id?, AlarmIndex(index)));
    Directory { entries: all.into_iter().enumerate().filter_map(named).collect(), whole }
}

/// What a vote watches for.
pub(super) fn vote(alarm: &Alarm, known: &Known, problems: &mut Vec<Problem>) -> Option<Kind> {
    let voters = alarm.of.given()?;
    report_twice("an alarm counted twice", &voters.value, problems);
    let of: Vec<Option<AlarmIndex>> = voters
        .value
        .iter()
        .map(|At { value: id, span }| known.alarm_names.look_up("alarm", &id.0, *span, problems))
        .collect();
    let at_least = alarm.at_least.given()?;
    if at_least.value.0 > of.len() {
        let label = format!("more than the {} counted can never be active", of.len());
        problems.push(
            Problem::new(at_least.span, "a vote that cannot be won", label)
                .also(voters.span, "the alarms counted"),
        );
    }
    Some(Kind::Vote { at_least: at_least.value.0, of: of.into_iter().collect::<Option<_>>()? })
}

/// Reports each vote that comes to count itself, be it through other votes.
pub(super) fn report_circles(
    alarms: &[At<Alarm>],
    names: &Directory<AlarmIndex>,
    problems: &mut Vec<Problem>,
) {
    let looks: Vec<Vec<(usize, Span)>> = alarms
        .iter()
        .map(|alarm| {
            // What is made for the loss of a measurement counts nothing, so that no circle goes through it.
            let of_the_file = |At { value: id, span }: &At<Text>| {
                let voter = names.find(&id.0)?.0;
                (voter < alarms.len()).then_some((voter, *span))
            };
            alarm.value.of.items().iter().filter_map(of_the_file).collect()
        })
        .collect();
    for circle in circles(&looks) {
        let name = |index: usize| alarms[index].value.id.get().map_or("?", |id| id.0.as_str());
        problems.push(
            Problem::new(circle.closed_at, "a vote that counts itself", circle.told(name))
                .help("a vote counts other alarms, which may be votes only if they do not count it"),
        );
    }
}
