//! Alarms: each on a signal that can have its kind of condition; and for every signal that bears
//! one, the alarm that speaks when there is no measurement.

use std::time::Duration;

use super::guard::{code_of, not_a_measured_number};
use super::{Directory, report_duplicates, signal};
use crate::alarm::{AlarmSpec, Kind, Limit};
use crate::config::problem::Problem;
use crate::config::raw::{Alarm, At, Field, KindWord, MeasurementLost, Root, Text};
use crate::signal::{SignalIndex, SignalSpec};

/// Every alarm of the file, in its order, then the *measurement lost* alarms.
pub(super) fn alarms(
    root: &Root,
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) -> Option<Vec<AlarmSpec>> {
    let directory = signal::directory(root);
    let described = root.alarm.items();
    let lost = root.measurement_lost.get()?;
    report_duplicates("alarms", described.iter().map(|alarm| &alarm.value.id), problems);
    let resolved: Vec<Option<AlarmSpec>> = described
        .iter()
        .map(|alarm| {
            let signal = watched(&alarm.value, &directory, problems);
            self::alarm(&alarm.value, signal, signals, lost, problems)
        })
        .collect();
    let silent = silent(lost, &directory, problems);
    let mut alarms: Vec<AlarmSpec> = resolved.into_iter().collect::<Option<_>>()?;
    alarms.extend(lost_alarms(&alarms, signals, &silent?, lost)?);
    Some(alarms)
}

fn watched(
    alarm: &Alarm,
    directory: &Directory<SignalIndex>,
    problems: &mut Vec<Problem>,
) -> Option<SignalIndex> {
    let At { value: name, span } = alarm.signal.given()?;
    directory.look_up("signal", &name.0, *span, problems)
}

fn alarm(
    alarm: &Alarm,
    index: Option<SignalIndex>,
    signals: &[Option<SignalSpec>],
    lost: &MeasurementLost,
    problems: &mut Vec<Problem>,
) -> Option<AlarmSpec> {
    let word = alarm.kind.given().map(|kind| kind.value);
    report_keys_of_other_kinds(alarm, problems);
    let spec = index.and_then(|index| signals.get(index.0)?.as_ref());
    let kind = match word {
        Some(word @ (KindWord::High | KindWord::Low)) => limit_kind(alarm, word, spec, problems),
        Some(KindWord::State) => state_kind(alarm, spec, problems),
        Some(KindWord::Lost) => Some(Kind::Lost),
        None => None,
    };
    let on_delay_default = if word == Some(KindWord::Lost) { lost.delay.get()?.0 } else { Duration::ZERO };
    let text = |field: &Field<Text>| field.get().map(|text| text.0.clone());
    let (id, name) = (alarm.id.get()?.0.clone(), alarm.name.get()?.0.clone());
    Some(AlarmSpec {
        on_delay: alarm.on_delay.get().map_or(on_delay_default, |delay| delay.0),
        off_delay: alarm.off_delay.get()?.0,
        latching: *alarm.latching.get()?,
        priority: *alarm.priority.get()?,
        cause: text(&alarm.cause),
        consequence: text(&alarm.consequence),
        action: text(&alarm.action),
        ..AlarmSpec::new(id, name, Some(index?), kind?)
    })
}

/// A key that this kind of alarm does not use would have no effect.
fn report_keys_of_other_kinds(alarm: &Alarm, problems: &mut Vec<Problem>) {
    let Some(At { value: kind, span: kind_span }) = alarm.kind.given() else { return };
    let (limits, states) = match kind {
        KindWord::High | KindWord::Low => (true, false),
        KindWord::State => (false, true),
        KindWord::Lost => (false, false),
    };
    let place = |field: &Field<f64>| field.given().map(|at| at.span);
    let given = [
        ("setpoint", limits, place(&alarm.setpoint)),
        ("deadband", limits, place(&alarm.deadband)),
        ("is", states, alarm.is.given().map(|at| at.span)),
        ("in", states, alarm.r#in.given().map(|at| at.span)),
    ];
    for (key, is_used, span) in given {
        if let Some(span) = span.filter(|_| !is_used) {
            problems.push(
                Problem::new(span, format!("`{key}` is not for this kind of alarm"), "would have no effect")
                    .also(*kind_span, "the kind given")
                    .help("remove it, or change the kind"),
            );
        }
    }
}

fn limit_kind(
    alarm: &Alarm,
    word: KindWord,
    spec: Option<&SignalSpec>,
    problems: &mut Vec<Problem>,
) -> Option<Kind> {
    if !alarm.setpoint.is_there() {
        problems.push(
            Problem::new(alarm.span, "missing key `setpoint`", "an alarm on a limit needs the limit")
                .help("for example `setpoint = 4.0`, in the unit of the signal"),
        );
    }
    if let Some(deadband) = alarm.deadband.given().filter(|deadband| deadband.value < 0.0) {
        problems.push(
            Problem::new(deadband.span, "the deadband is negative", "expected 0.0 or more")
                .help("how far the value must come back before the alarm clears"),
        );
    }
    let span = alarm.kind.span_or(alarm.span);
    if let Some(problem) = spec.and_then(|spec| not_a_measured_number(spec, span)) {
        problems.push(problem.help("use the kind \"state\""));
        return None;
    }
    let setpoint = *alarm.setpoint.get()?;
    let limit = Limit { setpoint, deadband: alarm.deadband.get().copied().unwrap_or(0.0) };
    Some(if word == KindWord::High { Kind::High(limit) } else { Kind::Low(limit) })
}

fn state_kind(alarm: &Alarm, spec: Option<&SignalSpec>, problems: &mut Vec<Problem>) -> Option<Kind> {
    if alarm.is.is_there() == alarm.r#in.is_there() {
        let found = if alarm.is.is_there() { "both" } else { "neither" };
        problems.push(
            Problem::new(alarm.span, "an alarm on a state needs `is` or `in`", format!("found {found}"))
                .help("for example `is = true` or `in = [\"fault\", \"warming up\"]`"),
        );
        return None;
    }
    if let Some(empty) = alarm.r#in.given().filter(|states| states.value.is_empty()) {
        problems.push(Problem::new(empty.span, "no state would raise the alarm", "the list is empty"));
        return None;
    }
    let spec = spec?;
    let codes: Vec<Option<i64>> = alarm
        .is
        .given()
        .into_iter()
        .chain(alarm.r#in.items())
        .map(|state| code_of(state, spec, problems))
        .collect();
    Some(Kind::State { codes: codes.into_iter().collect::<Option<_>>()? })
}

/// The signals whose *measurement lost* alarm is turned off by name.
fn silent(
    lost: &MeasurementLost,
    directory: &Directory<SignalIndex>,
    problems: &mut Vec<Problem>,
) -> Option<Vec<SignalIndex>> {
    let found: Vec<Option<SignalIndex>> = lost
        .off_for
        .items()
        .iter()
        .map(|At { value: name, span }| directory.look_up("signal", &name.0, *span, problems))
        .collect();
    found.into_iter().collect()
}

/// One for each signal that bears an alarm, has no `lost` alarm of its own and is not turned off.
fn lost_alarms(
    alarms: &[AlarmSpec],
    signals: &[Option<SignalSpec>],
    silent: &[SignalIndex],
    lost: &MeasurementLost,
) -> Option<Vec<AlarmSpec>> {
    let (on_delay, priority) = (lost.delay.get()?.0, *lost.priority.get()?);
    let wanted = |index: SignalIndex| {
        let mut on_signal = alarms.iter().filter(|alarm| alarm.signal == Some(index)).peekable();
        on_signal.peek().is_some()
            && on_signal.all(|alarm| alarm.kind != Kind::Lost)
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
