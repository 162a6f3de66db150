//! The first question of an operator: does the gas keep its limits, and can that be believed?
//!
//! A *limit* is an alarm on too high or too low a value of the gas itself, not of the conditions under
//! which it is measured. The answer is worked out from nothing but the alarms'
//! conditions and the quality of what they watch; it never says *within* while any limit cannot be
//! judged, or is passed and only waits for its on-delay.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::signal::Quality;
use crate::view::{Alarm, Instant, Signal};

/// Whether the gas keeps its limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Gas {
    /// The answer.
    pub verdict: Verdict,
    /// How many limits there are.
    pub limits: usize,
    /// The ids of the alarms whose limit is passed.
    pub outside: Vec<String>,
    /// The ids of the alarms whose limit is passed too, but not for as long as their on-delay yet.
    pub pending: Vec<String>,
    /// The ids of the alarms whose limit cannot be judged.
    pub not_known: Vec<String>,
    /// The ids of the watched signals whose value must be used with care.
    pub with_care: Vec<String>,
    /// The ids of the active alarms by which a watched signal and another measurement of the same disagree,
    /// so that one of the two is wrong.
    pub in_doubt: Vec<String>,
    /// Since when the answer has been this one, as far as is known.
    pub since: Option<Instant>,
}

/// The answer, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Every limit is kept, and every one of them can be judged.
    WithinLimits,
    /// At least one limit is passed.
    OutsideLimits,
    /// At least one limit is passed, but none for as long as its on-delay yet.
    BeyondPending,
    /// No limit is known to be passed, but at least one cannot be judged.
    NotKnown,
    /// The site has no limits.
    NoLimits,
}

impl Gas {
    /// The answer that `alarms` and the `signals` they watch give.
    pub(super) fn of(signals: &[Signal], alarms: &[Alarm]) -> Gas {
        let limits: Vec<&Alarm> = alarms.iter().filter(|alarm| alarm.gas_limit).collect();
        let with = |active| limits.iter().copied().filter(move |alarm| alarm.active == active).collect();
        let outside: Vec<&Alarm> = with(Some(true));
        let not_known: Vec<&Alarm> = with(None);
        let pending: Vec<&Alarm> = limits.iter().copied().filter(|alarm| alarm.pending).collect();
        let watched = watched_by(&limits, signals);

        let (verdict, since) = if limits.is_empty() {
            (Verdict::NoLimits, None)
        } else if !outside.is_empty() {
            (Verdict::OutsideLimits, outside.iter().filter_map(|alarm| alarm.raised).min())
        } else if !pending.is_empty() {
            (Verdict::BeyondPending, None)
        } else if !not_known.is_empty() {
            let lost = watched_by(&not_known, signals);
            (Verdict::NotKnown, lost.iter().map(|signal| signal.since).min())
        } else {
            let measured = watched.iter().map(|signal| signal.since);
            (Verdict::WithinLimits, measured.chain(limits.iter().filter_map(|alarm| alarm.cleared)).max())
        };
        let in_doubt = alarms.iter().filter(|alarm| is_doubted_by(alarm, &watched));
        let with_care = watched.iter().filter(|signal| signal.quality.0 == Quality::Uncertain);
        Gas {
            verdict,
            limits: limits.len(),
            outside: outside.iter().map(|alarm| alarm.id.clone()).collect(),
            pending: pending.iter().map(|alarm| alarm.id.clone()).collect(),
            not_known: not_known.iter().map(|alarm| alarm.id.clone()).collect(),
            with_care: with_care.map(|signal| signal.id.clone()).collect(),
            in_doubt: in_doubt.map(|alarm| alarm.id.clone()).collect(),
            since,
        }
    }

    /// Whether every limit is judged, and on measurements that nothing speaks against.
    pub fn is_certain(&self) -> bool {
        self.not_known.is_empty() && self.with_care.is_empty() && self.in_doubt.is_empty()
    }
}

fn is_doubted_by(alarm: &Alarm, watched: &[&Signal]) -> bool {
    let compared = [&alarm.signal, &alarm.compared_with];
    let concerns = |signal: &&Signal| compared.iter().any(|id| id.as_ref() == Some(&signal.id));
    alarm.compared_with.is_some() && alarm.active == Some(true) && watched.iter().any(concerns)
}

fn watched_by<'a>(alarms: &[&Alarm], signals: &'a [Signal]) -> Vec<&'a Signal> {
    let watches = |alarm: &&Alarm, signal: &Signal| alarm.signal.as_deref() == Some(signal.id.as_str());
    signals.iter().filter(|signal| alarms.iter().any(|alarm| watches(alarm, signal))).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::view::{Status, story};

    /// The story's gas, with every limit kept and judged but for what `change` does to the first one.
    fn told(change: impl Fn(&mut Alarm)) -> Gas {
        let snapshot = story::story();
        let Status { signals, mut alarms, .. } = Status::of(&snapshot, snapshot.at);
        alarms.retain(|alarm| alarm.gas_limit);
        for alarm in &mut alarms {
            (alarm.active, alarm.pending) = (Some(false), false);
        }
        change(&mut alarms[0]);
        Gas::of(&signals, &alarms)
    }

    #[test]
    fn the_gas_is_within_its_limits_only_while_none_is_passed_pending_or_not_judged() {
        assert_eq!(told(|_| ()).verdict, Verdict::WithinLimits);
        let pending = told(|alarm| alarm.pending = true);
        assert_eq!((pending.verdict, pending.pending.len()), (Verdict::BeyondPending, 1));
        assert_eq!(told(|alarm| alarm.active = None).verdict, Verdict::NotKnown);
        assert_eq!(told(|alarm| alarm.active = Some(true)).verdict, Verdict::OutsideLimits);
    }

    #[test]
    fn a_limit_on_one_of_two_measurements_that_disagree_is_judged_in_doubt() {
        let snapshot = story::story();
        let Status { signals, mut alarms, .. } = Status::of(&snapshot, snapshot.at);
        let limit = alarms.iter().find(|alarm| alarm.gas_limit && alarm.signal.is_some()).unwrap();
        let differ = Alarm {
            id: "differ".to_owned(),
            gas_limit: false,
            compared_with: limit.signal.clone(),
            signal: None,
            active: Some(true),
            ..limit.clone()
        };
        alarms.push(differ);
        let told = Gas::of(&signals, &alarms);
        assert_eq!((told.in_doubt.as_slice(), told.is_certain()), (["differ".to_owned()].as_slice(), false));
        alarms.last_mut().unwrap().active = Some(false);
        assert_eq!(Gas::of(&signals, &alarms).in_doubt, Vec::<String>::new());
    }

    #[test]
    fn the_page_for_integrators_tells_every_verdict_in_the_word_of_the_json() {
        let page = include_str!("../../docs/integrator.md");
        for verdict in [
            Verdict::WithinLimits,
            Verdict::OutsideLimits,
            Verdict::BeyondPending,
            Verdict::NotKnown,
            Verdict::NoLimits,
        ] {
            let word = serde_json::to_string(&verdict).unwrap().replace('"', "`");
            assert!(page.contains(&word), "{word}");
        }
    }
}
