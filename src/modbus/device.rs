//! One device as its line knows it: what to ask it, what it owes, how it fares.
//!
//! It decides which question may be put next, and keeps the account of what came of it. It asks
//! nothing itself.

use std::time::Duration;

use crate::modbus::ask;
use crate::modbus::frame::{Question, Whole};
use crate::modbus::mute::Mutes;
use crate::modbus::owed::Owed;
use crate::modbus::plan::{Block, Plan};
use crate::modbus::stats::{DeviceStats, Outcome, Planned};
use crate::modbus::timing::Timing;
use crate::modbus::{DevicePlan, Learned, SignalPlan};
use crate::moment::{Moment, Mono};
use crate::monitor::DeviceReport;
use crate::signal::{DeviceIndex, Place, SignalIndex};

/// One device of a line.
pub(super) struct Device {
    /// Which device of the site.
    pub index: DeviceIndex,
    /// Silence it needs before a question, beyond 3.5 characters.
    pub quiet: Duration,
    /// What to ask it for.
    pub plan: Plan,
    /// How it fares.
    pub stats: DeviceStats,
    /// Which questions it leaves unanswered though it talks.
    pub mutes: Mutes,
    unit: u8,
    wanted: Vec<SignalPlan>,
    /// Whether the site file tells its response time, so that it is not to be learned.
    turnaround_told: bool,
    /// What has been told of what was learned.
    learned: Learned,
    /// `None` where transactions are numbered and nothing can be mistaken.
    owed: Option<Owed>,
}

/// What may be done towards an answer for a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// Ask for it: its answer can be no other's.
    Ask(Question),
    /// Ask this instead: its answer can be told from those owed, and proves that they will not come
    /// any more. It is not used for anything else.
    Resynchronise(Question),
    /// Nothing can be asked for certain before then.
    Wait(Mono),
}

/// What a question came to, for the signals that wanted its answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Verdict {
    /// The answer.
    Answered(ask::Data),
    /// The device says why it does not answer: asked again at once it would say the same. So does one that
    /// asks for patience: 05, acknowledge; 06, busy (Application Protocol V1.1b3, section 7).
    Exception(u8),
    /// It may be worth asking again.
    Failed(Failure),
}

/// Why a question may be asked again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Failure {
    /// The device did not speak, or a gateway says so for it.
    NoAnswer,
    /// Something came, but nothing that is certain to be the answer.
    Garbled,
    /// The line was never silent, so that the question was not even put.
    NotPut,
}

impl Device {
    /// A device not asked yet; a question that it alone leaves unanswered is given pauses of at most
    /// `silence_max`.
    pub fn new(wanted: &DevicePlan, timing: Timing, owed: Option<Owed>, silence_max: Duration) -> Self {
        Device {
            index: wanted.device,
            quiet: wanted.spec.quiet,
            plan: Plan::of(wanted, timing),
            stats: DeviceStats::default(),
            mutes: Mutes::new(silence_max),
            unit: wanted.spec.unit_id,
            wanted: wanted.signals.clone(),
            turnaround_told: wanted.spec.turnaround.is_some(),
            learned: wanted.learned.clone(),
            owed,
        }
    }

    /// Every signal wanted of it.
    pub fn signals(&self) -> impl Iterator<Item = SignalIndex> {
        self.wanted.iter().map(|wanted| wanted.signal)
    }

    /// The signals of one group of its plan.
    pub fn signals_of(&self, group: usize) -> impl Iterator<Item = SignalIndex> {
        let period = self.plan.period(group);
        self.wanted.iter().filter(move |wanted| wanted.poll_every == period).map(|wanted| wanted.signal)
    }

    /// Where a signal lies in it.
    pub fn place(&self, signal: SignalIndex) -> Option<&Place> {
        self.wanted.iter().find(|wanted| wanted.signal == signal).map(|wanted| &wanted.place)
    }

    /// What may be done now towards an answer for `block`.
    pub fn step(&mut self, block: Block, now: Mono) -> Step {
        let question = Question { unit: self.unit, block };
        let Some(owed) = &mut self.owed else {
            return Step::Ask(question);
        };
        if owed.may_ask(question, now) {
            return Step::Ask(question);
        }
        let question_for = |block| Question { unit: self.unit, block };
        let mutes = &self.mutes;
        let distinguishing = distinguishing(&self.plan, &self.wanted, |block| {
            !mutes.is_mute(&block) && owed.may_ask(question_for(block), now)
        });
        match distinguishing {
            Some(block) => Step::Resynchronise(question_for(block)),
            None => Step::Wait(owed.may_ask_at(question).unwrap_or(now)),
        }
    }

    /// Whether an exception answer could only be meant for this question.
    pub fn exceptions_are_certain(&self, question: &Question) -> bool {
        self.owed.as_ref().is_none_or(|owed| owed.exceptions_are_certain(question.shape().function))
    }

    /// Until when it may answer what it was asked, when nothing comes meanwhile; `None` = it owes nothing.
    pub fn owes_until(&self) -> Option<Mono> {
        self.owed.as_ref().and_then(Owed::until)
    }

    /// A whole frame was overheard on the line; returns whether it was this device's, and late.
    pub fn heard(&mut self, frame: Whole, now: Mono) -> bool {
        let late = self.owed.as_mut().and_then(|owed| owed.heard(frame, now));
        if let Some(block) = late {
            self.stats.count(block, |counters| counters.late_responses += 1);
        }
        late.is_some()
    }

    /// Keeps the account of what came of a question.
    pub fn settle(&mut self, question: Question, outcome: Outcome, at: Moment) {
        self.stats.record(question.block, outcome, at);
        if let Some(owed) = &mut self.owed {
            match outcome {
                Outcome::Answer(_) | Outcome::Exception(_) => owed.answered(),
                Outcome::Timeout | Outcome::Damaged | Outcome::Foreign => owed.give_up(question, at.mono),
            }
        }
    }

    /// The port has gone away under a question. A device server hands on what its serial side says to
    /// whoever is connected next, so the answer is still owed.
    pub fn leave_unanswered(&mut self, question: Question, now: Mono) {
        if let Some(owed) = &mut self.owed {
            owed.give_up(question, now);
        }
    }

    /// The latest that an answer of it has come after its question was given up; zero where answers are
    /// numbered, so that none can be taken for another.
    pub fn latest(&self) -> Duration {
        self.owed.as_ref().map_or(Duration::ZERO, Owed::latest)
    }

    /// Plans with what was learned lately; returns all that has been learned when that has changed.
    pub fn learn(&mut self) -> Option<Learned> {
        let mut learned = Learned {
            refused: self.plan.holes().iter().collect(),
            latest: self.latest(),
            response: self.learned.response,
        };
        if let Some(response) = self.stats.response().spread().filter(|_| !self.turnaround_told) {
            self.plan.learn_turnaround(response.p50);
            learned.response = Some(self.plan.turnaround());
        }
        if learned == self.learned {
            return None;
        }
        self.learned.clone_from(&learned);
        Some(learned)
    }

    /// The report on it; so many polls of each of its groups were `missed`: not begun in time.
    pub fn report(&mut self, missed: &[u64]) -> DeviceReport {
        let refused = self.plan.refused_values().iter().map(Block::to_string).collect();
        let plan = &self.plan;
        let planned: Vec<Planned> = missed
            .iter()
            .enumerate()
            .flat_map(|(group, missed)| {
                let period = plan.period(group);
                plan.blocks(group).iter().map(move |block| Planned { block: *block, period, missed: *missed })
            })
            .collect();
        self.stats.report(self.index, refused, missed.iter().sum(), &planned)
    }
}

/// A block of the device whose answer can be told from all that is owed, and that it is not known to
/// leave unanswered: first whole blocks of the plan and whole values, which the device is known to have,
/// then parts of blocks.
fn distinguishing(
    plan: &Plan,
    wanted: &[SignalPlan],
    mut may_ask: impl FnMut(Block) -> bool,
) -> Option<Block> {
    let blocks = || (0..plan.groups()).flat_map(|group| plan.blocks(group).iter().copied());
    let values = wanted.iter().filter_map(|wanted| Block::of(&wanted.place));
    let parts = blocks().flat_map(|block| (1..block.count).map(move |count| Block { count, ..block }));
    blocks().chain(values).chain(parts).find(|block| !plan.holes().forbid(block) && may_ask(*block))
}

impl Verdict {
    /// What an outcome comes to.
    pub fn of(outcome: Outcome, data: Option<ask::Data>) -> Verdict {
        match (outcome, data) {
            (Outcome::Answer(_), Some(data)) => Verdict::Answered(data),
            (Outcome::Exception(code), _) if outcome.is_answer() => Verdict::Exception(code),
            (Outcome::Exception(_) | Outcome::Timeout, _) => Verdict::Failed(Failure::NoAnswer),
            (Outcome::Damaged | Outcome::Foreign | Outcome::Answer(_), _) => {
                Verdict::Failed(Failure::Garbled)
            }
        }
    }
}
