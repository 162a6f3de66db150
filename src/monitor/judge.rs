//! From a device's last answer to a sample: age, silence, validity conditions, settling.
//!
//! What the value itself tells was judged when it came in ([`crate::signal::assess`]). Here the
//! question is whether it is, now, a measurement of the gas that flows.

use crate::calibration::Wear;
use crate::moment::Mono;
use crate::monitor::LineState;
use crate::monitor::state::{Evidence, Flush, LastAnswer};
use crate::monitor::step::Step;
use crate::signal::{
    DeviceIndex, Guard, GuardTest, Quality, ReadFault, Reason, Reasons, Sample, SignalIndex, SignalSpec,
    Value, code_as_number,
};

/// Room made for the signals of one answer and what looks at them; more is no limit.
const DUE_EXPECTED: usize = 16;

/// What the guards of a signal say together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Validity {
    /// All hold.
    Holds,
    /// All hold, one of them by a value that is itself uncertain.
    Doubtful,
    /// One is known not to hold.
    Violated,
    /// None is known not to hold, and one is not known.
    Unknown,
}

impl Step<'_> {
    /// Judges the signals whose answer has become too old, or whose sample line is flushed now.
    pub(super) fn judge_due_signals(&mut self) {
        if self.state.replaying {
            return;
        }
        let now = self.state.now.mono;
        let is_flushed =
            |index: usize| matches!(self.state.signals[index].flush, Flush::Settling(until) if until <= now);
        let is_due = |index: &usize| is_flushed(*index) || self.too_old(SignalIndex(*index));
        let due: Vec<_> = (0..self.plan.signals.len()).filter(is_due).collect();
        self.judge_together(due.into_iter().map(|index| (SignalIndex(index), false)));
    }

    /// Judges the signals of a device, and everything that looks at them.
    pub(super) fn judge_signals_of(&mut self, device: DeviceIndex) {
        let plan = self.plan;
        self.judge_together(plan.signals_of(device).map(|signal| (signal, false)));
    }

    /// Judges these signals and everything that looks at them: each once, and after what it looks at.
    /// With each goes whether an answer has just come in, see [`Step::judge`].
    pub(super) fn judge_together(&mut self, signals: impl IntoIterator<Item = (SignalIndex, bool)>) {
        let plan = self.plan;
        let mut due = Vec::with_capacity(DUE_EXPECTED);
        for (signal, answered) in signals {
            due.push((plan.rank(signal), answered));
            let dependents = plan.judged_after(signal).iter().skip(1);
            due.extend(dependents.map(|dependent| (plan.rank(*dependent), false)));
        }
        // Of two entries of one signal, the one with an answer stays.
        due.sort_unstable_by_key(|(rank, answered)| (*rank, !answered));
        due.dedup_by_key(|(rank, _)| *rank);
        self.output.samples.reserve(due.len());
        for (rank, answered) in due {
            self.judge(plan.guards_first()[rank], answered);
        }
    }

    /// Judges one signal at the present time and has its alarms look at the outcome. `answered` says
    /// that an answer has just come in, so that the sample belongs into the history in any case. In a
    /// replay nothing is judged: the record says how it was judged then.
    pub(super) fn judge(&mut self, signal: SignalIndex, answered: bool) {
        if self.state.replaying {
            return;
        }
        let (plan, now) = (self.plan, self.state.now);
        let sample = self.sample_of(signal, &plan.signals[signal.0]);
        let changed = self.put(signal, sample);
        // Where an alarm on it had it judged once more (`frozen`), that outcome is recorded already.
        let stands = self.state.known.samples[signal.0] == sample;
        if (answered || changed) && stands {
            self.output.samples.push((signal, sample.as_of(now)));
        }
        let deadline = self.state.signals[signal.0].deadline(plan.signals[signal.0].stale_after, now.mono);
        self.state.wake_by(deadline);
        self.watch_buttons(signal);
    }

    /// Makes a sample the present one and has the signal's alarms look at it; whether its quality or
    /// the reasons for it have changed.
    pub(super) fn put(&mut self, signal: SignalIndex, sample: Sample) -> bool {
        let now = self.state.now;
        let before = std::mem::replace(&mut self.state.known.samples[signal.0], sample);
        let changed = before.reasons() != sample.reasons();
        let state = &mut self.state.signals[signal.0];
        if changed {
            state.since = now;
        }
        if let (Quality::Good, Some(value)) = (sample.quality(), sample.value()) {
            state.last_good = Some((value, sample.at));
        }
        self.suppress_by(signal);
        self.observe(signal);
        changed
    }

    fn sample_of(&mut self, signal: SignalIndex, spec: &SignalSpec) -> Sample {
        let validity = validity(&spec.valid_when, &self.state.known);
        let now = self.state.now;
        let care = &self.state.known.care[spec.device.0];
        let (checked, overrun) = (care.function_check.is_some(), care.overrun);
        let (settles, wear) = self.sensor_behind(signal);
        let flushed = if checked { Validity::Violated } else { validity };
        let state = &mut self.state.signals[signal.0];
        state.flush = flush_after(state.flush, flushed, now.mono, spec);
        let (flush, last, frozen) = (state.flush, state.last, state.frozen);
        let absent = |reason| {
            let check = checked.then_some(Reason::FunctionCheck);
            let reasons: Reasons = [reason].into_iter().chain(check).collect();
            Sample::new(None, reasons, last.map_or(now, |last| last.at))
        };
        match (self.silence(signal), last) {
            (Some(reason), _) => absent(reason),
            (None, None) => absent(Reason::NotYetRead),
            (None, Some(LastAnswer { value, mut reasons, at })) => {
                if overrun {
                    reasons.insert(Reason::CheckOverrun);
                }
                if checked {
                    reasons.insert(Reason::FunctionCheck);
                } else if matches!(validity, Validity::Violated | Validity::Unknown) {
                    reasons.insert(Reason::SampleCondition);
                } else if settles || matches!(flush, Flush::Settling(_)) {
                    reasons.insert(Reason::Settling);
                }
                match wear {
                    Some(Wear::Near) => reasons.insert(Reason::SensorWear),
                    Some(Wear::Spent) => reasons.insert(Reason::SensorSpent),
                    Some(Wear::Unknown | Wear::Fresh) | None => {}
                }
                if frozen {
                    reasons.insert(Reason::Frozen);
                }
                if self.on_noisy_line(spec) {
                    reasons.insert(Reason::LineNoise);
                }
                // Where more is wrong, that is what makes its conditions uncertain, too.
                if validity == Validity::Doubtful && reasons.quality() == Quality::Good {
                    reasons.insert(Reason::ConditionUncertain);
                }
                Sample::new(value, reasons, at)
            }
        }
    }

    /// Why the device's last answer says nothing about the present, if it does not.
    fn silence(&self, signal: SignalIndex) -> Option<Reason> {
        let state = &self.state.signals[signal.0];
        if self.on_lent_line(signal) {
            return Some(Reason::LineLent);
        }
        if state.device_lost || state.fault == Some(ReadFault::LineDown) {
            return Some(Reason::CommunicationLost);
        }
        match (state.last, state.fault) {
            (None, None) if self.too_old(signal) => Some(Reason::CommunicationLost),
            (None, None) => Some(Reason::NotYetRead),
            (None, Some(_)) => Some(Reason::CommunicationLost),
            (Some(_), fault) if self.too_old(signal) => {
                Some(if fault.is_some() { Reason::CommunicationLost } else { Reason::Stale })
            }
            (Some(_), _) => None,
        }
    }

    fn too_old(&self, signal: SignalIndex) -> bool {
        let stale_after = self.plan.signals[signal.0].stale_after;
        self.state.signals[signal.0].is_too_old(stale_after, self.state.now.mono)
    }

    fn on_lent_line(&self, signal: SignalIndex) -> bool {
        let line = self.plan.devices[self.plan.signals[signal.0].device.0].line;
        let report = self.state.known.lines[line.0].as_ref();
        report.is_some_and(|report| matches!(report.state, LineState::Lent(_)))
    }

    fn on_noisy_line(&self, spec: &SignalSpec) -> bool {
        let line = self.plan.devices[spec.device.0].line;
        self.state.known.lines[line.0].as_ref().is_some_and(|report| report.noisy == Some(true))
    }
}

/// What the guards say together of what is known.
pub(super) fn validity(guards: &[Guard], known: &Evidence) -> Validity {
    let mut all = Validity::Holds;
    for guard in guards {
        let sample = &known.samples[guard.signal.0];
        match sample.value().map(|value| passes(guard.test, value)) {
            Some(true) if sample.quality() == Quality::Good || all == Validity::Unknown => {}
            Some(true) => all = Validity::Doubtful,
            Some(false) => return Validity::Violated,
            None => all = Validity::Unknown,
        }
    }
    all
}

fn passes(test: GuardTest, value: Value) -> bool {
    match (test, value) {
        (GuardTest::Above(limit), Value::Number(number)) => number > limit,
        (GuardTest::Below(limit), Value::Number(number)) => number < limit,
        (GuardTest::Between(range), Value::Number(number)) => (range.low..=range.high).contains(&number),
        (GuardTest::Is(wanted), Value::Flag(flag)) => flag == wanted,
        (GuardTest::IsCode(code), Value::Number(number)) => number == code_as_number(code),
        // The site file's check lets no test meet a value it is not made for; were one to, it fails.
        (GuardTest::Above(_) | GuardTest::Below(_) | GuardTest::Between(_), Value::Flag(_))
        | (GuardTest::Is(_), Value::Number(_))
        | (GuardTest::IsCode(_), Value::Flag(_)) => false,
    }
}

/// Settling begins only after a violation that was *seen*: a start of the daemon is none. What was
/// settling when validity became unknown has to settle anew.
fn flush_after(flush: Flush, validity: Validity, now: Mono, spec: &SignalSpec) -> Flush {
    match (flush, validity) {
        (_, Validity::Violated) | (Flush::Violated | Flush::Settling(_), Validity::Unknown) => {
            Flush::Violated
        }
        (Flush::Settled, Validity::Holds | Validity::Doubtful | Validity::Unknown) => Flush::Settled,
        (Flush::Violated, Validity::Holds | Validity::Doubtful) if spec.settle.is_zero() => Flush::Settled,
        (Flush::Violated, Validity::Holds | Validity::Doubtful) => Flush::Settling(now + spec.settle),
        (Flush::Settling(until), Validity::Holds | Validity::Doubtful) if until <= now => Flush::Settled,
        (Flush::Settling(until), Validity::Holds | Validity::Doubtful) => Flush::Settling(until),
    }
}
