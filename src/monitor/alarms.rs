//! The alarms within a step: looking at conditions, and acting when a delay has run out.

use std::collections::BTreeMap;

use crate::alarm::{AlarmIndex, AlarmSpec, Kind, LifeEvent};
use crate::moment::Mono;
use crate::monitor::step::Step;
use crate::monitor::{Detail, Event, EventKind};
use crate::signal::{Sample, Value};

impl Step<'_> {
    /// Has an alarm's condition take in the present sample of its signal, and looks at it.
    pub(super) fn observe(&mut self, alarm: AlarmIndex) {
        if let Some(signal) = self.plan.alarms[alarm.0].signal {
            let sample = &self.state.known.samples[signal.0];
            self.state.alarms[alarm.0].condition.observe(sample, self.state.now);
        }
        self.look(alarm);
    }

    /// Has one alarm look at its condition, acts at once when there is no delay, and has those look
    /// that vote on it.
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
            for &vote in plan.votes_on(alarm) {
                self.look(vote);
            }
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
        for index in 0..self.state.alarms.len() {
            if is_due(self.state.alarms[index].delay.deadline(), self.state.now.mono) {
                self.fire(AlarmIndex(index));
                self.look(AlarmIndex(index));
            } else if is_due(self.state.alarms[index].next_look, self.state.now.mono) {
                self.look(AlarmIndex(index));
            }
        }
    }

    /// The condition has changed for good: raises the alarm, or clears it.
    fn fire(&mut self, alarm: AlarmIndex) {
        let (now, spec) = (self.state.now, &self.plan.alarms[alarm.0]);
        let state = &mut self.state.alarms[alarm.0];
        state.delay.stop();
        let event = if state.life.is_active() { LifeEvent::Clear } else { LifeEvent::Raise };
        let Some(life) = state.life.after(event, spec.latching) else { return };
        state.life = life;
        state.since = Some(now.wall);
        let kind = if event == LifeEvent::Raise {
            (state.raised, state.cleared, state.acknowledged) = (Some(now.wall), None, None);
            EventKind::AlarmRaised
        } else {
            state.cleared = Some(now.wall);
            EventKind::AlarmCleared
        };
        let sample = spec.signal.map(|signal| &self.state.known.samples[signal.0]);
        let unit = spec.signal.and_then(|signal| self.plan.signals[signal.0].unit.clone());
        let mut detail = circumstances(spec, sample, unit);
        detail.insert("state", Detail::Text(life.word().to_owned()));
        self.output.events.push(Event { at: now, kind, subject: spec.id.clone(), who: None, detail });
        // With the alarm's standing changed, the deadband has changed sides.
        self.state.alarms[alarm.0].look(spec, &self.state.known, now);
    }
}

fn is_due(deadline: Option<Mono>, now: Mono) -> bool {
    deadline.is_some_and(|deadline| deadline <= now)
}

/// What was known when an alarm was raised or cleared.
fn circumstances(
    spec: &AlarmSpec,
    sample: Option<&Sample>,
    unit: Option<String>,
) -> BTreeMap<&'static str, Detail> {
    let mut detail = BTreeMap::from([
        ("kind", Detail::Text(spec.kind.word().to_owned())),
        ("priority", Detail::Text(spec.priority.word().to_owned())),
    ]);
    if let Some(limit) = spec.kind.limit() {
        detail.insert("setpoint", Detail::Number(limit.setpoint));
    }
    if let Some(sample) = sample {
        match sample.value() {
            Some(Value::Number(number)) => drop(detail.insert("value", Detail::Number(number))),
            Some(Value::Flag(flag)) => drop(detail.insert("value", Detail::Flag(flag))),
            None => {}
        }
        let reasons: Vec<String> = sample.reasons().iter().map(|reason| reason.word().to_owned()).collect();
        if !reasons.is_empty() {
            detail.insert("reasons", Detail::List(reasons));
        }
    }
    if let Some(unit) = unit {
        detail.insert("unit", Detail::Text(unit));
    }
    detail
}
