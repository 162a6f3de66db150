//! Another plan while the monitor runs: what is known goes over to it, and everything is judged anew.
//!
//! Alarms go over by their ids, with their place in the life cycle and whatever withholds them, and so
//! does what their conditions remember, as long as they watch for the same thing. A signal whose value
//! would now be read otherwise (another place, scale, unit or range) begins as not yet read: an old
//! number under a new unit would be a false one. What changes by all this is told as any other event.

use crate::alarm::{AlarmIndex, AlarmSpec, Kind, Life};
use crate::monitor::care::CareState;
use crate::monitor::restore::deadline;
use crate::monitor::state::{AlarmState, Evidence, SignalState};
use crate::monitor::step::Step;
use crate::monitor::{Detail, EventKind, Output, Plan, State};
use crate::signal::{SignalIndex, SignalSpec};

/// The state for a plan that takes the place of another, and what follows at once. Both plans have the
/// same lines, devices and signals, in the same order; how these are read, and the alarms, may differ.
/// The old plan has been followed up to now.
pub fn replan(old_plan: &Plan, old: &State, plan: &Plan) -> (State, Output) {
    let carried = Carried { old_plan, old, plan };
    let mut state = carried.state();
    for index in 0..plan.signals.len() {
        state.signals[index].frozen = state.has_stopped_moving(plan, SignalIndex(index));
    }
    let mut step = Step::new(plan, &mut state);
    for (spec, alarm) in carried.removed() {
        step.tell_removed(spec, alarm);
    }
    step.judge_everything();
    let output = step.output;
    state.wake = state.earliest_deadline(plan);
    (state, output)
}

/// What goes over from one plan to the other.
struct Carried<'a> {
    old_plan: &'a Plan,
    old: &'a State,
    plan: &'a Plan,
}

impl Carried<'_> {
    fn state(&self) -> State {
        let Carried { old, plan, .. } = self;
        let signal = |index| {
            if self.is_read_as_before(index) {
                old.signals[index.0].clone()
            } else {
                SignalState::unread(old.now)
            }
        };
        let active = |spec: &AlarmSpec| self.alarm(spec).and_then(|(index, _)| old.known.active[index.0]);
        let same_buttons = self.old_plan.push_buttons == plan.push_buttons;
        State {
            now: old.now,
            wake: None,
            signals: (0..plan.signals.len()).map(|index| signal(SignalIndex(index))).collect(),
            alarms: plan.alarms.iter().map(|spec| self.alarm_state(spec)).collect(),
            buttons: if same_buttons {
                old.buttons.clone()
            } else {
                plan.push_buttons.iter().map(|_| Default::default()).collect()
            },
            seq: old.seq,
            replaying: old.replaying,
            known: Evidence {
                samples: old.known.samples.clone(),
                active: plan.alarms.iter().map(active).collect(),
                lines: old.known.lines.clone(),
                record: old.known.record.clone(),
                clock: old.known.clock,
                care: self.care(),
                told_lost: old.known.told_lost.clone(),
            },
        }
    }

    /// The care of the devices: how often they are to be calibrated may differ.
    fn care(&self) -> Vec<CareState> {
        let mut care = self.old.known.care.clone();
        for (state, device) in care.iter_mut().zip(&self.plan.devices) {
            state.reckon_due(&device.care, self.old.now);
        }
        care
    }

    /// Whether the numbers of a signal mean the same as before.
    fn is_read_as_before(&self, signal: SignalIndex) -> bool {
        let reading = |spec: &SignalSpec, plan: &Plan| {
            let device = &plan.devices[spec.device.0];
            let place = (device.unit_id, device.line, spec.place);
            (place, spec.current, spec.scale, spec.states.clone(), spec.unit.clone(), spec.range)
        };
        let before = reading(&self.old_plan.signals[signal.0], self.old_plan);
        before == reading(&self.plan.signals[signal.0], self.plan)
    }

    /// The alarm of this id as it was.
    fn alarm(&self, spec: &AlarmSpec) -> Option<(AlarmIndex, &AlarmSpec)> {
        let index = self.old_plan.alarm(&spec.id)?;
        Some((index, &self.old_plan.alarms[index.0]))
    }

    fn alarm_state(&self, spec: &AlarmSpec) -> AlarmState {
        let new = AlarmState::normal(spec);
        let Some((index, before)) = self.alarm(spec) else { return new };
        let mut alarm = self.old.alarms[index.0].clone();
        if !self.watches_as_before(before, spec) {
            (alarm.condition, alarm.verdict, alarm.next_look) = (new.condition, new.verdict, new.next_look);
            alarm.held = new.held;
        } else if let Some(limit) = spec.kind.limit() {
            alarm.condition.set_limit(limit);
        }
        let waits = |spec: &AlarmSpec| (spec.kind.clone(), spec.signal, spec.on_delay, spec.off_delay);
        if waits(before) != waits(spec) {
            alarm.delay.stop();
        }
        if before.realarm_after != spec.realarm_after {
            let acknowledged = alarm.acknowledged.filter(|_| alarm.life == Life::Acknowledged);
            let due = acknowledged.zip(spec.realarm_after);
            alarm.realarm_at = due.map(|(at, after)| deadline(at, after, self.old.now));
        }
        alarm
    }

    /// Whether an alarm's condition may keep what it remembers. A kind that compares a single sample
    /// with its limit remembers nothing, and those that look at other alarms or at a second signal do so
    /// by place.
    fn watches_as_before(&self, before: &AlarmSpec, spec: &AlarmSpec) -> bool {
        let remembers = match spec.kind {
            Kind::Rise(..)
            | Kind::Fall(..)
            | Kind::AverageHigh(..)
            | Kind::AverageLow(..)
            | Kind::Frozen { .. } => true,
            Kind::High(_)
            | Kind::Low(_)
            | Kind::State { .. }
            | Kind::Deviation { .. }
            | Kind::Lost
            | Kind::Vote { .. }
            | Kind::Fault(_) => false,
        };
        let signal = before.signal == spec.signal && spec.signal.is_none_or(|it| self.is_read_as_before(it));
        remembers && signal && before.kind.is_but_for_the_limit(&spec.kind)
    }

    /// The alarms that the new plan no longer has.
    fn removed(&self) -> impl Iterator<Item = (&AlarmSpec, &AlarmState)> {
        let all = self.old_plan.alarms.iter().zip(&self.old.alarms);
        all.filter(|(spec, _)| self.plan.alarm(&spec.id).is_none())
    }
}

impl Step<'_> {
    /// Tells that an alarm is no more, if there was anything to tell of it.
    fn tell_removed(&mut self, spec: &AlarmSpec, alarm: &AlarmState) {
        let was = match (alarm.standing.withheld(), alarm.life) {
            (None, Life::Normal) => return,
            (Some(withheld), _) => withheld.word(),
            (None, life) => life.word(),
        };
        let text = |word: &str| Detail::Text(word.to_owned());
        let detail = [("state", text(Life::Normal.word())), ("was", text(was))];
        self.tell_plainly(EventKind::AlarmRemoved, &spec.id, detail);
    }

    /// Judges every signal, looks at every alarm, and lets go of those that nothing suppresses any more.
    fn judge_everything(&mut self) {
        let plan = self.plan;
        for &signal in plan.guards_first() {
            self.judge(signal, false);
        }
        (0..plan.alarms.len()).for_each(|index| self.look(AlarmIndex(index)));
        self.let_go_of_what_nothing_suppresses();
        self.count_votes();
    }
}
