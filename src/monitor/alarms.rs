//! The alarms within a step: looking at conditions, and acting when a delay has run out.

use std::collections::BTreeMap;

use crate::alarm::{AlarmIndex, Kind, LifeEvent};
use crate::moment::Mono;
use crate::monitor::step::Step;
use crate::monitor::{Detail, Event, EventKind, Who};
use crate::signal::{Sample, SignalIndex, Value};

impl Step<'_> {
    /// Has the conditions of the alarms that look at a signal take in the present sample, and looks at them.
    pub(super) fn observe(&mut self, signal: SignalIndex) {
        let plan = self.plan;
        for &alarm in plan.alarms_on(signal) {
            if plan.alarms[alarm.0].signal == Some(signal) {
                let sample = &self.state.known.samples[signal.0];
                self.state.alarms[alarm.0].condition.observe(sample, self.state.now);
            }
            self.look(alarm);
        }
        if self.note_frozen(signal) {
            self.judge(signal, false);
        }
    }

    /// Has one alarm look at its condition, and acts at once when there is no delay.
    pub(super) fn look(&mut self, alarm: AlarmIndex) {
        let (plan, now) = (self.plan, self.state.now);
        self.state.alarms[alarm.0].look(&plan.alarms[alarm.0], &self.state.known, now);
        if is_due(self.state.alarms[alarm.0].delay.deadline(), now.mono) {
            self.fire(alarm);
        }
        let state = &self.state.alarms[alarm.0];
        let (active, deadline) = (state.active(), state.deadline());
        self.state.wake_by(deadline);
        if std::mem::replace(&mut self.state.known.active[alarm.0], active) != active {
            self.votes_due.extend(plan.votes_on(alarm));
        }
    }

    /// Notes on a signal whether its value has stopped moving, by any of its alarms; says whether that has
    /// changed, so that it is to be judged anew.
    fn note_frozen(&mut self, signal: SignalIndex) -> bool {
        let frozen = self.state.has_stopped_moving(self.plan, signal);
        std::mem::replace(&mut self.state.signals[signal.0].frozen, frozen) != frozen
    }

    /// Has one alarm look to which no sample has come, and its signal be judged anew where that tells
    /// something of it.
    fn look_in_between(&mut self, alarm: AlarmIndex) {
        self.look(alarm);
        if let Some(signal) = self.plan.alarms[alarm.0].signal.filter(|signal| self.note_frozen(*signal)) {
            self.judge_together([(signal, false)]);
        }
    }

    /// Has those alarms look that vote on others, once all the others have looked: between the looks
    /// of two voters the count may be one that never was.
    pub(super) fn count_votes(&mut self) {
        while let Some(vote) = self.votes_due.pop_first() {
            self.look(vote);
        }
    }

    /// Has the alarms on siskin itself look at their conditions.
    pub(super) fn look_at_siskin(&mut self) {
        for index in 0..self.plan.alarms.len() {
            if matches!(self.plan.alarms[index].kind, Kind::Fault(_)) {
                self.look(AlarmIndex(index));
            }
        }
    }

    /// Has every alarm look whose time has come.
    pub(super) fn look_at_due_alarms(&mut self) {
        for alarm in (0..self.state.alarms.len()).map(AlarmIndex) {
            let now = self.state.now.mono;
            if is_due(self.state.alarms[alarm.0].delay.deadline(), now) {
                self.fire(alarm);
                self.look_in_between(alarm);
            } else if is_due(self.state.alarms[alarm.0].next_look, now) {
                self.look_in_between(alarm);
            }
            self.unshelve_when_due(alarm);
            self.realarm_when_due(alarm);
        }
    }

    /// The condition has changed for good: raises the alarm, or clears it.
    fn fire(&mut self, alarm: AlarmIndex) {
        let (now, spec) = (self.state.now, &self.plan.alarms[alarm.0]);
        let state = &mut self.state.alarms[alarm.0];
        state.delay.stop();
        let raised = !state.life.is_active();
        let event = if raised { LifeEvent::Raise } else { LifeEvent::Clear };
        let Some(life) = state.life.after(event, spec.latching) else { return };
        state.since = Some(now.wall);
        state.realarm_at = None;
        if raised {
            (state.raised, state.cleared, state.acknowledged) = (Some(now.wall), None, None);
        } else {
            state.cleared = Some(now.wall);
        }
        let mut detail = self.circumstances(alarm);
        detail.insert("state", Detail::Text(life.word().to_owned()));
        if raised && self.mark_first_out(alarm) {
            detail.insert("first_out", Detail::Flag(true));
        }
        self.state.alarms[alarm.0].life = life;
        let kind = if raised { EventKind::AlarmRaised } else { EventKind::AlarmCleared };
        self.tell_of_alarm(alarm, kind, None, detail);
        // With the alarm's standing changed, the deadband has changed sides.
        self.state.alarms[alarm.0].look(spec, &self.state.known, now);
        if !raised {
            self.unshelve_one_shot(alarm);
        }
    }

    /// Tells an event about an alarm; a withheld alarm's events say so, and call nobody.
    pub(super) fn tell_of_alarm(
        &mut self,
        alarm: AlarmIndex,
        kind: EventKind,
        who: Option<Who>,
        mut detail: BTreeMap<&'static str, Detail>,
    ) {
        let withheld = self.state.alarms[alarm.0].standing.withheld();
        if let Some(withheld) = withheld {
            detail.insert("withheld", Detail::Text(withheld.word().to_owned()));
        }
        let subject = self.plan.alarms[alarm.0].id.clone();
        self.tell(Event { at: self.state.now, kind, subject, who, detail });
        let state = &mut self.state.alarms[alarm.0];
        if withheld.is_none() && state.life.is_unacknowledged() {
            state.called = self.state.seq;
        }
    }

    /// What is known when an alarm is raised or cleared.
    fn circumstances(&self, alarm: AlarmIndex) -> BTreeMap<&'static str, Detail> {
        let spec = &self.plan.alarms[alarm.0];
        let mut detail = BTreeMap::from([
            ("kind", Detail::Text(spec.kind.word().to_owned())),
            ("priority", Detail::Text(spec.priority.word().to_owned())),
        ]);
        if let Some(limit) = spec.kind.limit() {
            detail.insert("setpoint", Detail::Number(limit.setpoint));
        }
        if let Some(signal) = spec.signal {
            detail.extend(described(&self.state.known.samples[signal.0]));
            detail.extend(self.plan.signals[signal.0].unit.clone().map(|unit| ("unit", Detail::Text(unit))));
        }
        detail
    }
}

/// A sample's value, if it has one, and its reasons, if it has any.
fn described(sample: &Sample) -> impl Iterator<Item = (&'static str, Detail)> {
    let value = sample.value().map(|value| match value {
        Value::Number(number) => ("value", Detail::Number(number)),
        Value::Flag(flag) => ("value", Detail::Flag(flag)),
    });
    let reasons: Vec<String> = sample.reasons().iter().map(|reason| reason.word().to_owned()).collect();
    let reasons = (!reasons.is_empty()).then_some(("reasons", Detail::List(reasons)));
    value.into_iter().chain(reasons)
}

fn is_due(deadline: Option<Mono>, now: Mono) -> bool {
    deadline.is_some_and(|deadline| deadline <= now)
}
