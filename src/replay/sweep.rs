//! One setting of one alarm tried at many values.

use std::time::Duration;

use crate::alarm::AlarmSpec;
use crate::moment::Wall;
use crate::monitor::Plan;
use crate::replay::{Spell, Tally, Trial};
use crate::signal::{Sample, SignalIndex};

/// The most values tried in one go.
pub const POINTS_MAX: usize = 200;
/// The values tried when nobody says how many.
pub const POINTS_DEFAULT: usize = 10;

/// What is tried: a setting, and its values from one end to the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweep {
    setting: Swept,
    values: Vec<f64>,
}

/// A setting that can be swept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Swept {
    /// In the signal's unit.
    Setpoint,
    /// In the signal's unit.
    Deadband,
    /// In seconds.
    OnDelay,
    /// In seconds.
    OffDelay,
}

/// One value tried, and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepPoint {
    /// The value.
    pub value: f64,
    /// What the alarm would have done.
    pub tally: Tally,
}

/// Why a sweep cannot be tried.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SweepError {
    /// The words are not understood.
    #[error("`{0}` is no sweep: say for example `deadband=0.05..0.5` or `on_delay=0..60/13`")]
    NotUnderstood(String),
    /// The setting is not one that can be swept.
    #[error("`{0}` cannot be swept: `setpoint`, `deadband`, `on_delay` and `off_delay` can")]
    NoSuchSetting(String),
    /// More values than are tried in one go.
    #[error("{0} values are too many: at most {POINTS_MAX} are tried in one go")]
    TooMany(usize),
    /// The alarm has no such setting.
    #[error("alarm `{0}` has no {1}")]
    NotOfThisAlarm(String, &'static str),
}

impl Swept {
    /// The word used on the command line and in the site file.
    pub const fn word(self) -> &'static str {
        match self {
            Swept::Setpoint => "setpoint",
            Swept::Deadband => "deadband",
            Swept::OnDelay => "on_delay",
            Swept::OffDelay => "off_delay",
        }
    }

    fn from_word(word: &str) -> Option<Swept> {
        [Swept::Setpoint, Swept::Deadband, Swept::OnDelay, Swept::OffDelay]
            .into_iter()
            .find(|swept| swept.word() == word)
    }
}

impl Sweep {
    /// `setting=low..high` or `setting=low..high/points`; delays in seconds.
    pub fn parse(words: &str) -> Result<Sweep, SweepError> {
        let not_understood = || SweepError::NotUnderstood(words.to_owned());
        let (setting, span) = words.split_once('=').ok_or_else(not_understood)?;
        let setting = setting.trim();
        let setting =
            Swept::from_word(setting).ok_or_else(|| SweepError::NoSuchSetting(setting.to_owned()))?;
        let (span, points) = match span.split_once('/') {
            Some((span, points)) => (span, points.trim().parse().map_err(|_| not_understood())?),
            None => (span, POINTS_DEFAULT),
        };
        if points > POINTS_MAX {
            return Err(SweepError::TooMany(points));
        }
        let (low, high) = span.split_once("..").ok_or_else(not_understood)?;
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
        let (low, high) = number(low).zip(number(high)).ok_or_else(not_understood)?;
        let may_be_negative = setting == Swept::Setpoint;
        if points < 2 || low >= high || (low < 0.0 && !may_be_negative) {
            return Err(not_understood());
        }
        Ok(Sweep { setting, values: evenly(low, high, points) })
    }

    /// What is tried.
    pub fn setting(&self) -> Swept {
        self.setting
    }

    /// One trial for each value, all to be fed the same samples.
    pub fn trials(&self, plan: &Plan, alarm: &str, began: Wall) -> Result<Trials, SweepError> {
        let index = plan.alarms.iter().position(|spec| spec.id == alarm);
        let not_of_this = || SweepError::NotOfThisAlarm(alarm.to_owned(), self.setting.word());
        let index = index.ok_or_else(not_of_this)?;
        let trial = |value: &f64| {
            let mut plan = plan.clone();
            set(&mut plan.alarms[index], self.setting, *value).then(|| Trial::new(plan, began))
        };
        let trials = self.values.iter().map(trial).collect::<Option<_>>().ok_or_else(not_of_this)?;
        Ok(Trials { alarm: alarm.to_owned(), values: self.values.clone(), trials })
    }
}

/// The trials of a sweep under way.
pub struct Trials {
    alarm: String,
    values: Vec<f64>,
    trials: Vec<Trial>,
}

impl Trials {
    /// Takes in a recorded sample, in the order of time.
    pub fn take(&mut self, signal: SignalIndex, sample: Sample) {
        self.trials.iter_mut().for_each(|trial| trial.take(signal, sample));
    }

    /// The daemon was started anew at this time.
    pub fn interrupt(&mut self, at: Wall) {
        self.trials.iter_mut().for_each(|trial| trial.interrupt(at));
    }

    /// What came of each value.
    pub fn finish(self, until: Wall) -> Vec<SweepPoint> {
        let of_alarm = |spell: &&Spell| spell.alarm == self.alarm;
        let point = |(value, trial): (f64, Trial)| {
            let spells = trial.finish(until);
            SweepPoint { value, tally: Tally::of(spells.iter().filter(of_alarm), until) }
        };
        self.values.into_iter().zip(self.trials).map(point).collect()
    }
}

/// Whether the alarm has the setting; if so, it now has this value.
fn set(alarm: &mut AlarmSpec, setting: Swept, value: f64) -> bool {
    let delay = Duration::try_from_secs_f64(value).unwrap_or_default();
    match setting {
        Swept::OnDelay => alarm.on_delay = delay,
        Swept::OffDelay => alarm.off_delay = delay,
        Swept::Setpoint | Swept::Deadband => {
            let Some(limit) = alarm.kind.limit_mut() else { return false };
            *if setting == Swept::Setpoint { &mut limit.setpoint } else { &mut limit.deadband } = value;
        }
    }
    true
}

fn evenly(low: f64, high: f64, points: usize) -> Vec<f64> {
    let last = u32::try_from(points.saturating_sub(1)).unwrap_or(u32::MAX);
    (0..=last).map(|index| low + (high - low) * f64::from(index) / f64::from(last)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sweep_is_a_setting_and_evenly_spaced_values() {
        let sweep = Sweep::parse("deadband=0.1..0.5/5");
        let values = [0.1, 0.2, 0.3, 0.4, 0.5];
        assert!(sweep.is_ok_and(|sweep| {
            sweep.setting == Swept::Deadband
                && sweep.values.iter().zip(values).all(|(one, other)| (one - other).abs() < 1e-12)
                && sweep.values.len() == 5
        }));
        assert_eq!(Sweep::parse("on_delay=0..60").map(|sweep| sweep.values.len()), Ok(POINTS_DEFAULT));
    }

    #[test]
    fn what_is_no_sweep_is_refused_with_an_example() {
        for words in
            ["deadband", "deadband=1", "deadband=2..1", "deadband=-1..1", "deadband=0..1/1", "deadband=a..b"]
        {
            assert_eq!(Sweep::parse(words), Err(SweepError::NotUnderstood(words.to_owned())), "{words}");
        }
        assert_eq!(Sweep::parse("priority=1..2"), Err(SweepError::NoSuchSetting("priority".to_owned())));
        assert_eq!(Sweep::parse("deadband=0..1/201"), Err(SweepError::TooMany(201)));
        assert!(Sweep::parse("setpoint=-5..5").is_ok());
    }
}
