//! The plan of one device: its values in blocks, and what is learned of it by asking.
//!
//! The line takes a [`Turn`] for a group of values with one period, asks for its blocks one after the
//! other, and tells the plan what came of each. A refused block is replaced in the turn by its
//! halves, so that the values which the device does have are read in the same turn; the next turn is
//! planned anew with what was learned.

use std::collections::VecDeque;
use std::time::Duration;

use super::cover::{cheapest, outermost};
use super::{Block, Holes};
use crate::modbus::timing::{HOST, Timing};
use crate::modbus::{DevicePlan, SignalPlan};
use crate::moment::Mono;
use crate::signal::{Place, SignalIndex, Table};

/// How often a value that the device refuses is asked for again at last, in case it has learned better.
pub const REFUSED_ASK_EVERY: Duration = Duration::from_secs(600);
/// The first pause before that; it doubles each time. A device that is still starting up may refuse what
/// it has a minute later.
pub const REFUSED_ASK_AFTER: Duration = Duration::from_secs(10);

/// Blocks are laid out anew when the learned response time has moved by more than one part in so many.
const TURNAROUND_PART: u32 = 4;

/// Whether an exception code says that the block as such cannot be had: 02, illegal data address, or
/// 03, illegal data value, which for a read means its quantity (Application Protocol V1.1b3,
/// section 7 and the state diagrams of 6.1 to 6.4).
pub const fn is_refusal(exception_code: u8) -> bool {
    matches!(exception_code, 2 | 3)
}

/// One question: a block, and the signals its answer brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ask {
    /// What to ask for.
    pub block: Block,
    /// Every signal that lies in the block whole, also one whose turn it is not.
    pub signals: Vec<SignalIndex>,
}

/// One round through the values of a group: what is still to be asked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Turn {
    asks: VecDeque<Ask>,
    refused: Vec<SignalIndex>,
}

impl Turn {
    /// The next question; `None` when the turn is over.
    pub fn next(&self) -> Option<&Ask> {
        self.asks.front()
    }

    /// The questions that are left, the next one first.
    pub fn left(&self) -> impl Iterator<Item = &Ask> {
        self.asks.iter()
    }

    /// Signals of the group that are not asked for, because the device refuses them.
    pub fn refused(&self) -> &[SignalIndex] {
        &self.refused
    }

    /// Goes on to the next question, whatever came of the last.
    pub fn skip(&mut self) {
        self.asks.pop_front();
    }
}

/// What to ask one device for.
#[derive(Debug, Clone)]
pub struct Plan {
    wanted: Vec<SignalPlan>,
    /// The most registers it takes in one question; of bits it takes as many as fill these, which is
    /// how the standard's own 125 and 2000 go together.
    registers_max: u16,
    /// Silence it needs before a question, beyond 3.5 characters.
    quiet: Duration,
    timing: Timing,
    turnaround: Duration,
    holes: Holes,
    /// What it leaves unanswered though it answers others: not to be asked for with anything else.
    unanswered: Holes,
    groups: Vec<Group>,
    /// Something was learned since the groups were laid out.
    outdated: bool,
}

/// The values of one period.
#[derive(Debug, Clone)]
struct Group {
    period: Duration,
    blocks: Vec<Block>,
    /// When the values that are refused were last tried; `None` = they are to be tried in the next turn.
    tried: Option<Mono>,
    /// How long they are left alone after that.
    pause: Duration,
}

impl Plan {
    /// A plan for `device` on a line of this `timing`.
    pub fn of(device: &DevicePlan, timing: Timing) -> Self {
        let mut periods: Vec<Duration> = device.signals.iter().map(|wanted| wanted.poll_every).collect();
        periods.sort();
        periods.dedup();
        let group = |period| Group { period, blocks: Vec::new(), tried: None, pause: REFUSED_ASK_EVERY };
        let mut plan = Plan {
            wanted: device.signals.clone(),
            registers_max: device.spec.max_registers,
            quiet: device.spec.quiet,
            timing,
            turnaround: first_turnaround(device, timing),
            holes: device.learned.refused.iter().copied().collect(),
            unanswered: Holes::default(),
            groups: periods.into_iter().map(group).collect(),
            outdated: false,
        };
        plan.lay_out();
        plan
    }

    /// How many groups there are: one for each period, the shortest first. Their number and periods
    /// never change; a group may have nothing to ask for, when faster ones bring all of it.
    pub fn groups(&self) -> usize {
        self.groups.len()
    }

    /// The period of a group.
    pub fn period(&self, group: usize) -> Duration {
        self.groups.get(group).map_or(Duration::MAX, |group| group.period)
    }

    /// The blocks of a group as they are planned now.
    pub fn blocks(&self, group: usize) -> &[Block] {
        self.groups.get(group).map_or(&[], |group| &group.blocks)
    }

    /// How long a question for `block` keeps the line, the host's own time included.
    pub fn cost(&self, block: &Block) -> Duration {
        self.timing.transaction(block.table, block.count, self.turnaround) + self.quiet + HOST
    }

    /// How long a whole turn of a group keeps the line.
    pub fn turn_cost(&self, group: usize) -> Duration {
        self.blocks(group).iter().map(|block| self.cost(block)).sum()
    }

    /// Begins a round through the values of a group.
    pub fn begin(&mut self, group: usize, now: Mono) -> Turn {
        // Only the fastest group lays out anew: what its blocks are to bring for slower groups is then
        // asked for at once, and no value falls between two layouts.
        if self.outdated && group == 0 {
            self.lay_out();
        }
        let mut turn = Turn::default();
        let Some(period) = self.groups.get(group).map(|group| group.period) else { return turn };
        turn.asks = self.blocks(group).iter().map(|block| self.ask(*block)).collect();
        let refused: Vec<(SignalIndex, Block)> = self
            .refusals()
            .filter(|(wanted, _)| wanted.poll_every == period)
            .map(|(w, b)| (w.signal, b))
            .collect();
        if !refused.is_empty() && self.groups[group].try_again(now) {
            let blocks: Vec<Block> = refused.iter().map(|(_, block)| *block).collect();
            turn.asks.extend(outermost(&blocks).into_iter().map(|block| self.ask(block)));
        } else {
            turn.refused = refused.into_iter().map(|(signal, _)| signal).collect();
        }
        turn
    }

    /// The question at hand was answered with values: goes on to the next.
    pub fn answered(&mut self, turn: &mut Turn) {
        if let Some(ask) = turn.asks.pop_front() {
            self.outdated |= self.holes.answered(&ask.block);
            self.outdated |= self.unanswered.answered(&ask.block);
        }
    }

    /// The question at hand was refused ([`is_refusal`]): its halves take its place in the turn.
    ///
    /// Returns the signals that are now known to be refused, because nothing smaller could be asked
    /// for; the others are still being looked for.
    pub fn refused(&mut self, turn: &mut Turn) -> Vec<SignalIndex> {
        let Some(ask) = turn.asks.pop_front() else { return Vec::new() };
        let is_news = !self.holes.forbid(&ask.block);
        self.holes.refused(ask.block);
        self.outdated = true;
        let within = self.within(&ask.block);
        if !self.halve(turn, &within).is_empty() {
            return Vec::new();
        }
        // The widest value there is gone; narrower ones that lie in it are still to be tried.
        let inner: Vec<Block> = within.into_iter().filter(|span| *span != ask.block).collect();
        for block in outermost(&inner).into_iter().rev() {
            turn.asks.push_front(self.ask(block));
        }
        let is_refused = |wanted: &&SignalPlan| Block::of(&wanted.place) == Some(ask.block);
        for wanted in self.wanted.iter().filter(is_refused).filter(|_| is_news) {
            self.groups
                .iter_mut()
                .filter(|group| group.period == wanted.poll_every)
                .for_each(Group::try_again_soon);
        }
        self.wanted.iter().filter(is_refused).map(|wanted| wanted.signal).collect()
    }

    /// The device leaves the question at hand unanswered, though it answers others. Where it brings several
    /// values its halves take its place in the turn, and are returned: the registers between values may be
    /// none that the device has. A single value is asked for alone from the next turn on.
    pub fn part(&mut self, turn: &mut Turn) -> Vec<Block> {
        let Some(block) = turn.next().map(|ask| ask.block) else { return Vec::new() };
        self.outdated |= !self.unanswered.forbid(&block);
        self.unanswered.refused(block);
        let within = self.within(&block);
        if outermost(&within).len() > 1 {
            turn.skip();
        }
        self.halve(turn, &within)
    }

    /// Puts the two halves of some values at the front of a turn, and returns them; nothing where there is
    /// but one value, be it with others in it.
    fn halve(&self, turn: &mut Turn, values: &[Block]) -> Vec<Block> {
        let values = outermost(values);
        if values.len() < 2 {
            return Vec::new();
        }
        let (low, high) = values.split_at(values.len() / 2);
        let halves: Vec<Block> = [low, high].into_iter().filter_map(joined).collect();
        halves.iter().rev().for_each(|block| turn.asks.push_front(self.ask(*block)));
        halves
    }

    /// Takes the learned response time into account, when it has moved enough to matter.
    pub fn learn_turnaround(&mut self, turnaround: Duration) {
        if turnaround.abs_diff(self.turnaround).saturating_mul(TURNAROUND_PART) > self.turnaround {
            self.turnaround = turnaround;
            self.outdated = true;
        }
    }

    /// The response time that questions are planned with.
    pub fn turnaround(&self) -> Duration {
        self.turnaround
    }

    /// What the device refuses to be asked for.
    pub fn holes(&self) -> &Holes {
        &self.holes
    }

    /// The values that the device refuses, by address.
    pub fn refused_values(&self) -> Vec<Block> {
        let mut blocks: Vec<Block> = self.refusals().map(|(_, block)| block).collect();
        blocks.sort();
        blocks.dedup();
        blocks
    }

    /// Lays out every group, the fastest first: what its blocks bring anyway is not asked for again.
    fn lay_out(&mut self) {
        let mut brought: Vec<Block> = Vec::new();
        for at in 0..self.groups.len() {
            let period = self.groups[at].period;
            let mut values: Vec<Block> = self
                .wanted
                .iter()
                .filter(|wanted| wanted.poll_every == period)
                .filter_map(|wanted| Block::of(&wanted.place))
                .filter(|value| !self.holes.forbid(value))
                .filter(|value| !brought.iter().any(|block| block.contains(value)))
                .collect();
            values.sort();
            let blocks: Vec<Block> = values
                .chunk_by(|one, other| one.table == other.table)
                .flat_map(|table| cheapest(table, |block| self.permits(block), |block| self.cost(block)))
                .collect();
            brought.extend(&blocks);
            self.groups[at].blocks = blocks;
        }
        self.outdated = false;
    }

    fn permits(&self, block: &Block) -> bool {
        let known = self.holes.forbid(block) || self.unanswered.forbid(block);
        block.count <= self.items_max(block.table) && !known
    }

    /// The most items of `table` that the device takes in one question.
    fn items_max(&self, table: Table) -> u16 {
        let own =
            if table.is_registers() { self.registers_max } else { self.registers_max.saturating_mul(16) };
        own.min(table.items_max())
    }

    fn ask(&self, block: Block) -> Ask {
        let within = |place: &Place| Block::of(place).is_some_and(|value| block.contains(&value));
        let signals =
            self.wanted.iter().filter(|wanted| within(&wanted.place)).map(|wanted| wanted.signal).collect();
        Ask { block, signals }
    }

    /// The wanted values that lie within a block whole.
    fn within(&self, block: &Block) -> Vec<Block> {
        let values = self.wanted.iter().filter_map(|wanted| Block::of(&wanted.place));
        values.filter(|value| block.contains(value)).collect()
    }

    /// The wanted values that are refused even when asked for alone.
    fn refusals(&self) -> impl Iterator<Item = (&SignalPlan, Block)> {
        self.wanted.iter().filter_map(|wanted| {
            let value = Block::of(&wanted.place)?;
            self.holes.forbid(&value).then_some((wanted, value))
        })
    }
}

impl Group {
    /// Whether it is time to try its refused values again.
    fn try_again(&mut self, now: Mono) -> bool {
        match self.tried {
            Some(tried) if now.since(tried) < self.pause => return false,
            Some(_) => self.pause = (self.pause * 2).min(REFUSED_ASK_EVERY),
            None => {}
        }
        self.tried = Some(now);
        true
    }

    /// A value of it has just been refused that was not before.
    fn try_again_soon(&mut self) {
        (self.tried, self.pause) = (None, REFUSED_ASK_AFTER);
    }
}

/// The response time to begin with: what the site file tells, what was learned before, or what is
/// assumed.
fn first_turnaround(device: &DevicePlan, timing: Timing) -> Duration {
    match (device.spec.turnaround, device.learned.response) {
        (None, Some(learned)) => learned,
        (told, _) => timing.turnaround_assumed(told),
    }
}

/// The least block that holds all of `values`.
fn joined(values: &[Block]) -> Option<Block> {
    let (first, rest) = values.split_first()?;
    rest.iter().try_fold(*first, |block, value| block.joined(value))
}
