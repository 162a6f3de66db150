//! Alarms withheld and told again: shelving that ends, suppression by the site's own logic, re-alarm,
//! and which alarm of a group came first.

use std::collections::BTreeMap;

use crate::alarm::{AlarmIndex, Life, LifeEvent, Shelf, Standing};
use crate::monitor::judge::{Validity, validity};
use crate::monitor::step::Step;
use crate::monitor::{Detail, EventKind, Who};
use crate::signal::SignalIndex;

impl Step<'_> {
    /// Changes an alarm's standing and tells it; an alarm that is told again stands where its
    /// condition stands.
    pub(super) fn withhold(
        &mut self,
        alarm: AlarmIndex,
        standing: Standing,
        kind: EventKind,
        who: Option<Who>,
        mut detail: BTreeMap<&'static str, Detail>,
    ) -> Life {
        let now = self.state.now;
        let state = &mut self.state.alarms[alarm.0];
        let (was_withheld, call_waits) = (state.standing.withheld().is_some(), state.call_waits);
        state.stand(standing);
        if was_withheld && standing.withheld().is_none() {
            state.life = state.life.told_again(call_waits);
        }
        state.since = Some(now.wall);
        let life = state.life;
        detail.insert("state", Detail::Text(life.word().to_owned()));
        self.tell_of_alarm(alarm, kind, who, detail);
        let deadline = self.state.alarms[alarm.0].deadline();
        self.state.wake_by(deadline);
        life
    }

    /// Lets those alarms be suppressed, or told again, that depend on a signal.
    pub(super) fn suppress_by(&mut self, signal: SignalIndex) {
        let plan = self.plan;
        for &alarm in plan.suppressed_by(signal) {
            let guards = &plan.alarms[alarm.0].suppress_when;
            let suppressed = validity(guards, &self.state.known) == Validity::Holds;
            let standing = self.state.alarms[alarm.0].standing;
            if standing.suppressed != suppressed {
                let kind = if suppressed { EventKind::AlarmSuppressed } else { EventKind::AlarmUnsuppressed };
                self.withhold(alarm, Standing { suppressed, ..standing }, kind, None, BTreeMap::new());
            }
        }
    }

    /// Lets those alarms be told again that the site file no longer suppresses: no signal ever would.
    pub(super) fn let_go_of_what_nothing_suppresses(&mut self) {
        for (index, spec) in self.plan.alarms.iter().enumerate() {
            let standing = self.state.alarms[index].standing;
            if standing.suppressed && spec.suppress_when.is_empty() {
                let told = Standing { suppressed: false, ..standing };
                self.withhold(AlarmIndex(index), told, EventKind::AlarmUnsuppressed, None, BTreeMap::new());
            }
        }
    }

    /// Takes an alarm from the shelf whose time there is over.
    pub(super) fn unshelve_when_due(&mut self, alarm: AlarmIndex) {
        let Some(shelf) = self.state.alarms[alarm.0].standing.shelf else { return };
        if shelf.until().mono <= self.state.now.mono {
            self.unshelve(alarm, "time");
        }
    }

    /// Takes an alarm from the shelf whose condition is gone, when it lay there for that.
    pub(super) fn unshelve_one_shot(&mut self, alarm: AlarmIndex) {
        if matches!(self.state.alarms[alarm.0].standing.shelf, Some(Shelf::OneShot(_))) {
            self.unshelve(alarm, "one_shot");
        }
    }

    fn unshelve(&mut self, alarm: AlarmIndex, by: &str) {
        let standing = Standing { shelf: None, ..self.state.alarms[alarm.0].standing };
        let detail = BTreeMap::from([("by", Detail::Text(by.to_owned()))]);
        self.withhold(alarm, standing, EventKind::AlarmUnshelved, None, detail);
    }

    /// Calls for attention again when an alarm was acknowledged long ago and is still active.
    pub(super) fn realarm_when_due(&mut self, alarm: AlarmIndex) {
        let (spec, now) = (&self.plan.alarms[alarm.0], self.state.now);
        let state = &mut self.state.alarms[alarm.0];
        if state.realarm_at.is_none_or(|due| due > now.mono) {
            return;
        }
        state.realarm_at = None;
        if let Some(life) = state.life.after(LifeEvent::Realarm, spec.latching) {
            (state.life, state.since, state.acknowledged) = (life, Some(now.wall), None);
            let detail = BTreeMap::from([("state", Detail::Text(life.word().to_owned()))]);
            self.tell_of_alarm(alarm, EventKind::AlarmRealarmed, None, detail);
        }
    }

    /// Whether an alarm that is being raised is the first of its group; if so, it alone bears the mark.
    pub(super) fn mark_first_out(&mut self, alarm: AlarmIndex) -> bool {
        let Some(group) = &self.plan.alarms[alarm.0].first_out_group else { return false };
        let of_group = |index: &usize| self.plan.alarms[*index].first_out_group.as_ref() == Some(group);
        let others: Vec<usize> =
            (0..self.plan.alarms.len()).filter(|index| *index != alarm.0 && of_group(index)).collect();
        if others.iter().any(|other| self.state.alarms[*other].life.is_active()) {
            return false;
        }
        for other in others {
            self.state.alarms[other].first_out = false;
        }
        self.state.alarms[alarm.0].first_out = true;
        true
    }
}
