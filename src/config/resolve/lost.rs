//! *Measurement lost* alarms: one for every signal on which an alarm depends, unless the file has its
//! own or wants none.

use super::Directory;
use super::alarm::Watched;
use crate::alarm::{AlarmSpec, Kind};
use crate::config::problem::Problem;
use crate::config::raw::{Alarm, At, KindWord, MeasurementLost};
use crate::signal::{SignalIndex, SignalSpec};

/// One for each signal that is watched, has no `lost` alarm of its own and is not turned off.
pub(super) fn alarms(
    table: &MeasurementLost,
    described: &[At<Alarm>],
    watched: &[Watched],
    signals: &[Option<SignalSpec>],
    silent: &[SignalIndex],
) -> Option<Vec<AlarmSpec>> {
    let (on_delay, priority) = (table.delay.get()?.0, *table.priority.get()?);
    let has_its_own = |index| {
        let is_lost = |alarm: &At<Alarm>| alarm.value.kind.get() == Some(&KindWord::Lost);
        described.iter().zip(watched).any(|(alarm, on)| is_lost(alarm) && on.signal == Some(index))
    };
    let wanted = |index: SignalIndex| {
        watched.iter().any(|on| on.signals().any(|signal| signal == index))
            && !has_its_own(index)
            && !silent.contains(&index)
    };
    let lost_alarm = |(index, spec): (SignalIndex, &SignalSpec)| {
        let name = format!("{}: measurement lost", spec.name.as_deref().unwrap_or(&spec.id));
        let consequence = "The other alarms of this signal cannot speak while it is not measured.";
        let action = "Look at the reasons of the signal; treat the gas as not measured.";
        AlarmSpec {
            on_delay,
            priority,
            consequence: Some(consequence.to_owned()),
            action: Some(action.to_owned()),
            ..AlarmSpec::new(format!("{}.lost", spec.id), name, Some(index), Kind::Lost)
        }
    };
    let indexed =
        signals.iter().enumerate().filter_map(|(index, spec)| Some((SignalIndex(index), spec.as_ref()?)));
    Some(indexed.filter(|(index, _)| wanted(*index)).map(lost_alarm).collect())
}

/// The signals whose *measurement lost* alarm is turned off by name.
pub(super) fn silent(
    table: &MeasurementLost,
    names: &Directory<SignalIndex>,
    problems: &mut Vec<Problem>,
) -> Option<Vec<SignalIndex>> {
    let found: Vec<Option<SignalIndex>> = table
        .off_for
        .items()
        .iter()
        .map(|At { value: name, span }| names.look_up("signal", &name.0, *span, problems))
        .collect();
    found.into_iter().collect()
}
