//! For `siskin check`: deadbands that are smaller than what the recorded readings waver by.
//!
//! How much a signal wavers is told without any assumption about its noise: half of its neighbouring
//! readings of the last day on record differ by more than that. A deadband below it lets a value near
//! the setpoint raise and clear its alarm at every other reading.

use std::path::Path;
use std::time::Duration;

use serde::Serialize;

use crate::config::Site;
use crate::history::{HISTORY_FILE, KeptSample, SampleReader};
use crate::moment::Wall;
use crate::signal::{Quality, SignalSpec, Value};
use crate::view::words;

/// The part of the record that is looked at.
const LOOKED_BACK: Duration = Duration::from_secs(86_400);
/// Fewer differences than this tell nothing.
const DIFFERENCES_MIN: usize = 100;

/// An alarm whose deadband is smaller than what its signal wavers by.
#[derive(Debug, Serialize)]
pub struct Wavering {
    /// The alarm's id.
    pub alarm: String,
    /// Its deadband, in the signal's unit.
    pub deadband: f64,
    /// Half of the neighbouring readings differ by more than this, in the signal's unit.
    pub step_median: f64,
    /// The doubt in words.
    pub doubt: String,
}

/// Every alarm of the site of which the record in `data` says so; none where there is no record.
pub fn of(site: &Site, data: &Path) -> Vec<Wavering> {
    if !data.join(HISTORY_FILE).exists() {
        return Vec::new();
    }
    let reader = SampleReader::new(data);
    let limited = site.alarms.iter().filter_map(|alarm| {
        let (limit, signal) = (alarm.kind.value_limit()?, site.signals.get(alarm.signal?.0)?);
        Some((alarm, limit, signal))
    });
    let wavering = limited.filter_map(|(alarm, limit, signal)| {
        let step_median = step_median(&recorded(&reader, signal))?;
        (limit.deadband < step_median).then(|| Wavering {
            alarm: alarm.id.clone(),
            deadband: limit.deadband,
            step_median,
            doubt: doubt(&alarm.id, signal, limit.deadband, step_median),
        })
    });
    wavering.collect()
}

fn doubt(alarm: &str, signal: &SignalSpec, deadband: f64, step_median: f64) -> String {
    let unit = signal.unit.as_deref().unwrap_or_default();
    format!(
        "alarm {alarm}: its deadband of {} {unit} is smaller than what {} wavers by: half of its \
         neighbouring readings on record differ by more than {} {unit}; give it a wider deadband or an \
         off_delay",
        words::number(deadband),
        signal.id,
        words::number(step_median),
    )
}

/// The last day on record. What cannot be read raises no doubt: the check is of the site file.
fn recorded(reader: &SampleReader, signal: &SignalSpec) -> Vec<KeptSample> {
    let now = Wall::now();
    let from = now.checked_sub(LOOKED_BACK).unwrap_or(Wall::MIN);
    reader.samples(&signal.id, from, now).unwrap_or_default()
}

/// The median difference of neighbouring good readings.
fn step_median(samples: &[KeptSample]) -> Option<f64> {
    let number = |sample: &KeptSample| {
        sample.value.filter(|_| sample.reasons.quality() == Quality::Good).and_then(Value::number)
    };
    let step = |pair: &[KeptSample]| match pair {
        [one, next] => Some((number(next)? - number(one)?).abs()),
        _ => None,
    };
    let mut steps: Vec<f64> = samples.windows(2).filter_map(step).collect();
    if steps.len() < DIFFERENCES_MIN {
        return None;
    }
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{Reason, Reasons};

    fn sample(second: i64, value: f64, reasons: Reasons) -> KeptSample {
        let time = Wall::from_second(second).unwrap_or(Wall::UNIX_EPOCH);
        KeptSample { time, value: Some(Value::Number(value)), reasons }
    }

    #[test]
    fn half_of_the_neighbouring_readings_differ_by_more_than_the_median_step() {
        // Steps of 0.1 and 0.3 in turn, and one great step that says nothing of noise.
        let course = (0..200).map(|n| match n % 4 {
            0 => 1.0,
            1 => 1.1,
            2 => 1.4,
            _ => 1.3,
        });
        let mut samples: Vec<KeptSample> =
            (0..).zip(course).map(|(second, value)| sample(second, value, Reasons::NONE)).collect();
        samples.push(sample(200, 50.0, Reasons::NONE));
        let median = step_median(&samples);
        assert!(median.is_some_and(|median| (0.1..=0.3).contains(&median)), "{median:?}");
    }

    #[test]
    fn readings_that_are_not_good_and_too_few_of_them_tell_nothing() {
        let settling = Reasons::one(Reason::Settling);
        let doubtful: Vec<KeptSample> =
            (0..500).map(|second: i32| sample(second.into(), f64::from(second % 2), settling)).collect();
        assert_eq!(step_median(&doubtful), None);
        let few: Vec<KeptSample> =
            (0..100).map(|second: i32| sample(second.into(), f64::from(second % 2), Reasons::NONE)).collect();
        assert_eq!(step_median(&few), None);
    }
}
