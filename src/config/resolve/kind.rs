//! What an alarm watches for: each kind on signals that can have it, with times in which it can be seen.

use std::time::Duration;

use super::alarm::{Known, Watched};
use super::guard::{code_of, not_a_measured_number};
use super::{unit, vote};
use crate::alarm::{Averaging, Kind, Limit, Over, RATE_SAMPLES_MAX, RATE_SAMPLES_MIN};
use crate::config::problem::{Problem, Span};
use crate::config::raw::{Alarm, KindWord, OverWhat, SiteTable, spell_duration};
use crate::period::Period;
use crate::signal::SignalSpec;

/// Without `coverage_min`: the least share of an average's time with a measurement. Common practice,
/// no source.
const COVERAGE_MIN_DEFAULT: f64 = 0.75;
/// A value that was asked for less often than this within the window was not seen to stand still.
const FROZEN_POLLS_MIN: u32 = 2;

/// What the alarm watches for. `None` when a key it needs is missing, or its signal has a fault.
pub(super) fn kind(
    word: KindWord,
    alarm: &Alarm,
    watched: &Watched,
    known: &Known,
    problems: &mut Vec<Problem>,
) -> Option<Kind> {
    let signal = known.spec(watched.signal);
    match word {
        KindWord::High => limit(alarm, signal, problems).map(Kind::High),
        KindWord::Low => limit(alarm, signal, problems).map(Kind::Low),
        KindWord::Rise => rate(alarm, signal, problems).map(|(limit, window)| Kind::Rise(limit, window)),
        KindWord::Fall => rate(alarm, signal, problems).map(|(limit, window)| Kind::Fall(limit, window)),
        KindWord::AverageHigh => {
            Some(Kind::AverageHigh(limit(alarm, signal, problems)?, averaging(alarm, known.site?)?))
        }
        KindWord::AverageLow => {
            Some(Kind::AverageLow(limit(alarm, signal, problems)?, averaging(alarm, known.site?)?))
        }
        KindWord::Deviation => deviation(alarm, watched, known, problems),
        KindWord::Frozen => frozen(alarm, signal, problems),
        KindWord::State => state(alarm, signal, problems),
        KindWord::Lost => Some(Kind::Lost),
        KindWord::Vote => vote::vote(alarm, known, problems),
    }
}

fn limit(alarm: &Alarm, signal: Option<&SignalSpec>, problems: &mut Vec<Problem>) -> Option<Limit> {
    if let Some(deadband) = alarm.deadband.given().filter(|deadband| deadband.value < 0.0) {
        problems.push(
            Problem::new(deadband.span, "the deadband is negative", "expected 0.0 or more")
                .help("how far the value must come back before the alarm clears"),
        );
    }
    report_not_a_number(signal, alarm.kind.span_or(alarm.span), problems);
    let deadband = alarm.deadband.get().copied().unwrap_or(0.0);
    Some(Limit { setpoint: *alarm.setpoint.get()?, deadband })
}

fn report_not_a_number(signal: Option<&SignalSpec>, span: Span, problems: &mut Vec<Problem>) {
    let problem = signal.and_then(|spec| not_a_measured_number(spec, span));
    problems.extend(problem.map(|problem| problem.help("use the kind \"state\"")));
}

/// A limit for something that has no sign.
fn limit_above_zero(
    alarm: &Alarm,
    signal: Option<&SignalSpec>,
    what: &str,
    problems: &mut Vec<Problem>,
) -> Option<Limit> {
    if let Some(setpoint) = alarm.setpoint.given().filter(|setpoint| setpoint.value <= 0.0) {
        let title = format!("the setpoint of {what} is not above zero");
        problems.push(
            Problem::new(setpoint.span, title, "expected more than 0.0").help("it is given without a sign"),
        );
    }
    limit(alarm, signal, problems)
}

fn rate(
    alarm: &Alarm,
    signal: Option<&SignalSpec>,
    problems: &mut Vec<Problem>,
) -> Option<(Limit, Duration)> {
    let limit = limit_above_zero(alarm, signal, "a rate", problems);
    let window = alarm.window.given()?;
    let poll_every = signal?.poll_every;
    let polls_within = window.value.0.as_nanos() / poll_every.as_nanos().max(1);
    let samples = usize::try_from(polls_within).map_or(usize::MAX, |polls| polls.saturating_add(1));
    let polls = spell_duration(poll_every);
    if samples > RATE_SAMPLES_MAX {
        let label =
            format!("{samples} samples at one every \"{polls}\", at most {RATE_SAMPLES_MAX} are kept");
        problems.push(
            Problem::new(window.span, "the window is too long", label)
                .help("make it shorter, or poll the signal less often"),
        );
    }
    // With just so many, a poll that comes late would find one of them gone.
    if samples <= RATE_SAMPLES_MIN {
        let label =
            format!("a rate takes {RATE_SAMPLES_MIN} samples and one to spare; they come every \"{polls}\"");
        problems.push(
            Problem::new(window.span, "the window is too short", label)
                .help("make it longer, ten polls or more, or poll the signal more often"),
        );
    }
    Some((limit?, window.value.0))
}

fn averaging(alarm: &Alarm, site: &SiteTable) -> Option<Averaging> {
    let over = match *alarm.over.get()? {
        OverWhat::Rolling(time) => Over::Rolling(time.0),
        OverWhat::ClockHour => Over::Calendar(Period::ClockHour),
        OverWhat::GasDay => {
            let (zone, start) = (site.time_zone.get()?.clone(), *site.gas_day_start.get()?);
            Over::Calendar(Period::GasDay { zone, start })
        }
    };
    let coverage_min = alarm.coverage_min.get().map_or(COVERAGE_MIN_DEFAULT, |share| share.0);
    Some(Averaging { over, coverage_min })
}

fn deviation(alarm: &Alarm, watched: &Watched, known: &Known, problems: &mut Vec<Problem>) -> Option<Kind> {
    let (signal, other) = (known.spec(watched.signal), known.spec(watched.other));
    let limit = limit_above_zero(alarm, signal, "a difference", problems);
    let with = alarm.with.given()?;
    problems.extend(other.and_then(|spec| not_a_measured_number(spec, with.span)));
    if watched.other.is_some() && watched.signal == watched.other {
        problems.push(
            Problem::new(with.span, "a signal never deviates from itself", "the same signal")
                .also(alarm.signal.span_or(alarm.span), "as here"),
        );
    }
    report_never_clearing(alarm, problems);
    let is_number = |spec: &&SignalSpec| not_a_measured_number(spec, with.span).is_none();
    let to = (watched.signal?, signal.filter(is_number)?);
    let from = (watched.other?, other.filter(is_number)?);
    let conversion = unit::conversion(from, to, &known.gas, with.span, problems)?;
    Some(Kind::Deviation { limit: limit?, other: from.0, conversion })
}

/// A difference is never less than zero.
fn report_never_clearing(alarm: &Alarm, problems: &mut Vec<Problem>) {
    let (Some(setpoint), Some(deadband)) = (alarm.setpoint.given(), alarm.deadband.given()) else { return };
    if setpoint.value > 0.0 && deadband.value >= setpoint.value {
        problems.push(
            Problem::new(deadband.span, "the alarm would never clear", "expected less than the setpoint")
                .also(setpoint.span, "the setpoint"),
        );
    }
}

fn frozen(alarm: &Alarm, signal: Option<&SignalSpec>, problems: &mut Vec<Problem>) -> Option<Kind> {
    report_not_a_number(signal, alarm.kind.span_or(alarm.span), problems);
    if let Some(resolution) = alarm.resolution.given().filter(|resolution| resolution.value < 0.0) {
        problems.push(
            Problem::new(resolution.span, "the resolution is negative", "expected 0.0 or more")
                .help("a change of this much or less is none"),
        );
    }
    let window = alarm.window.given()?;
    let poll_every = signal?.poll_every;
    if window.value.0 < poll_every * FROZEN_POLLS_MIN {
        let polls = spell_duration(poll_every);
        let label = format!("the signal is asked for only every \"{polls}\"");
        problems.push(
            Problem::new(window.span, "any value would count as frozen", label)
                .help("make it many polls long, or poll the signal more often"),
        );
    }
    let resolution = alarm.resolution.get().copied().unwrap_or(0.0);
    Some(Kind::Frozen { resolution, window: window.value.0 })
}

fn state(alarm: &Alarm, signal: Option<&SignalSpec>, problems: &mut Vec<Problem>) -> Option<Kind> {
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
    let spec = signal?;
    let codes: Vec<Option<i64>> = alarm
        .is
        .given()
        .into_iter()
        .chain(alarm.r#in.items())
        .map(|state| code_of(state, spec, problems))
        .collect();
    Some(Kind::State { codes: codes.into_iter().collect::<Option<_>>()? })
}
