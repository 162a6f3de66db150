//! What the monitor knows between two steps.

use std::time::Duration;

use crate::alarm::{
    AlarmIndex, AlarmSpec, Condition, Delay, Fault, Kind, Known, Life, Standing, Verdict, WhenLost, Withheld,
    condition,
};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::button::ButtonState;
use crate::monitor::care::CareState;
use crate::monitor::{ClockStatus, Decision, EventKind, LineReport, Plan, RecordReport};
use crate::signal::{ReadFault, Reason, Reasons, Sample, SignalIndex, SignalSpec, Value};

/// What the monitor knows between two steps. Made for one [`Plan`] and used with no other.
#[derive(Debug, Clone)]
pub struct State {
    pub(super) now: Moment,
    /// No deadline lies before this; it may lie before the first one.
    pub(super) wake: Option<Mono>,
    pub(super) signals: Vec<SignalState>,
    pub(super) alarms: Vec<AlarmState>,
    pub(super) buttons: Vec<ButtonState>,
    /// Counts the events told; never less than the journal's last number at start.
    pub(super) seq: u64,
    pub(super) known: Evidence,
    /// Samples come from the record, and are not judged again.
    pub(super) replaying: bool,
}

/// What alarm conditions look at.
#[derive(Debug, Clone)]
pub(super) struct Evidence {
    pub(super) samples: Vec<Sample>,
    pub(super) active: Vec<Option<bool>>,
    pub(super) lines: Vec<Option<LineReport>>,
    pub(super) record: Option<RecordReport>,
    pub(super) clock: ClockStatus,
    /// Of each device.
    pub(super) care: Vec<CareState>,
    /// Of each device, whether the journal was told that it is lost, and not yet that it is back.
    pub(super) told_lost: Vec<bool>,
}

/// What is known of one signal beside its present sample.
#[derive(Debug, Clone)]
pub(super) struct SignalState {
    pub(super) began: Mono,
    pub(super) last: Option<LastAnswer>,
    /// Why the questions after `last` were not answered.
    pub(super) fault: Option<ReadFault>,
    /// Its line reports that the device does not answer.
    pub(super) device_lost: bool,
    /// An alarm says that its value has stopped moving, or said so when that was last known.
    pub(super) frozen: bool,
    pub(super) flush: Flush,
    pub(super) since: Moment,
    pub(super) last_good: Option<(Value, Moment)>,
}

/// The last thing a device said of a signal.
#[derive(Debug, Clone, Copy)]
pub(super) struct LastAnswer {
    pub(super) value: Option<Value>,
    pub(super) reasons: Reasons,
    pub(super) at: Moment,
}

/// Whether the gas in the cell is the gas that flows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flush {
    /// As far as is known, yes.
    Settled,
    /// A validity condition was seen not to hold.
    Violated,
    /// Validity has returned; flushed at this time.
    Settling(Mono),
}

/// What is known of one alarm.
#[derive(Debug, Clone)]
pub(super) struct AlarmState {
    pub(super) condition: Box<dyn Condition>,
    pub(super) life: Life,
    pub(super) standing: Standing,
    /// It had called when the site's own logic suppressed it, and nobody has acknowledged it or set it
    /// aside since.
    pub(super) call_waits: bool,
    /// Whose decision the last shelving was, and the last removal from service.
    pub(super) shelved_by: Option<Decision>,
    pub(super) removed_by: Option<Decision>,
    pub(super) verdict: Verdict,
    /// Whether the condition held when that was last known.
    pub(super) held: bool,
    pub(super) delay: Delay,
    /// When the verdict may change although nothing comes in.
    pub(super) next_look: Option<Mono>,
    pub(super) since: Option<Wall>,
    pub(super) raised: Option<Wall>,
    pub(super) cleared: Option<Wall>,
    pub(super) acknowledged: Option<Wall>,
    pub(super) realarm_at: Option<Mono>,
    /// The first of its group to be raised.
    pub(super) first_out: bool,
    /// [`State::seq`] of the last event by which it called for attention.
    pub(super) called: u64,
}

impl State {
    /// Nothing is known yet.
    pub fn new(plan: &Plan, now: Moment) -> Self {
        let unread = Sample::absent(Reason::NotYetRead, now);
        let mut state = State {
            now,
            wake: None,
            signals: plan.signals.iter().map(|_| SignalState::unread(now)).collect(),
            alarms: plan.alarms.iter().map(AlarmState::normal).collect(),
            buttons: vec![ButtonState::default(); plan.push_buttons.len()],
            seq: 0,
            known: Evidence {
                samples: vec![unread; plan.signals.len()],
                active: vec![None; plan.alarms.len()],
                lines: vec![None; plan.lines.len()],
                record: None,
                clock: ClockStatus::default(),
                care: plan.devices.iter().map(|device| CareState::new(&device.care, now)).collect(),
                told_lost: vec![false; plan.devices.len()],
            },
            replaying: false,
        };
        state.look_at_all(plan);
        state
    }

    /// Has every alarm look at its condition; nothing is acted upon.
    pub(super) fn look_at_all(&mut self, plan: &Plan) {
        let is_vote = |index: &usize| matches!(plan.alarms[*index].kind, Kind::Vote { .. });
        let (votes, others): (Vec<_>, Vec<_>) = (0..plan.alarms.len()).partition(is_vote);
        others.into_iter().for_each(|index| self.look_at(plan, index));
        // Votes may vote on votes: as often as there are votes, the last of a chain has been counted.
        for _ in &votes {
            votes.iter().for_each(|index| self.look_at(plan, *index));
        }
        self.wake = self.earliest_deadline(plan);
    }

    fn look_at(&mut self, plan: &Plan, index: usize) {
        let alarm = &mut self.alarms[index];
        alarm.look(&plan.alarms[index], &self.known, self.now);
        self.known.active[index] = alarm.active();
    }

    /// Whether a signal's value has stopped moving, by any alarm that watches for that, as far as was last
    /// known: a break in the measurement sets no value free.
    pub(super) fn has_stopped_moving(&self, plan: &Plan, signal: SignalIndex) -> bool {
        let watches = |alarm: &&AlarmIndex| matches!(plan.alarms[alarm.0].kind, Kind::Frozen { .. });
        plan.alarms_on(signal).iter().filter(watches).any(|alarm| self.alarms[alarm.0].held)
    }

    /// Nothing is known yet, and all that will be comes from the record ([`crate::monitor::Input::Recorded`]).
    pub fn for_replay(plan: &Plan, now: Moment) -> Self {
        let mut state = State { replaying: true, ..State::new(plan, now) };
        // Samples tell nothing of the care of devices.
        state.known.care.fill(CareState::default());
        state.look_at_all(plan);
        state
    }

    /// Has a signal settle once its guards hold, at once where it has none: nobody saw whether gas has flowed
    /// through its cell. Where the site file asks for no settling, it changes nothing.
    pub fn unsettle(&mut self, signal: SignalIndex) {
        if let Some(state) = self.signals.get_mut(signal.0) {
            state.flush = Flush::Violated;
        }
    }

    /// Forgets what a start of the daemon forgets: the samples, and how long delays have run. The alarms
    /// stand as they stood, and conditions remember what they would take from the record
    /// ([`crate::monitor::Recall`]).
    pub(super) fn forget(&mut self, plan: &Plan) {
        self.end_what_was_held(plan);
        self.known.samples.fill(Sample::absent(Reason::NotYetRead, self.now));
        self.alarms.iter_mut().for_each(|alarm| alarm.delay.stop());
        self.look_at_all(plan);
    }

    /// The time of the last step.
    pub fn now(&self) -> Moment {
        self.now
    }

    /// When the next step is due even if nothing comes in. May be early, is never late.
    pub fn wake(&self) -> Option<Mono> {
        self.wake
    }

    pub(super) fn wake_by(&mut self, deadline: Option<Mono>) {
        self.wake = match (self.wake, deadline) {
            (Some(wake), Some(deadline)) => Some(wake.min(deadline)),
            (wake, deadline) => wake.or(deadline),
        };
    }

    /// The first deadline of all: a delay that ends, an answer that becomes too old, a flush that is done, a
    /// function check that runs out, a calibration that falls due, a sensor that has settled or is worn.
    pub(super) fn earliest_deadline(&self, plan: &Plan) -> Option<Mono> {
        let now = self.now.mono;
        let of_signal = |(state, spec): (&SignalState, &SignalSpec)| state.deadline(spec.stale_after, now);
        let delays = self.alarms.iter().filter_map(AlarmState::deadline);
        let signals = self.signals.iter().zip(&plan.signals).filter(|_| !self.replaying);
        let care = self.known.care.iter().filter_map(CareState::deadline);
        delays.chain(signals.filter_map(of_signal)).chain(care).min()
    }
}

impl SignalState {
    pub(super) fn unread(now: Moment) -> Self {
        SignalState {
            began: now.mono,
            last: None,
            fault: None,
            device_lost: false,
            frozen: false,
            flush: Flush::Settled,
            since: now,
            last_good: None,
        }
    }

    /// When it must be judged again even if nothing comes in.
    pub(super) fn deadline(&self, stale_after: Duration, now: Mono) -> Option<Mono> {
        let expiry = (!self.is_too_old(stale_after, now)).then(|| self.known_since() + stale_after);
        let settled = match self.flush {
            Flush::Settling(until) => Some(until),
            Flush::Settled | Flush::Violated => None,
        };
        expiry.into_iter().chain(settled).min()
    }

    /// Whether nothing has been heard for longer than the signal may be silent.
    pub(super) fn is_too_old(&self, stale_after: Duration, now: Mono) -> bool {
        now.since(self.known_since()) >= stale_after
    }

    /// The time of the last answer; before the first, when the asking began.
    fn known_since(&self) -> Mono {
        self.last.map_or(self.began, |last| last.at.mono)
    }
}

impl AlarmState {
    pub(super) fn normal(spec: &AlarmSpec) -> Self {
        AlarmState {
            condition: condition::of(spec),
            life: Life::Normal,
            standing: Standing::default(),
            call_waits: false,
            shelved_by: None,
            removed_by: None,
            verdict: Verdict::Unknown,
            held: false,
            delay: Delay::STOPPED,
            next_look: None,
            since: None,
            raised: None,
            cleared: None,
            acknowledged: None,
            realarm_at: None,
            first_out: false,
            called: 0,
        }
    }

    /// Takes on a standing. What a person sets aside, that person knows of; what the site's own logic
    /// suppresses, nobody need have heard.
    pub(super) fn stand(&mut self, standing: Standing) {
        let set_aside = standing.shelf.is_some() || standing.out_of_service;
        let calls =
            if self.standing.withheld().is_none() { self.life.is_unacknowledged() } else { self.call_waits };
        self.call_waits = standing.suppressed && !set_aside && calls;
        self.standing = standing;
    }

    /// Keeps whose decision a shelving or a removal from service is.
    pub(super) fn remember_decision(&mut self, kind: EventKind, decision: Option<Decision>) {
        if kind == EventKind::AlarmShelved {
            self.shelved_by = decision;
        } else if kind == EventKind::AlarmOutOfService {
            self.removed_by = decision;
        }
    }

    /// Whose decision it is that the alarm is withheld; `None` when it is told, or nobody's.
    pub(super) fn withheld_by(&self) -> Option<&Decision> {
        match self.standing.withheld()? {
            Withheld::OutOfService => self.removed_by.as_ref(),
            Withheld::Shelved => self.shelved_by.as_ref(),
            Withheld::Suppressed => None,
        }
    }

    /// Evaluates the condition and lets the delay take note of it.
    pub(super) fn look(&mut self, spec: &AlarmSpec, known: &Evidence, now: Moment) {
        let active = self.life.is_active();
        self.verdict = self.condition.verdict(known, active, now);
        if self.verdict == Verdict::Unknown && spec.when_lost == WhenLost::Alarm && known.is_lost(spec) {
            self.verdict = Verdict::Holds;
        }
        if self.verdict != Verdict::Unknown {
            self.held = self.verdict == Verdict::Holds;
        }
        self.delay.note(self.verdict, active, now.mono, spec.on_delay, spec.off_delay);
        self.next_look = self.condition.next_look(now);
    }

    /// When it must be looked at again even if nothing comes in.
    pub(super) fn deadline(&self) -> Option<Mono> {
        let unshelved = self.standing.shelf.map(|shelf| shelf.until().mono);
        [self.delay.deadline(), self.next_look, self.realarm_at, unshelved].into_iter().flatten().min()
    }

    /// Whether the condition holds now, deadband and delays applied.
    pub(super) fn active(&self) -> Option<bool> {
        (self.verdict != Verdict::Unknown).then(|| self.life.is_active())
    }
}

impl Evidence {
    /// Whether the alarm's signal has been asked for and is not measured, and no person keeps it from that.
    fn is_lost(&self, spec: &AlarmSpec) -> bool {
        spec.signal.is_some_and(|signal| {
            let sample = &self.samples[signal.0];
            let awaited = [Reason::NotYetRead, Reason::FunctionCheck];
            sample.measured().is_none() && !awaited.iter().any(|reason| sample.reasons().contains(*reason))
        })
    }
}

impl Known for Evidence {
    fn sample(&self, signal: SignalIndex) -> &Sample {
        &self.samples[signal.0]
    }

    fn active(&self, alarm: AlarmIndex) -> Option<bool> {
        self.active[alarm.0]
    }

    fn fault(&self, fault: Fault) -> Option<bool> {
        match fault {
            Fault::LineNoise(line) => self.lines[line.0].as_ref()?.noisy,
            Fault::LineOverload(line) => self.lines[line.0].as_ref().map(LineReport::is_overloaded),
            Fault::RecordReplaced => self.record.as_ref().map(|record| record.replaced),
            Fault::RecordFailing => self.record.as_ref()?.fails(),
            Fault::FunctionCheckOverrun(device) => Some(self.care[device.0].overrun),
            Fault::CalibrationDue(device) => Some(self.care[device.0].calibration_due),
            Fault::SensorDue(device) => self.care[device.0].sensor.is_due(),
        }
    }
}
