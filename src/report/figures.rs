//! Least, time-weighted mean and greatest of a signal, by the hour, the gas day and the whole span, and
//! how long it was beyond each setpoint or in each state.
//!
//! Hours come from the history; days and the whole are put together from them, the means weighted by
//! the measured time.

use std::time::Duration;

use serde::Serialize;

use crate::alarm::{AlarmSpec, Averaging, Kind, Limit, Over};
use crate::config::Site;
use crate::history::{Bucket, Counted, ReadError, SampleReader};
use crate::moment::Wall;
use crate::period::{Bounds, Period};
use crate::report::Span;
use crate::signal::{SignalIndex, SignalSpec, ValueType, code_as_number};
use crate::view::{Elapsed, Instant};

/// For how long a value counted that was read before a time at which that was changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HeldBefore {
    /// Until when it was in force.
    pub until: Instant,
    /// How long a value counted when none followed it.
    pub held_for_s: Elapsed,
}

impl From<(Wall, Duration)> for HeldBefore {
    fn from((until, held_for): (Wall, Duration)) -> Self {
        HeldBefore { until: until.into(), held_for_s: Elapsed(held_for) }
    }
}

/// What is known of a signal over a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Figures {
    /// Its beginning.
    pub from: Instant,
    /// Its end, which belongs to the next.
    pub to: Instant,
    /// The least value; `None` when nothing was measured.
    pub min: Option<f64>,
    /// The time-weighted mean over the measured time; of a state, the share of that time it was true.
    pub mean: Option<f64>,
    /// The greatest value.
    pub max: Option<f64>,
    /// For how long there was a measured value.
    pub measured_s: Elapsed,
    /// The share of the time, 0 to 1, that is.
    pub coverage: f64,
}

/// How long a signal was beyond the setpoint of one of its alarms.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BeyondSetpoint {
    /// The alarm.
    pub alarm: String,
    /// `high`: above it; `low`: below it.
    pub kind: &'static str,
    /// The setpoint, as the site file has it now.
    pub setpoint: f64,
    /// In the whole span.
    pub beyond_s: Elapsed,
    /// In each gas day.
    pub days_s: Vec<Elapsed>,
}

/// An average that an alarm watches, over each of its calendar periods.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AverageBeyond {
    /// The alarm.
    pub alarm: String,
    /// `average_high` or `average_low`.
    pub kind: &'static str,
    /// The setpoint, as the site file has it now.
    pub setpoint: f64,
    /// `clock_hour` or `gas_day`.
    pub over: &'static str,
    /// How many of them are wholly in the span, with as much measured time as the alarm asks for.
    pub judged: usize,
    /// How many of those had a mean beyond the setpoint.
    pub beyond: usize,
}

/// How long a signal was in a state.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StateTime {
    /// The code; 0 and 1 for a bit.
    pub code: i64,
    /// Its name, when the site file gives one.
    pub name: Option<String>,
    /// In the whole span.
    pub in_s: Elapsed,
}

impl From<Bucket> for Figures {
    fn from(bucket: Bucket) -> Self {
        let Bucket { from, to, min, mean, max, coverage, measured } = bucket;
        let (from, to, measured_s) = (from.into(), to.into(), Elapsed(measured));
        Figures { from, to, min, mean, max, measured_s, coverage }
    }
}

impl Figures {
    /// Those of `bounds`, put together from those of its parts.
    pub fn over(bounds: Bounds, parts: &[Figures]) -> Figures {
        let within = parts.iter().filter(|part| bounds.contain(part.from.0));
        let (mut min, mut max, mut sum) = (None, None, Some(0.0));
        let mut measured = Duration::ZERO;
        for part in within {
            min = better(min, part.min, f64::min);
            max = better(max, part.max, f64::max);
            if !part.measured_s.0.is_zero() {
                // What has no mean although it was measured (beyond what a binary64 holds) leaves the whole without.
                sum = sum.zip(part.mean).map(|(sum, mean)| sum + mean * part.measured_s.0.as_secs_f64());
            }
            measured += part.measured_s.0;
        }
        let mean = sum.filter(|_| !measured.is_zero()).map(|sum| sum / measured.as_secs_f64());
        let mean = mean.filter(|mean| mean.is_finite());
        // Rounding must not carry a mean past the values it is made of.
        let mean = mean.zip(min.zip(max)).map(|(mean, (min, max))| mean.clamp(min, max));
        let coverage = measured.as_secs_f64() / bounds.seconds();
        let (from, to) = (bounds.start.into(), bounds.end.into());
        Figures { from, to, min, mean, max, measured_s: Elapsed(measured), coverage }
    }

    /// How long it is.
    pub fn bounds(&self) -> Bounds {
        Bounds { start: self.from.0, end: self.to.0 }
    }
}

fn better(one: Option<f64>, other: Option<f64>, pick: fn(f64, f64) -> f64) -> Option<f64> {
    one.into_iter().chain(other).reduce(pick)
}

/// The figures of each hour.
pub fn hours(signal: &str, span: &Span, samples: &SampleReader) -> Result<Vec<Figures>, ReadError> {
    let hours = samples.figures(signal, &span.hour_edges())?;
    Ok(hours.into_iter().map(Figures::from).collect())
}

/// How long the signal was beyond the setpoint of each of its high and low alarms.
pub fn beyond_setpoints(
    signal: SignalIndex,
    site: &Site,
    span: &Span,
    samples: &SampleReader,
) -> Result<Vec<BeyondSetpoint>, ReadError> {
    let edges = span.day_edges();
    let mut beyond = Vec::new();
    for alarm in alarms_on(signal, site) {
        let Some(limit) = alarm.kind.value_limit() else { continue };
        let counted = counted(&alarm.kind, limit.setpoint);
        let days = samples.times(&site.signals[signal.0].id, &edges, counted)?;
        beyond.push(BeyondSetpoint {
            alarm: alarm.id.clone(),
            kind: alarm.kind.word(),
            setpoint: limit.setpoint,
            beyond_s: Elapsed(days.iter().sum()),
            days_s: days.into_iter().map(Elapsed).collect(),
        });
    }
    Ok(beyond)
}

/// How many of the periods that each calendar average of the signal is over were beyond its setpoint.
pub fn averages_beyond(
    signal: SignalIndex,
    site: &Site,
    hours: &[Figures],
    days: &[Figures],
) -> Vec<AverageBeyond> {
    let watched = alarms_on(signal, site).filter_map(|alarm| {
        let (limit, averaging, is_high) = average(&alarm.kind)?;
        let Over::Calendar(period) = &averaging.over else { return None };
        let (over, parts) = match period {
            Period::ClockHour => ("clock_hour", hours),
            Period::GasDay { .. } => ("gas_day", days),
        };
        let judged = parts.iter().filter(|part| {
            period.containing(part.from.0) == part.bounds() && part.coverage >= averaging.coverage_min
        });
        let means: Vec<f64> = judged.filter_map(|part| part.mean).collect();
        Some(AverageBeyond {
            alarm: alarm.id.clone(),
            kind: alarm.kind.word(),
            setpoint: limit.setpoint,
            over,
            judged: means.len(),
            beyond: means
                .iter()
                .filter(|mean| if is_high { **mean > limit.setpoint } else { **mean < limit.setpoint })
                .count(),
        })
    });
    watched.collect()
}

/// How long the signal was in each of its states; empty for one that has none.
pub fn states(
    spec: &SignalSpec,
    bounds: Bounds,
    samples: &SampleReader,
) -> Result<Vec<StateTime>, ReadError> {
    let codes: Vec<i64> = match (is_bit(spec), spec.states.0.as_slice()) {
        (true, _) => vec![0, 1],
        (false, named) => named.iter().map(|(code, _)| *code).collect(),
    };
    let time = |code: i64| {
        let edges: [Wall; 2] = [bounds.start, bounds.end];
        let times = samples.times(&spec.id, &edges, Counted::Equal(code_as_number(code)))?;
        let name = spec.states.name(code).map(str::to_owned);
        Ok(StateTime { code, name, in_s: Elapsed(times.into_iter().sum()) })
    };
    codes.into_iter().map(time).collect()
}

/// What a signal's values are: see [`crate::report::SignalTold::kind`].
pub fn kind(spec: &SignalSpec) -> &'static str {
    match (is_bit(spec), spec.states.0.is_empty()) {
        (true, _) => "bit",
        (false, true) => "number",
        (false, false) => "code",
    }
}

fn is_bit(spec: &SignalSpec) -> bool {
    spec.place.bit.is_some() || spec.place.value_type == ValueType::Bool
}

/// The values for which a high or low alarm's condition holds.
pub fn counted(kind: &Kind, setpoint: f64) -> Counted {
    if matches!(kind, Kind::Low(_)) { Counted::Below(setpoint) } else { Counted::Above(setpoint) }
}

fn average(kind: &Kind) -> Option<(&Limit, &Averaging, bool)> {
    if let Kind::AverageHigh(limit, averaging) = kind {
        Some((limit, averaging, true))
    } else if let Kind::AverageLow(limit, averaging) = kind {
        Some((limit, averaging, false))
    } else {
        None
    }
}

fn alarms_on(signal: SignalIndex, site: &Site) -> impl Iterator<Item = &AlarmSpec> {
    site.alarms.iter().filter(move |alarm| alarm.signal == Some(signal))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;

    /// An hour that was measured and has no mean (its sum is beyond a binary64) counted as one of nothing but 0.
    #[test]
    fn a_day_with_an_hour_of_unknown_mean_has_no_mean() {
        let at = |time: &str| time.parse::<Wall>().unwrap();
        let hour = |from: &str, to: &str, mean: Option<f64>| Figures {
            from: at(from).into(),
            to: at(to).into(),
            min: Some(-2.0),
            mean,
            max: Some(8.0),
            measured_s: Elapsed(Duration::from_secs(3600)),
            coverage: 1.0,
        };
        let (nine, ten, eleven) = ("2026-03-02T09:00:00Z", "2026-03-02T10:00:00Z", "2026-03-02T11:00:00Z");
        let bounds = Bounds { start: at(nine), end: at(eleven) };
        let known = Figures::over(bounds, &[hour(nine, ten, Some(2.0)), hour(ten, eleven, Some(4.0))]);
        assert_eq!(known.mean, Some(3.0));
        let unknown = Figures::over(bounds, &[hour(nine, ten, Some(2.0)), hour(ten, eleven, None)]);
        assert_eq!((unknown.min, unknown.mean, unknown.max), (Some(-2.0), None, Some(8.0)));
    }
}
