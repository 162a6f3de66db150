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
    spells: Vec<Spell>,
}

impl Trial {
    /// Ready for samples from `began` on.
    pub fn new(plan: Plan, began: Wall) -> Self {
        let state = State::for_replay(&plan, Moment { mono: Mono::ZERO, wall: began });
        Trial { plan, state, began, spells: Vec::new() }
    }

    /// Takes in a recorded sample. Samples come in the order of their time; one that is older than the
    /// one before, because the clock had been stepped back, counts as of the same time.
    pub fn take(&mut self, signal: SignalIndex, sample: Sample) {
        let at = self.moment(sample.at.wall);
        self.step(Input::Recorded(vec![(signal, sample.as_of(at))]), at);
    }

    /// The daemon was started anew at this time: what it had seen so far of trends and running delays
    /// was gone.
    pub fn interrupt(&mut self, at: Wall) {
        let at = self.moment(at);
        self.step(Input::Interrupted, at);
    }

    /// Goes on to the end of the record; every time in which an alarm was active, in the order in
    /// which they began.
    pub fn finish(mut self, until: Wall) -> Vec<Spell> {
        let until = self.moment(until);
        self.step(Input::Tick, until);
        self.spells
    }

    fn moment(&self, wall: Wall) -> Moment {
        let since = wall.duration_since(self.began);
        let mono = if since.is_negative() { Mono::ZERO } else { Mono::new(since.unsigned_abs()) };
        let mono = mono.max(self.state.now().mono);
        Moment { mono: Mono::ZERO, wall: self.began }.at(mono)
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
