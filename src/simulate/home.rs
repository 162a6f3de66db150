//! Where each signal of a site is at home: how it moves as long as nothing happens.
//!
//! Plausible rather than true: a measured value wanders inside its range, clear of its alarms, and
//! such that whatever depends on it is a measurement; a state is the one in which things work.

use std::time::Duration;

use crate::alarm::Kind;
use crate::config::Site;
use crate::signal::{GuardTest, Range, SignalIndex, SignalSpec, ValueType, code_as_number};
use crate::simulate::Motion;

/// How one signal moves when left alone.
#[derive(Debug, Clone)]
pub(super) struct Home {
    /// The motion itself.
    pub motion: Motion,
    /// How far a value that is held still trembles, either way.
    pub ripple: f64,
}

/// The range of a signal whose site file gives none.
const RANGE_ASSUMED: Range = Range { low: 0.0, high: 100.0 };

/// The homes of all signals, in the order of the site.
pub(super) fn of(site: &Site) -> Vec<Home> {
    let signals = site.signals.iter().enumerate();
    signals.map(|(index, signal)| home(site, SignalIndex(index), signal)).collect()
}

fn home(site: &Site, index: SignalIndex, signal: &SignalSpec) -> Home {
    if signal.place.value_type == ValueType::Bool || !signal.states.0.is_empty() {
        return Home { motion: Motion::still(state(site, index, signal)), ripple: 0.0 };
    }
    let range = signal.range.unwrap_or(RANGE_ASSUMED);
    let ripple = 0.002 * (range.high - range.low);
    if let Some(source) = twin_of(site, index) {
        return Home { motion: Motion::Follow { source: source.0, offset: 0.0 }, ripple };
    }
    let quiet = clear_of_trouble(site, index, range);
    let width = quiet.high - quiet.low;
    let place = u32::try_from(index.0).unwrap_or_default();
    let motion = Motion::Wander {
        middle: quiet.low + 0.4 * width,
        swing: 0.15 * width,
        period: Duration::from_secs(u64::from(60 + place % 7 * 13)),
        phase: (f64::from(place) * 0.618_033_988_75).fract(),
    };
    Home { motion, ripple }
}

/// The signal that this one is compared with by a deviation alarm in the same unit: they measure the
/// same gas, so they agree.
fn twin_of(site: &Site, index: SignalIndex) -> Option<SignalIndex> {
    let unit = |signal: SignalIndex| site.signals.get(signal.0).map(|spec| spec.unit.as_deref());
    site.alarms.iter().find_map(|alarm| {
        let Kind::Deviation { other, .. } = alarm.kind else { return None };
        alarm.signal.filter(|signal| other == index && unit(*signal) == unit(index))
    })
}

/// The part of the range in which no limit alarm is raised and every guard holds.
fn clear_of_trouble(site: &Site, index: SignalIndex, range: Range) -> Range {
    let Range { mut low, mut high } = range;
    for test in guards_on(site, index) {
        match *test {
            GuardTest::Above(limit) => low = low.max(limit),
            GuardTest::Below(limit) => high = high.min(limit),
            GuardTest::Between(limits) => {
                low = low.max(limits.low);
                high = high.min(limits.high);
            }
            GuardTest::Is(_) | GuardTest::IsCode(_) => {}
        }
    }
    for alarm in site.alarms.iter().filter(|alarm| alarm.signal == Some(index)) {
        match &alarm.kind {
            Kind::High(limit) => high = high.min(limit.setpoint - limit.deadband),
            Kind::Low(limit) => low = low.max(limit.setpoint + limit.deadband),
            Kind::AverageHigh(limit, _) => high = high.min(limit.setpoint - limit.deadband),
            Kind::AverageLow(limit, _) => low = low.max(limit.setpoint + limit.deadband),
            Kind::Rise(..)
            | Kind::Fall(..)
            | Kind::State { .. }
            | Kind::Deviation { .. }
            | Kind::Frozen { .. }
            | Kind::Lost
            | Kind::Vote { .. }
            | Kind::Fault(_) => {}
        }
    }
    if low < high { Range { low, high } } else { range }
}

/// The state that every guard wants; without guards the first one that raises no alarm.
fn state(site: &Site, index: SignalIndex, signal: &SignalSpec) -> f64 {
    let wanted = guards_on(site, index).find_map(|test| match test {
        GuardTest::Is(state) => Some(i64::from(*state)),
        GuardTest::IsCode(code) => Some(*code),
        GuardTest::Above(_) | GuardTest::Below(_) | GuardTest::Between(_) => None,
    });
    let raises_alarm = |code: i64| {
        site.alarms.iter().any(|alarm| {
            alarm.signal == Some(index)
                && matches!(&alarm.kind, Kind::State { codes } if codes.contains(&code))
        })
    };
    let named = signal.states.0.iter().map(|(code, _)| *code);
    let quiet = named.chain([0, 1]).find(|code| !raises_alarm(*code));
    code_as_number(wanted.or(quiet).unwrap_or_default())
}

fn guards_on(site: &Site, index: SignalIndex) -> impl Iterator<Item = &GuardTest> {
    let guards = site.signals.iter().flat_map(|signal| &signal.valid_when);
    guards.filter(move |guard| guard.signal == index).map(|guard| &guard.test)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use super::*;
    use crate::moment::Mono;
    use crate::simulate::{Process, rig};

    /// Every value of every second of an hour.
    fn hour_of(site: &Site, id: &str) -> Vec<f64> {
        let index = site.signals.iter().position(|signal| signal.id == id).unwrap();
        let process = Process::new(of(site).into_iter().map(|home| home.motion).collect());
        (0..3600).map(|second| process.value(index, Mono::from_millis(second * 1000))).collect()
    }

    #[test]
    fn a_value_left_alone_raises_no_alarm_and_fulfils_every_condition() {
        let site = rig::site();
        // 0 to 20 ppmv, with an alarm above 4 that clears at 3.8.
        assert!(hour_of(&site, "a.gas").iter().all(|value| (0.0..=3.8).contains(value)));
        // 0 to 5 L/min, and the gas is measured above 0.5.
        assert!(hour_of(&site, "a.flow").iter().all(|value| (0.5..=5.0).contains(value)));
        assert!(hour_of(&site, "a.state").iter().all(|value| *value == 1.0), "measuring");
        assert!(hour_of(&site, "a.calibrating").iter().all(|value| *value == 0.0));
    }

    #[test]
    fn values_do_not_move_in_step() {
        let site = rig::site();
        let (gas, flow) = (hour_of(&site, "a.gas"), hour_of(&site, "a.flow"));
        let rises = |values: &[f64]| values.windows(2).map(|pair| pair[1] > pair[0]).collect::<Vec<_>>();
        let in_step = rises(&gas).iter().zip(rises(&flow)).filter(|(gas, flow)| **gas == *flow).count();
        assert!((1000..2600).contains(&in_step), "{in_step} of 3599 steps go the same way");
    }
}
