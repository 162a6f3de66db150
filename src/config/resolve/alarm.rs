//! Alarms: what every alarm has, whatever it watches for; and which of the keys its kind has a use for.

use std::time::Duration;

use super::unit::Gas;
use super::{Directory, all, guard, kind, lost, report_duplicates, signal, unit, vote};
use crate::alarm::{AlarmIndex, AlarmSpec, WhenLost};
use crate::config::problem::Problem;
use crate::config::raw::{Alarm, At, Field, KindWord, MeasurementLost, Root, SiteTable, Text, Word};
use crate::signal::{SignalIndex, SignalSpec};
use crate::units::{Quantity, Unit};

/// What alarms may refer to.
pub(super) struct Known<'a> {
    pub signal_names: Directory<SignalIndex>,
    pub signals: &'a [Option<SignalSpec>],
    pub alarm_names: Directory<AlarmIndex>,
    pub site: Option<&'a SiteTable>,
    pub gas: Gas,
    pub measurement_lost: Option<&'a MeasurementLost>,
}

impl Known<'_> {
    /// The signal, if it is known and has no fault of its own.
    pub(super) fn spec(&self, signal: Option<SignalIndex>) -> Option<&SignalSpec> {
        self.signals.get(signal?.0)?.as_ref()
    }
}

/// The signals an alarm looks at, as far as they are known.
pub(super) struct Watched {
    /// Its own.
    pub signal: Option<SignalIndex>,
    /// The one a deviation is from.
    pub other: Option<SignalIndex>,
}

impl Watched {
    pub(super) fn signals(&self) -> impl Iterator<Item = SignalIndex> {
        self.signal.into_iter().chain(self.other)
    }
}

/// Every alarm of the file, in its order, then the *measurement lost* alarms.
pub(super) fn alarms(
    root: &Root,
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) -> Option<Vec<AlarmSpec>> {
    let described = root.alarm.items();
    report_duplicates("alarms", described.iter().map(|alarm| &alarm.value.id), problems);
    let signal_names = signal::directory(root);
    let watched: Vec<Watched> =
        described.iter().map(|alarm| watched(&alarm.value, &signal_names, problems)).collect();
    let measurement_lost = root.measurement_lost.get();
    let lost = measurement_lost.and_then(|table| {
        let silent = lost::silent(table, &signal_names, problems)?;
        lost::alarms(table, described, &watched, signals, &silent)
    });

    let all_signals_known = lost.is_some() && signal_names.whole && signals.iter().all(Option::is_some);
    let alarm_names = vote::directory(described, lost.as_deref().unwrap_or(&[]), all_signals_known);
    vote::report_circles(described, &alarm_names, problems);
    let (site, gas) = (root.site.get(), unit::gas(root));
    let known = Known { signal_names, signals, alarm_names, site, gas, measurement_lost };
    let alarm = |(alarm, on): (&At<Alarm>, &Watched)| self::alarm(&alarm.value, on, &known, problems);
    let mut alarms = all(described.iter().zip(&watched).map(alarm).collect())?;
    alarms.extend(lost?);
    Some(alarms)
}

fn watched(alarm: &Alarm, names: &Directory<SignalIndex>, problems: &mut Vec<Problem>) -> Watched {
    let mut find = |field: &Field<Text>| {
        let At { value: name, span } = field.given()?;
        names.look_up("signal", &name.0, *span, problems)
    };
    Watched { signal: find(&alarm.signal), other: find(&alarm.with) }
}

fn alarm(alarm: &Alarm, watched: &Watched, known: &Known, problems: &mut Vec<Problem>) -> Option<AlarmSpec> {
    let suppress_when = guard::on_full_names(alarm.suppress_when.items(), known, problems);
    let word = *alarm.kind.get()?;
    report_keys(alarm, word, problems);
    report_content_without_limit(alarm, known.spec(watched.signal), problems);
    let kind = kind::kind(word, alarm, watched, known, problems);
    let signal = if word == KindWord::Vote { None } else { Some(watched.signal?) };
    let on_delay_default =
        if word == KindWord::Lost { known.measurement_lost?.delay.get()?.0 } else { Duration::ZERO };
    let text = |field: &Field<Text>| field.get().map(|text| text.0.clone());
    let (id, name) = (alarm.id.get()?.0.clone(), alarm.name.get()?.0.clone());
    Some(AlarmSpec {
        on_delay: alarm.on_delay.get().map_or(on_delay_default, |delay| delay.0),
        off_delay: alarm.off_delay.get()?.0,
        latching: *alarm.latching.get()?,
        when_lost: alarm.when_lost.get().copied().unwrap_or(WhenLost::Hold),
        gas_limit: alarm.gas_limit.get().copied(),
        suppress_when: suppress_when?,
        realarm_after: alarm.realarm_after.get().map(|time| time.0),
        first_out_group: alarm.first_out.get().map(|group| group.0.clone()),
        priority: *alarm.priority.get()?,
        cause: text(&alarm.cause),
        consequence: text(&alarm.consequence),
        action: text(&alarm.action),
        time_to_respond: alarm.time_to_respond.get().map(|time| time.0),
        ..AlarmSpec::new(id, name, signal, kind?)
    })
}

/// A content of the gas that is beyond its limit must never stand beside "within limits".
fn report_content_without_limit(alarm: &Alarm, signal: Option<&SignalSpec>, problems: &mut Vec<Problem>) {
    let Some(At { value: false, span }) = alarm.gas_limit.given() else { return };
    let unit = signal.and_then(|spec| Unit::parse(spec.unit.as_deref()?));
    let is_content = |unit: &&Unit| match unit.quantity {
        Quantity::MoleFraction | Quantity::MassPerVolume(_) => true,
        Quantity::AbsolutePressure
        | Quantity::GaugePressure
        | Quantity::Pressure
        | Quantity::Temperature
        | Quantity::ReferenceFlow(_)
        | Quantity::Flow
        | Quantity::Current => false,
    };
    problems.extend(unit.filter(is_content).map(|unit| {
        let label = format!("its signal is in {}, a content of the gas", unit.name);
        Problem::new(*span, "a limit on what the gas holds always counts", label)
            .help("remove it: otherwise siskin would say \"within limits\" while this alarm is active")
    }));
}

/// The keys that only some kinds use.
struct KeysOfKind {
    needs: &'static [&'static str],
    may_have: &'static [&'static str],
}

impl KeysOfKind {
    fn have(&self, key: &str) -> bool {
        self.needs.contains(&key) || self.may_have.contains(&key)
    }
}

const fn keys_of(kind: KindWord) -> KeysOfKind {
    let (needs, may_have): (&[&str], &[&str]) = match kind {
        KindWord::High | KindWord::Low => (&["signal", "setpoint"], &["deadband", "when_lost", "gas_limit"]),
        KindWord::Rise | KindWord::Fall => (&["signal", "setpoint", "window"], &["deadband", "when_lost"]),
        KindWord::AverageHigh | KindWord::AverageLow => {
            (&["signal", "setpoint", "over"], &["coverage_min", "deadband", "when_lost", "gas_limit"])
        }
        KindWord::Deviation => (&["signal", "with", "setpoint"], &["deadband", "when_lost"]),
        KindWord::Frozen => (&["signal", "window"], &["resolution", "when_lost"]),
        KindWord::State => (&["signal"], &["is", "in", "when_lost"]),
        KindWord::Lost => (&["signal"], &[]),
        KindWord::Vote => (&["of", "at_least"], &[]),
    };
    KeysOfKind { needs, may_have }
}

/// Reports keys that the kind needs and the alarm lacks, and those that would have no effect.
fn report_keys(alarm: &Alarm, kind: KindWord, problems: &mut Vec<Problem>) {
    let (own, there) = (keys_of(kind), alarm.keys_there());
    let kind_span = alarm.kind.span_or(alarm.span);
    for needed in own.needs.iter().filter(|needed| there.iter().all(|(key, _)| key != *needed)) {
        let example = Alarm::keys().keys.into_iter().find(|key| key.name == *needed).map(|key| key.example);
        problems.push(
            Problem::new(alarm.span, format!("missing key `{needed}`"), "this kind of alarm needs it")
                .also(kind_span, "the kind given")
                .help(format!("for example `{needed} = {}`", example.unwrap_or("…"))),
        );
    }
    let is_of_another = |key: &str| KindWord::WORDS.iter().any(|(_, other)| keys_of(*other).have(key));
    for (key, span) in there.into_iter().filter(|(key, _)| !own.have(key) && is_of_another(key)) {
        problems.extend(span.map(|span| {
            Problem::new(span, format!("`{key}` is not for this kind of alarm"), "would have no effect")
                .also(kind_span, "the kind given")
                .help("remove it, or change the kind")
        }));
    }
}
