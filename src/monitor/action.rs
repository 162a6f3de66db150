//! What an operator may ask of the monitor, and what it answers for each alarm.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::alarm::{AlarmIndex, Life, LifeEvent, Shelf, Standing, Verdict, Withheld};
use crate::moment::Wall;
use crate::monitor::step::Step;
use crate::monitor::{Detail, EventKind, Who};
use crate::names::nearest;

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
    /// The sequence number of the snapshot that the operator looked at: an alarm that has called since
    /// is not acknowledged, for nobody has seen that call. `None`: whatever is there now.
    pub seen: Option<u64>,
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ActionKind {
    /// "I know."
    Acknowledge,
    /// Let go of a latched alarm.
    Reset,
    /// Set aside for a time; `None`: until the condition is gone for the first time, and no longer than
    /// the site's longest time.
    Shelve(Option<Duration>),
    /// Back from the shelf.
    Unshelve,
    /// Take out of service for maintenance.
    RemoveFromService,
    /// Put back into service.
    ReturnToService,
}

/// Who decided that an alarm be withheld, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// Who.
    pub who: Who,
    /// Why, in their words.
    pub remark: Option<String>,
}

/// Of which alarms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Targets {
    /// These, by id.
    These(Vec<String>),
    /// Every alarm of this first-out group for which the action means something now.
    Group(String),
    /// Every alarm for which the action means something now.
    All,
}

/// What became of an action for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActionResult {
    /// The alarm's id, as it was asked for; where a group is not known, the group's name.
    pub alarm: String,
    /// Its new state, or why nothing was done.
    pub result: Result<Life, Refusal>,
    /// Whether its condition cannot be known now; `normal` is no good news then.
    pub indeterminate: bool,
}

impl ActionResult {
    /// What became of an action for a name that no alarm or group has.
    pub fn of_nothing(name: &str, refusal: Refusal) -> ActionResult {
        ActionResult { alarm: name.to_owned(), result: Err(refusal), indeterminate: false }
    }
}

/// Why an action was refused for one alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// There is no such alarm; perhaps this one was meant.
    UnknownAlarm {
        /// The nearest id.
        nearest: Option<String>,
    },
    /// No alarm is in this group; perhaps that one was meant.
    UnknownGroup {
        /// The nearest name of a group.
        nearest: Option<String>,
    },
    /// Nobody waits for an acknowledgement.
    NothingToAcknowledge(Life),
    /// It has called again since the operator looked.
    NotSeen,
    /// The alarm is not latched.
    NothingToReset(Life),
    /// The condition still holds: a reset would hide it.
    StillActive,
    /// Its condition cannot be known now: a reset would call normal what is not measured.
    ConditionUnknown,
    /// It must be acknowledged first.
    NotAcknowledged,
    /// It is withheld, so that there is nothing to answer.
    Withheld(Withheld),
    /// The site allows no alarm to be shelved for so long.
    ShelvedTooLong {
        /// The longest time allowed.
        max: Duration,
    },
    /// It is not on the shelf.
    NotShelved,
    /// It is out of service already.
    AlreadyOutOfService,
    /// It is in service already.
    AlreadyInService,
}

/// With more names than these in one action, none is compared with those that are known.
const NAMES_COMPARED_MAX: usize = 16;

/// In an event's detail: the shelving ends when the condition is gone for the first time, too.
pub const ONE_SHOT_DETAIL: &str = "one_shot";

impl Step<'_> {
    /// Carries out an operator action on each of its targets.
    pub(super) fn carry_out(&mut self, action: &Action) {
        let plan = self.plan;
        let results = match &action.targets {
            Targets::These(ids) => {
                let compared = ids.len() <= NAMES_COMPARED_MAX;
                ids.iter().map(|id| self.act_on_named(id, compared, action)).collect()
            }
            Targets::Group(group) if plan.groups().all(|known| known != group) => {
                let nearest = nearest(group, plan.groups().map(String::as_str)).map(str::to_owned);
                vec![ActionResult::of_nothing(group, Refusal::UnknownGroup { nearest })]
            }
            Targets::Group(group) => {
                self.act_on_all(action, |alarm| plan.alarms[alarm.0].first_out_group.as_ref() == Some(group))
            }
            Targets::All => self.act_on_all(action, |_| true),
        };
        self.output.results.extend(results);
    }

    fn act_on_all(&mut self, action: &Action, meant: impl Fn(AlarmIndex) -> bool) -> Vec<ActionResult> {
        let all = (0..self.plan.alarms.len()).map(AlarmIndex);
        let means_something = |alarm: &AlarmIndex| match self.permitted(*alarm, action) {
            // What called after the operator looked is told to be refused, not passed over.
            Ok(_) | Err(Refusal::NotSeen) => meant(*alarm),
            Err(_) => false,
        };
        let targets: Vec<AlarmIndex> = all.filter(means_something).collect();
        targets.into_iter().map(|alarm| self.act_on(alarm, action)).collect()
    }

    fn act_on_named(&mut self, id: &str, compared: bool, action: &Action) -> ActionResult {
        match self.plan.alarm(id) {
            Some(alarm) => self.act_on(alarm, action),
            None => {
                let known = self.plan.alarms.iter().map(|alarm| alarm.id.as_str()).filter(|_| compared);
                let nearest = nearest(id, known).map(str::to_owned);
                ActionResult::of_nothing(id, Refusal::UnknownAlarm { nearest })
            }
        }
    }

    fn act_on(&mut self, alarm: AlarmIndex, action: &Action) -> ActionResult {
        let result = self.permitted(alarm, action).map(|change| self.apply(alarm, change, action));
        let indeterminate = self.state.alarms[alarm.0].active().is_none();
        ActionResult { alarm: self.plan.alarms[alarm.0].id.clone(), result, indeterminate }
    }

    /// What the action would change, or why it may not.
    fn permitted(&self, alarm: AlarmIndex, action: &Action) -> Result<Change, Refusal> {
        let state = &self.state.alarms[alarm.0];
        let (life, standing) = (state.life, state.standing);
        let lives_to = |event| life.after(event, self.plan.alarms[alarm.0].latching).map(Change::Life);
        let told = standing.withheld().map_or(Ok(()), |withheld| Err(Refusal::Withheld(withheld)));
        match action.kind {
            ActionKind::Acknowledge => {
                told?;
                let change = lives_to(LifeEvent::Acknowledge).ok_or(Refusal::NothingToAcknowledge(life))?;
                if action.seen.is_some_and(|seen| state.called > seen) {
                    Err(Refusal::NotSeen)
                } else {
                    Ok(change)
                }
            }
            ActionKind::Reset => {
                told?;
                match state.verdict {
                    Verdict::Unknown if life.is_latched() => Err(Refusal::ConditionUnknown),
                    // It has come back, and only waits for its on-delay.
                    Verdict::Holds if life.is_latched() => Err(Refusal::StillActive),
                    Verdict::Holds | Verdict::Clear | Verdict::Unknown => {
                        lives_to(LifeEvent::Reset).ok_or(why_no_reset(life))
                    }
                }
            }
            ActionKind::Shelve(time) if time.is_some_and(|time| time > self.plan.shelve_max) => {
                Err(Refusal::ShelvedTooLong { max: self.plan.shelve_max })
            }
            ActionKind::Shelve(_) if standing.out_of_service => Err(Refusal::AlreadyOutOfService),
            ActionKind::Shelve(time) => {
                let now = self.state.now;
                let until = |time| now.at(now.mono + time);
                let once = || Shelf::OneShot(until(self.plan.shelve_max));
                let shelf = time.map_or_else(once, |time| Shelf::Until(until(time)));
                Ok(Change::Standing(Standing { shelf: Some(shelf), ..standing }))
            }
            ActionKind::Unshelve if standing.shelf.is_none() => Err(Refusal::NotShelved),
            ActionKind::Unshelve => Ok(Change::Standing(Standing { shelf: None, ..standing })),
            ActionKind::RemoveFromService if standing.out_of_service => Err(Refusal::AlreadyOutOfService),
            ActionKind::RemoveFromService => {
                Ok(Change::Standing(Standing { out_of_service: true, ..standing }))
            }
            ActionKind::ReturnToService if !standing.out_of_service => Err(Refusal::AlreadyInService),
            ActionKind::ReturnToService => {
                Ok(Change::Standing(Standing { out_of_service: false, ..standing }))
            }
        }
    }

    fn apply(&mut self, alarm: AlarmIndex, change: Change, action: &Action) -> Life {
        let mut detail = BTreeMap::new();
        if let Some(remark) = &action.remark {
            detail.insert("remark", Detail::Text(remark.clone()));
        }
        let kind = event_of(action.kind);
        match change {
            Change::Standing(standing) => {
                if let Some(shelf) = standing.shelf {
                    detail.extend(detail_of(shelf, shelf.until().wall));
                }
                let decision = Decision { who: action.who.clone(), remark: action.remark.clone() };
                self.state.alarms[alarm.0].remember_decision(kind, Some(decision));
                self.withhold(alarm, standing, kind, Some(action.who.clone()), detail)
            }
            Change::Life(life) => {
                let (now, spec) = (self.state.now, &self.plan.alarms[alarm.0]);
                let state = &mut self.state.alarms[alarm.0];
                (state.life, state.since) = (life, Some(now.wall));
                if action.kind == ActionKind::Acknowledge {
                    state.acknowledged = Some(now.wall);
                    state.realarm_at = spec.realarm_after.map(|after| now.mono + after);
                }
                let deadline = state.deadline();
                self.state.wake_by(deadline);
                detail.insert("state", Detail::Text(life.word().to_owned()));
                self.tell_of_alarm(alarm, kind, Some(action.who.clone()), detail);
                life
            }
        }
    }
}

/// What the journal is told of a shelving that ends at `until`.
pub(super) fn detail_of(shelf: Shelf, until: Wall) -> impl Iterator<Item = (&'static str, Detail)> {
    let once = matches!(shelf, Shelf::OneShot(_)).then_some((ONE_SHOT_DETAIL, Detail::Flag(true)));
    std::iter::once(("until", Detail::Text(until.to_string()))).chain(once)
}

/// What an action changes.
enum Change {
    Life(Life),
    Standing(Standing),
}

fn why_no_reset(life: Life) -> Refusal {
    match life {
        Life::Unacknowledged | Life::Acknowledged => Refusal::StillActive,
        Life::LatchedUnacknowledged => Refusal::NotAcknowledged,
        Life::Normal | Life::ReturnedUnacknowledged | Life::LatchedAcknowledged => {
            Refusal::NothingToReset(life)
        }
    }
}

fn event_of(kind: ActionKind) -> EventKind {
    match kind {
        ActionKind::Acknowledge => EventKind::AlarmAcknowledged,
        ActionKind::Reset => EventKind::AlarmReset,
        ActionKind::Shelve(_) => EventKind::AlarmShelved,
        ActionKind::Unshelve => EventKind::AlarmUnshelved,
        ActionKind::RemoveFromService => EventKind::AlarmOutOfService,
        ActionKind::ReturnToService => EventKind::AlarmInService,
    }
}
