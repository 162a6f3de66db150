//! One set of settings, lived through.

use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{EventKind, Input, Plan, State, step};
use crate::signal::{Sample, SignalIndex};

/// A time in which an alarm was active.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spell {
    /// The alarm's id.
    pub alarm: String,
    /// When it was raised.
    pub raised: Wall,
    /// When it was cleared; `None` when it still was active at the end.
    pub cleared: Option<Wall>,
}

/// The core on recorded samples.
pub struct Trial {
    plan: Plan,
    state: State,
    began: Wall,
    /// What one answer of a device brought, as far as it has been read.
    answer: Vec<(SignalIndex, Sample)>,
    spells: Vec<Spell>,
}

impl Trial {
    /// Ready for samples from `began` on.
    pub fn new(plan: Plan, began: Wall) -> Self {
        let state = State::for_replay(&plan, Moment { mono: Mono::ZERO, wall: began });
        Trial { plan, state, began, answer: Vec::new(), spells: Vec::new() }
    }

    /// Takes in a recorded sample. Samples come in the order of their time; one that is older than the
    /// one before, because the clock had been stepped back, counts as of the same time.
    pub fn take(&mut self, signal: SignalIndex, sample: Sample) {
        let at = self.moment(sample.at.wall);
        if !self.is_of_the_answer(signal, at.mono) {
            self.take_answer();
        }
        self.answer.push((signal, sample.as_of(at)));
    }

    /// The daemon was started anew at this time: what it had seen so far of trends and running delays
    /// was gone.
    pub fn interrupt(&mut self, at: Wall) {
        self.take_answer();
        let at = self.moment(at);
        self.step(Input::Interrupted, at);
    }

    /// Goes on to the end of the record; every time in which an alarm was active, in the order in
    /// which they began.
    pub fn finish(mut self, until: Wall) -> Vec<Spell> {
        self.take_answer();
        let until = self.moment(until);
        self.step(Input::Tick, until);
        self.spells
    }

    /// Whether a sample is of the answer that is being read: of one device, of one time, and not of a
    /// signal that the answer has been read past. What came together is judged together, as it was then.
    fn is_of_the_answer(&self, signal: SignalIndex, at: Mono) -> bool {
        let device = |signal: SignalIndex| self.plan.signals[signal.0].device;
        self.answer.last().is_some_and(|&(last, ref sample)| {
            sample.at.mono == at && last < signal && device(last) == device(signal)
        })
    }

    fn take_answer(&mut self) {
        if let Some(&(_, Sample { at, .. })) = self.answer.last() {
            let answer = std::mem::take(&mut self.answer);
            self.step(Input::Recorded(answer), at);
        }
    }

    fn moment(&self, wall: Wall) -> Moment {
        let since = wall.duration_since(self.began);
        let mono = if since.is_negative() { Mono::ZERO } else { Mono::new(since.unsigned_abs()) };
        let last = self.answer.last().map_or(self.state.now().mono, |(_, sample)| sample.at.mono);
        Moment { mono: Mono::ZERO, wall: self.began }.at(mono.max(last))
    }

    fn step(&mut self, input: Input, at: Moment) {
        for event in step(&self.plan, &mut self.state, input, at).events {
            note(&mut self.spells, &event.subject, event.kind, event.at.wall);
        }
    }
}

impl Spell {
    /// The spells that a journal tells of: kind, subject and time of each event, in order.
    pub fn told<'a>(events: impl IntoIterator<Item = (EventKind, &'a str, Wall)>) -> Vec<Spell> {
        let mut spells = Vec::new();
        for (kind, subject, at) in events {
            note(&mut spells, subject, kind, at);
        }
        spells
    }
}

fn note(spells: &mut Vec<Spell>, alarm: &str, kind: EventKind, at: Wall) {
    if kind == EventKind::AlarmRaised {
        spells.push(Spell { alarm: alarm.to_owned(), raised: at, cleared: None });
    } else if kind == EventKind::AlarmCleared {
        let open = |spell: &&mut Spell| spell.alarm == alarm && spell.cleared.is_none();
        if let Some(spell) = spells.iter_mut().rev().find(open) {
            spell.cleared = Some(at);
        }
    }
}
