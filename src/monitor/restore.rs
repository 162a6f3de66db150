//! Alarm states folded from the journal at start, so that a restart neither raises, nor clears, nor
//! forgets. What a delay had already run is not remembered: it starts again. Deadlines that people
//! set, of shelving and of re-alarm, are: they were told as times of the wall clock. That clock may
//! be wrong at a start, so none of them comes later than if it had been set just now.

use std::time::Duration;

use crate::alarm::{Life, Shelf, Standing};
use crate::calibration::Wear;
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::calibrate::of_signals_there;
use crate::monitor::care::CareState;
use crate::monitor::sensor;
use crate::monitor::state::AlarmState;
use crate::monitor::state::Flush;
use crate::monitor::step::Step;
use crate::monitor::{Decision, Event, EventKind, Fitted, FunctionCheck, Plan, Recorded, State, Who};
use crate::signal::{DeviceIndex, Reason, Sample};

/// One past event about an alarm, as the journal holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remembered {
    /// What happened.
    pub kind: EventKind,
    /// The alarm's id.
    pub alarm: String,
    /// When.
    pub at: Wall,
    /// The state the alarm had afterwards.
    pub life: Life,
    /// When the shelving that began with it ends at the latest.
    pub until: Option<Wall>,
    /// Whether that shelving ends when the condition is gone for the first time, too.
    pub one_shot: bool,
    /// Whether it was the first of its group to be raised.
    pub first_out: bool,
    /// Who did it and why, when a person did.
    pub decision: Option<Decision>,
}

/// Puts the alarms into the states that the past events, oldest first, left them in; `seq` is the
/// journal's last number. Events about alarms the site no longer has are passed over. Call it before
/// the first step. Returns what the journal is to be told: which alarms the site file no longer
/// suppresses, so that they are told again.
pub fn restore(
    plan: &Plan,
    state: &mut State,
    past: impl IntoIterator<Item = Remembered>,
    seq: u64,
) -> Vec<Event> {
    state.seq = state.seq.max(seq);
    let now = state.now;
    for event in past {
        let Some(index) = plan.alarm(&event.alarm) else { continue };
        let alarm = &mut state.alarms[index.0];
        alarm.remember(&event, now, plan.shelve_max);
        if alarm.life.is_unacknowledged() {
            alarm.called = seq;
        }
    }
    for (alarm, spec) in state.alarms.iter_mut().zip(&plan.alarms) {
        alarm.delay.stop();
        let acknowledged = alarm.acknowledged.filter(|_| alarm.life == Life::Acknowledged);
        alarm.realarm_at = acknowledged.zip(spec.realarm_after).map(|(at, after)| deadline(at, after, now));
    }
    state.look_at_all(plan);
    let mut step = Step::new(plan, state);
    step.let_go_of_what_nothing_suppresses();
    step.output.events
}

/// One past event about the care of a device, as the journal holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct RememberedCare {
    /// The device's id.
    pub device: String,
    /// When.
    pub at: Wall,
    /// What happened.
    pub told: CareTold,
}

/// What happened to a device.
#[derive(Debug, Clone, PartialEq)]
pub enum CareTold {
    /// It was taken into function check.
    Begun {
        /// By whom.
        by: Who,
        /// Since when, where that is told: else since now, or since it began whose time is given anew.
        since: Option<Wall>,
        /// Until when at most.
        until: Wall,
        /// What for.
        purpose: String,
    },
    /// Its function check ended.
    Ended {
        /// By itself.
        by_deadline: bool,
    },
    /// A reading of it against calibration gas was recorded.
    Recorded(Box<Recorded>),
    /// It was given a sensor.
    Fitted(Box<Fitted>),
}

/// Puts the care of the devices where the past events, oldest first, left it. Events about devices the
/// site no longer has are passed over. Call it before the first step, and after [`restore`].
pub fn restore_care(plan: &Plan, state: &mut State, past: impl IntoIterator<Item = RememberedCare>) {
    let now = state.now;
    for event in past {
        let Some(device) = plan.device(&event.device) else { continue };
        if matches!(&event.told, CareTold::Recorded(record) if !of_signals_there(plan, device, record)) {
            continue;
        }
        state.known.care[device.0].remember(event, now);
    }
    for (index, device) in plan.devices.iter().enumerate() {
        let care = &mut state.known.care[index];
        if care.sensor.fitted.is_some() && is_active(plan, &state.alarms, &sensor::due_alarm_id(device)) {
            care.sensor.wear = Some(Wear::Spent);
        }
        care.reckon_due(&device.care, now);
        if care.function_check.is_none() {
            continue;
        }
        for signal in plan.signals_of(DeviceIndex(index)) {
            // Other gas was in the sample line, and may be still.
            state.signals[signal.0].flush = Flush::Violated;
            // Whoever looks before the first answer sees that a person works there.
            let reasons = [Reason::NotYetRead, Reason::FunctionCheck].into_iter().collect();
            state.known.samples[signal.0] = Sample::new(None, reasons, now);
        }
    }
    state.look_at_all(plan);
}

fn is_active(plan: &Plan, alarms: &[AlarmState], id: &str) -> bool {
    plan.alarm(id).is_some_and(|alarm| alarms[alarm.0].life.is_active())
}

impl CareState {
    fn remember(&mut self, event: RememberedCare, now: Moment) {
        match event.told {
            CareTold::Begun { by, since, until: wall, purpose } => {
                let began = self.function_check.as_ref().map(|before| before.since);
                let since = since.or(began).unwrap_or(event.at);
                let lasting = wall.duration_since(event.at).try_into().unwrap_or_default();
                let until = Moment { mono: deadline(event.at, lasting, now), wall };
                self.function_check = Some(FunctionCheck { by, since, until, purpose });
                self.overrun = false;
            }
            CareTold::Ended { by_deadline } => {
                (self.function_check, self.overrun) = (None, by_deadline);
            }
            CareTold::Recorded(mut record) => {
                // Before the journal told of it, the entry stood after that of its function check already.
                let began = self.function_check.as_ref().map(|check| check.since);
                record.session = began.or(record.session);
                self.keep(*record);
            }
            CareTold::Fitted(fitted) => {
                let left = fitted.settles_until.map(|until| until.duration_since(event.at));
                let lasting = left.map(|left| left.try_into().unwrap_or_default());
                let settles = lasting.map(|lasting: Duration| deadline(event.at, lasting, now));
                self.fit(*fitted, settles.filter(|until| *until > now.mono));
            }
        }
    }
}

impl AlarmState {
    #[expect(clippy::wildcard_enum_match_arm, reason = "all other kinds change nothing but the life")]
    fn remember(&mut self, event: &Remembered, now: Moment, shelve_max: Duration) {
        (self.life, self.since) = (event.life, Some(event.at));
        self.remember_decision(event.kind, event.decision.clone());
        match event.kind {
            EventKind::AlarmRaised => {
                (self.raised, self.cleared, self.acknowledged) = (Some(event.at), None, None);
                self.first_out = event.first_out;
            }
            EventKind::AlarmCleared => self.cleared = Some(event.at),
            EventKind::AlarmAcknowledged => self.acknowledged = Some(event.at),
            EventKind::AlarmRealarmed => self.acknowledged = None,
            EventKind::AlarmShelved => {
                // An event without an end is of a time when a one-shot shelving had none.
                let longest = || event.at.checked_add(shelve_max).unwrap_or(event.at);
                let wall = event.until.unwrap_or_else(longest);
                let time = wall.duration_since(event.at).try_into().unwrap_or_default();
                let until = Moment { mono: deadline(event.at, time, now), wall };
                let once = event.one_shot || event.until.is_none();
                let shelf = if once { Shelf::OneShot(until) } else { Shelf::Until(until) };
                self.stand(Standing { shelf: Some(shelf), ..self.standing });
            }
            EventKind::AlarmUnshelved => self.stand(Standing { shelf: None, ..self.standing }),
            EventKind::AlarmSuppressed => self.stand(Standing { suppressed: true, ..self.standing }),
            EventKind::AlarmUnsuppressed => self.stand(Standing { suppressed: false, ..self.standing }),
            EventKind::AlarmOutOfService => self.stand(Standing { out_of_service: true, ..self.standing }),
            EventKind::AlarmInService => self.stand(Standing { out_of_service: false, ..self.standing }),
            EventKind::AlarmRemoved => self.stand(Standing::default()),
            _ => {}
        }
    }
}

/// When `time` will have passed since `since`, on this start's monotonic clock: never before now, and
/// never later than if `since` were now.
pub(super) fn deadline(since: Wall, time: Duration, now: Moment) -> Mono {
    let passed = now.wall.duration_since(since).try_into().unwrap_or_default();
    now.mono + time.saturating_sub(passed)
}
