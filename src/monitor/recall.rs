//! What the conditions had seen before a start, taken from the record: an average over a gas day, a
//! trend, a value that stands still go on over a restart as though the daemon had watched all along.
//!
//! Samples are taken in as they were when they were new. A time in which no daemon watched counts as
//! one without a measurement: each value is held until the next, and no longer than its signal may be
//! silent. Nothing is acted upon here; whether a condition holds is looked at once all is taken in.

use std::time::Duration;

use crate::alarm::AlarmIndex;
use crate::moment::{Moment, Wall};
use crate::monitor::{Plan, State};
use crate::signal::{Reason, Sample, SignalIndex};

/// The signals of which alarms remember something, and from when on their record is wanted.
pub fn remembered_signals(plan: &Plan, state: &State) -> Vec<(SignalIndex, Wall)> {
    let now = state.now();
    let wanted = |signal: SignalIndex| {
        let of_alarm = |alarm: &AlarmIndex| state.alarms[alarm.0].condition.remembers_from(now);
        let from = plan.alarms_about(signal).filter_map(|alarm| of_alarm(&alarm)).min()?;
        // What is held when the time begins was read before.
        let held = from.checked_sub(plan.signals[signal.0].stale_after).unwrap_or(Wall::MIN);
        Some((signal, held))
    };
    (0..plan.signals.len()).map(SignalIndex).filter_map(wanted).collect()
}

/// The record of one signal, on its way into the conditions of its alarms. Before the first step.
pub struct Recall<'a> {
    plan: &'a Plan,
    state: &'a mut State,
    signal: SignalIndex,
    last: Option<Moment>,
}

impl<'a> Recall<'a> {
    /// Begins with a signal of which nothing has been taken in yet.
    pub fn of(plan: &'a Plan, state: &'a mut State, signal: SignalIndex) -> Self {
        Recall { plan, state, signal, last: None }
    }

    /// Takes in a recorded sample; they come in the order of their time. Its time is read off the wall
    /// clock, by the difference to the present one. A sample from after the present, which a clock that
    /// has been set back leaves behind, is passed over.
    pub fn take(&mut self, at: Wall, sample: Sample) {
        let now = self.state.now();
        let Ok(ago) = Duration::try_from(now.wall.duration_since(at)) else { return };
        let at = now.at(now.mono - ago);
        if self.last.is_some_and(|last| last.mono > at.mono) {
            return;
        }
        self.end_what_was_held_until(at);
        self.observe(&sample.as_of(at), at);
        self.last = Some(at);
    }

    /// Ends with what was held longer than it may be.
    pub fn finish(mut self) {
        self.end_what_was_held_until(self.state.now());
    }

    fn end_what_was_held_until(&mut self, at: Moment) {
        let stale_after = self.plan.signals[self.signal.0].stale_after;
        let held_until = self.last.map(|last| last.at(last.mono + stale_after));
        if let Some(held_until) = held_until.filter(|until| until.mono < at.mono) {
            self.observe(&Sample::absent(Reason::Stale, held_until), held_until);
        }
    }

    fn observe(&mut self, sample: &Sample, at: Moment) {
        let plan = self.plan;
        for alarm in plan.alarms_about(self.signal) {
            self.state.alarms[alarm.0].condition.observe(sample, at);
        }
    }
}

impl State {
    /// Has every alarm look, once all is taken in.
    pub fn recalled(&mut self, plan: &Plan) {
        self.look_at_all(plan);
    }

    /// The same for a replay, in which the conditions have seen what was recorded: ends what was held
    /// when the daemon stopped, and longer than it may be.
    pub(super) fn end_what_was_held(&mut self, plan: &Plan) {
        for signal in (0..plan.signals.len()).map(SignalIndex) {
            let (last, now) = (self.known.samples[signal.0].at, self.now);
            if !self.known.samples[signal.0].reasons().contains(Reason::NotYetRead) {
                let mut recall = Recall { plan, state: self, signal, last: Some(last) };
                recall.end_what_was_held_until(now);
            }
        }
    }
}
