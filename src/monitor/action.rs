//! What an operator may ask of the monitor, and what it answers for each alarm.

use std::collections::BTreeMap;

use crate::alarm::{AlarmIndex, Life, LifeEvent};
use crate::monitor::step::Step;
use crate::monitor::{Detail, Event, EventKind, Who};

/// An operator action.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Action {
    /// What is asked.
    pub kind: ActionKind,
    /// Of which alarms.
    pub targets: Targets,
    /// Who asks.
    pub who: Who,
    /// Why, in their words.
    pub remark: Option<String>,
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ActionKind {
    /// "I know."
    Acknowledge,
    /// Let go of a latched alarm.
    Reset,
}

/// Of which alarms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Targets {
    /// These, by id.
    These(Vec<String>),
    /// Every alarm for which the action means something now.
    All,
}

/// What became of an action for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActionResult {
    /// The alarm's id, as it was asked for.
    pub alarm: String,
    /// Its new state, or why nothing was done.
    pub result: Result<Life, Refusal>,
}

/// Why an action was refused for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// There is no such alarm; perhaps this one was meant.
    UnknownAlarm {
        /// The nearest id.
        nearest: Option<String>,
    },
    /// Nobody waits for an acknowledgement.
    NothingToAcknowledge(Life),
    /// The alarm is not latched.
    NothingToReset(Life),
    /// The condition still holds: a reset would hide it.
    StillActive,
    /// It must be acknowledged first.
    NotAcknowledged,
}

impl Step<'_> {
    /// Carries out an operator action on each of its targets.
    pub(super) fn carry_out(&mut self, action: &Action) {
        let results = match &action.targets {
            Targets::These(ids) => ids.iter().map(|id| self.act_on(id, action)).collect(),
            Targets::All => {
                let meant = |index: &usize| self.permitted(AlarmIndex(*index), action.kind).is_ok();
                let meant: Vec<usize> = (0..self.plan.alarms.len()).filter(meant).collect();
                meant.into_iter().map(|index| self.act_on(&self.plan.alarms[index].id, action)).collect()
            }
        };
        self.output.results = results;
    }

    fn act_on(&mut self, id: &str, action: &Action) -> ActionResult {
        let result = match self.plan.alarm(id) {
            Some(alarm) => {
                self.permitted(alarm, action.kind).inspect(|life| self.apply(alarm, *life, action))
            }
            None => Err(Refusal::UnknownAlarm { nearest: self.nearest_alarm(id) }),
        };
        ActionResult { alarm: id.to_owned(), result }
    }

    /// The state the alarm would have after the action, or why it may not be.
    fn permitted(&self, alarm: AlarmIndex, kind: ActionKind) -> Result<Life, Refusal> {
        let life = self.state.alarms[alarm.0].life;
        let latching = self.plan.alarms[alarm.0].latching;
        match kind {
            ActionKind::Acknowledge => {
                life.after(LifeEvent::Acknowledge, latching).ok_or(Refusal::NothingToAcknowledge(life))
            }
            ActionKind::Reset => life.after(LifeEvent::Reset, latching).ok_or(match life {
                Life::Unacknowledged | Life::Acknowledged => Refusal::StillActive,
                Life::LatchedUnacknowledged => Refusal::NotAcknowledged,
                Life::Normal | Life::ReturnedUnacknowledged | Life::LatchedAcknowledged => {
                    Refusal::NothingToReset(life)
                }
            }),
        }
    }

    fn apply(&mut self, alarm: AlarmIndex, life: Life, action: &Action) {
        let now = self.state.now;
        let state = &mut self.state.alarms[alarm.0];
        state.life = life;
        state.since = Some(now.wall);
        let kind = match action.kind {
            ActionKind::Acknowledge => {
                state.acknowledged = Some(now.wall);
                EventKind::AlarmAcknowledged
            }
            ActionKind::Reset => EventKind::AlarmReset,
        };
        let mut detail = BTreeMap::from([("state", Detail::Text(life.word().to_owned()))]);
        if let Some(remark) = &action.remark {
            detail.insert("remark", Detail::Text(remark.clone()));
        }
        let subject = self.plan.alarms[alarm.0].id.clone();
        self.output.events.push(Event { at: now, kind, subject, who: Some(action.who.clone()), detail });
    }

    fn nearest_alarm(&self, id: &str) -> Option<String> {
        let distance = |known: &String| strsim::damerau_levenshtein(known, id);
        let nearest = self.plan.alarms.iter().map(|alarm| &alarm.id).min_by_key(|known| distance(known))?;
        (distance(nearest) <= id.len().max(nearest.len()) / 2).then(|| nearest.clone())
    }
}
