//! One step of the monitor: `step(state, input, now) -> output`.
//!
//! A step first lets everything happen that fell due before its input, each at its own time and in
//! order, then applies the input, then goes on to `now`. So the outcome does not depend on how often
//! or how late the monitor is called, and a replay of the same inputs gives the same events.

use std::collections::{BTreeMap, BTreeSet};

use crate::alarm::AlarmIndex;
use crate::moment::Moment;
use crate::monitor::clock;
use crate::monitor::state::LastAnswer;
use crate::monitor::{
    Action, ActionResult, Detail, Event, EventKind, ExposureReport, Hindrance, LineReport, Plan,
    RecordReport, State, Work, Worked,
};
use crate::signal::{Quality, Reading, Reason, Reasons, Sample, SignalIndex, Value, assess};

/// What comes in.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// The outcome of one transaction; all readings bear the same time.
    Readings(Vec<Reading>),
    /// Samples from the record, as they were judged then; only for a [`State::for_replay`].
    Recorded(Vec<(SignalIndex, Sample)>),
    /// The daemon had been stopped and was started anew; only for a [`State::for_replay`].
    Interrupted,
    /// A line's report on itself.
    Line(LineReport),
    /// The recorder's report on itself.
    Record(RecordReport),
    /// Whether something keeps the wall clock right; `None` when nobody says.
    Synchronized(Option<bool>),
    /// An operator action.
    Act(Action),
    /// How much gas a sensor has seen, from the record.
    Exposure(ExposureReport),
    /// A person works on a device, or has something to say for the record.
    Work(Work),
    /// Time has passed.
    Tick,
}

/// What goes out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Output {
    /// Events for the journal, in order.
    pub events: Vec<Event>,
    /// Samples for the history: one for each answer, and one wherever the quality changed between.
    pub samples: Vec<(SignalIndex, Sample)>,
    /// What became of an operator action.
    pub results: Vec<ActionResult>,
    /// What became of work on a device.
    pub worked: Option<Result<Worked, Hindrance>>,
}

/// What an answer says, unless its own reasons say that it is no measurement.
fn usable((value, reasons): (Option<Value>, Reasons)) -> Option<Value> {
    value.filter(|_| reasons.quality() != Quality::Bad)
}

/// One step. `state` was made for `plan`. A `now` before the last step's counts as the last step's.
pub fn step(plan: &Plan, state: &mut State, input: Input, now: Moment) -> Output {
    let mut step = Step::new(plan, state);
    match input {
        Input::Readings(readings) => {
            if let Some(first) = readings.first() {
                step.go_on_to(if first.at.mono < now.mono { first.at } else { now });
                step.take_readings(&readings);
            }
        }
        Input::Recorded(samples) => {
            step.go_on_to(now);
            for (signal, sample) in samples {
                step.put(signal, sample);
            }
        }
        Input::Interrupted => {
            step.go_on_to(now);
            step.state.forget(plan);
        }
        Input::Line(report) => {
            step.go_on_to(now);
            step.take_line_report(report);
        }
        Input::Record(report) => {
            step.go_on_to(now);
            step.take_record_report(report);
        }
        Input::Synchronized(synchronized) => {
            step.go_on_to(now);
            step.take_synchronized(synchronized);
        }
        Input::Act(action) => {
            step.go_on_to(now);
            step.carry_out(&action);
        }
        Input::Work(work) => {
            step.go_on_to(now);
            step.work(&work);
        }
        Input::Exposure(report) => {
            step.go_on_to(now);
            step.take_exposure(report);
        }
        Input::Tick => {}
    }
    step.count_votes();
    step.go_on_to(now);
    step.output
}

/// A step under way.
pub(super) struct Step<'a> {
    pub(super) plan: &'a Plan,
    pub(super) state: &'a mut State,
    pub(super) output: Output,
    /// Alarms that vote on others and have to look again.
    pub(super) votes_due: BTreeSet<AlarmIndex>,
}

impl<'a> Step<'a> {
    pub(super) fn new(plan: &'a Plan, state: &'a mut State) -> Self {
        Step { plan, state, output: Output::default(), votes_due: BTreeSet::new() }
    }

    /// Lets everything happen that falls due up to `to`, then makes `to` the present.
    fn go_on_to(&mut self, to: Moment) {
        if to.mono < self.state.now.mono {
            return;
        }
        let clock_step = clock::step_between(self.state.now, to);
        while let Some(wake) = self.state.wake.filter(|wake| *wake <= to.mono) {
            self.state.now = to.at(wake.max(self.state.now.mono));
            self.end_due_function_checks();
            self.note_due_calibrations();
            self.note_due_sensors();
            self.look_at_due_alarms();
            self.judge_due_signals();
            self.count_votes();
            self.state.wake = self.state.earliest_deadline(self.plan);
        }
        self.state.now = to;
        if let Some(clock_step) = clock_step {
            self.note_clock_step(clock_step);
        }
    }

    fn take_readings(&mut self, readings: &[Reading]) {
        let plan = self.plan;
        let mut touched = Vec::with_capacity(readings.len());
        for reading in readings.iter().filter(|reading| reading.signal.0 < plan.signals.len()) {
            let assessed = reading.outcome.map(|raw| assess(&plan.signals[reading.signal.0], raw));
            self.note_answer(reading.signal, assessed.ok().and_then(usable));
            let state = &mut self.state.signals[reading.signal.0];
            match assessed {
                Ok((value, reasons)) => {
                    state.last = Some(LastAnswer { value, reasons, at: reading.at });
                    state.fault = None;
                    state.device_lost = false;
                }
                Err(crate::signal::ReadFault::Exception(_)) => {
                    let reasons = Reasons::one(Reason::DeviceException);
                    state.last = Some(LastAnswer { value: None, reasons, at: reading.at });
                    state.fault = None;
                    state.device_lost = false;
                }
                Err(fault) => state.fault = Some(fault),
            }
            touched.push((reading.signal, state.fault.is_none()));
        }
        self.judge_together(touched);
    }

    fn take_record_report(&mut self, report: RecordReport) {
        self.state.known.record = Some(report);
        self.look_at_siskin();
    }

    /// Puts an event into the output.
    pub(super) fn tell(&mut self, event: Event) {
        self.state.seq += 1;
        self.output.events.push(event);
    }

    /// Tells what happened of itself, now.
    pub(super) fn tell_plainly<const N: usize>(
        &mut self,
        kind: EventKind,
        subject: &str,
        detail: [(&'static str, Detail); N],
    ) {
        let (subject, detail) = (subject.to_owned(), BTreeMap::from(detail));
        self.tell(Event { at: self.state.now, kind, subject, who: None, detail });
    }
}
