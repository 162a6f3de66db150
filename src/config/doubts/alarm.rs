//! Doubts about one alarm: what the operator is not told, what will chatter, what can never happen.

use std::time::Duration;

use crate::alarm::{AlarmSpec, Kind, Limit, Over};
use crate::config::Site;
use crate::config::problem::{Problem, Span};
use crate::config::raw::{Alarm, spell_duration};
use crate::period::Period;
use crate::signal::Range;

/// The longest gas day: the clocks are put back.
const GAS_DAY_MAX: Duration = Duration::from_secs(25 * 3600);

/// Every doubt about an alarm of the file.
pub(super) fn about(alarm: &Alarm, spec: &AlarmSpec, site: &Site) -> Vec<Problem> {
    let span = alarm.id.span_or(alarm.span);
    let mut doubts = about_words(spec, span);
    doubts.extend(about_chatter(alarm, spec, span));
    doubts.extend(about_single_readings(alarm, spec, site));
    doubts.extend(about_time(alarm, spec));
    let range = spec.signal.and_then(|signal| site.signals.get(signal.0)?.range);
    doubts.extend(range.and_then(|range| about_range(alarm, spec, range, span)));
    doubts.extend(about_average(alarm, spec, site.history.keep_samples));
    doubts
}

fn about_words(spec: &AlarmSpec, span: Span) -> Vec<Problem> {
    let mut doubts = Vec::new();
    if spec.action.is_none() {
        doubts.push(
            Problem::new(span, "an alarm without an action", "the operator is not told what to do")
                .help("give it an `action`; what needs none is not an alarm (IEC 62682)"),
        );
    }
    if spec.consequence.is_none() {
        doubts.push(
            Problem::new(span, "an alarm without a consequence", "the operator is not told what it is about")
                .help("give it a `consequence`: what happens when nobody acts"),
        );
    }
    doubts
}

/// Whether the kind is better given a delay, and a deadband.
fn wants(kind: &Kind) -> (bool, bool) {
    match kind {
        Kind::High(_) | Kind::Low(_) | Kind::Rise(..) | Kind::Fall(..) | Kind::Deviation { .. } => {
            (true, true)
        }
        Kind::AverageHigh(_, averaging) | Kind::AverageLow(_, averaging) => {
            (false, matches!(averaging.over, Over::Rolling(_)))
        }
        Kind::State { .. } | Kind::Frozen { .. } | Kind::Lost | Kind::Vote { .. } | Kind::Fault(_) => {
            (false, false)
        }
    }
}

/// A single reading may be noise, two signals are never read at the same moment.
fn about_chatter(alarm: &Alarm, spec: &AlarmSpec, span: Span) -> Vec<Problem> {
    let (wants_delay, wants_deadband) = wants(&spec.kind);
    let mut doubts = Vec::new();
    if wants_delay && !alarm.on_delay.is_there() {
        doubts.push(
            Problem::new(span, "a limit alarm without on-delay", "one reading beyond the limit raises it")
                .help("give it an `on_delay`; say \"0s\" if that is meant"),
        );
    }
    let has_none = spec.kind.limit().is_some_and(|limit| limit.deadband == 0.0);
    if wants_deadband && has_none {
        let label = "a value that wavers around the limit raises and clears it again and again";
        doubts.push(Problem::new(alarm.deadband.span_or(span), "an alarm without a deadband", label));
    }
    doubts
}

/// A delay that is over before the next reading can come lets one reading raise the alarm.
fn about_single_readings(alarm: &Alarm, spec: &AlarmSpec, site: &Site) -> Option<Problem> {
    let on_delay = alarm.on_delay.given().filter(|_| wants(&spec.kind).0)?;
    let poll_every = site.signals.get(spec.signal?.0)?.poll_every;
    let is_too_short = !on_delay.value.0.is_zero() && on_delay.value.0 < poll_every;
    is_too_short.then(|| {
        let label = format!("its signal is asked for only every \"{}\"", spell_duration(poll_every));
        let twice = spell_duration(poll_every * 2);
        Problem::new(on_delay.span, "an on-delay shorter than the time between two readings", label).help(
            format!("one reading raises the alarm all the same: make it two polls, \"{twice}\", or say \"0s\" if that is meant"),
        )
    })
}

fn about_time(alarm: &Alarm, spec: &AlarmSpec) -> Option<Problem> {
    let (time, on_delay) = (alarm.time_to_respond.given()?, alarm.on_delay.given()?);
    (on_delay.value.0 >= spec.time_to_respond?).then(|| {
        Problem::new(on_delay.span, "the on-delay leaves no time to respond", "the operator hears of it then")
            .also(time.span, "by then it is too late")
    })
}

/// An alarm at the edge of what the signal can show never rises, or never clears.
fn about_range(alarm: &Alarm, spec: &AlarmSpec, range: Range, span: Span) -> Option<Problem> {
    let told = format!("the range of the signal is {:?} to {:?}", range.low, range.high);
    let setpoint_span = alarm.setpoint.span_or(span);
    let (Limit { setpoint, deadband }, back) = match spec.kind {
        Kind::High(limit) | Kind::AverageHigh(limit, _) => (limit, -1.0),
        Kind::Low(limit) | Kind::AverageLow(limit, _) => (limit, 1.0),
        Kind::Deviation { limit, .. } => {
            let never = limit.setpoint >= range.high - range.low;
            let title = "the setpoint is as great as the whole range";
            return never.then(|| Problem::new(setpoint_span, title, told));
        }
        Kind::Rise(..)
        | Kind::Fall(..)
        | Kind::State { .. }
        | Kind::Frozen { .. }
        | Kind::Lost
        | Kind::Vote { .. }
        | Kind::Fault(_) => return None,
    };
    let clears_at = setpoint + back * deadband;
    let inside = |value: f64| (range.low..=range.high).contains(&value);
    if !inside(setpoint) {
        Some(Problem::new(setpoint_span, "the setpoint is outside the range", told))
    } else if !inside(clears_at) {
        let title = format!("the alarm clears only at {clears_at:?}, outside the range");
        Some(Problem::new(alarm.deadband.span_or(span), title, told).help("make the deadband smaller"))
    } else {
        None
    }
}

fn about_average(alarm: &Alarm, spec: &AlarmSpec, kept: Duration) -> Option<Problem> {
    let (Kind::AverageHigh(_, averaging) | Kind::AverageLow(_, averaging)) = &spec.kind else { return None };
    let longest = match &averaging.over {
        Over::Rolling(time) => *time,
        Over::Calendar(Period::ClockHour) => return None,
        Over::Calendar(Period::GasDay { .. }) => GAS_DAY_MAX,
    };
    (longest > kept).then(|| {
        let label = format!("samples are kept for \"{}\"", spell_duration(kept));
        Problem::new(alarm.over.span_or(alarm.span), "an average over more than the history keeps", label)
            .help("nobody could look up what raised it: set a longer `keep_samples`")
    })
}
