//! The answers a unit still owes: those that may yet come to questions already given up.
//!
//! A serial line carries no transaction number, so a late answer passes for the answer to the next
//! question of the same shape. Neither emptying the port nor starting afresh helps against one that
//! has not been sent yet. Two things do, and this file keeps both: no question is put while an
//! answer of its [shape](super::frame::Shape) is owed; and a debt ends only when it is paid, when a *later* question
//! has been answered, or when the longest lateness has passed.
//!
//! The second rests on units answering in the order they were asked (over Serial Line V1.02,
//! section 2.4.1: a master has one question out at a time, a slave works on one).

use std::time::Duration;

use crate::modbus::frame::{Question, Shape, Whole};
use crate::modbus::plan::Block;
use crate::moment::Mono;

/// How late an answer may be, in response time-outs after its question was given up, until a unit
/// has been seen to be later.
const LATENESS_TIMEOUTS: u32 = 4;
/// However late a unit has been, its debts are not waited for longer than this.
pub(super) const LATENESS_MAX: Duration = Duration::from_secs(60);
/// The most debts a unit may have. One that has so many is not asked before the oldest has ended.
const DEBTS_MAX: usize = 16;

/// The answers one unit owes, oldest first.
#[derive(Debug)]
pub(super) struct Owed {
    debts: Vec<Debt>,
    /// How long after its question was given up an answer is waited for in any case.
    lateness_min: Duration,
    /// The latest that an answer has come so far, counted likewise.
    latest: Duration,
}

#[derive(Debug)]
struct Debt {
    question: Question,
    given_up: Mono,
    until: Mono,
}

impl Owed {
    /// Nothing is owed; answers are awaited for `response_timeout`, and this unit's have been `latest`
    /// after that at the most, as far as is remembered.
    pub fn new(response_timeout: Duration, latest: Duration) -> Self {
        let lateness_min = response_timeout.saturating_mul(LATENESS_TIMEOUTS);
        Owed { debts: Vec::new(), lateness_min, latest }
    }

    /// The latest that an answer has come after its question was given up.
    pub fn latest(&self) -> Duration {
        self.latest
    }

    /// Whether this question may be put now: its answer could be no other's.
    pub fn may_ask(&mut self, question: Question, now: Mono) -> bool {
        self.debts.retain(|debt| debt.until > now);
        self.debts.len() < DEBTS_MAX && self.debts.iter().all(|debt| debt.shape() != question.shape())
    }

    /// Whether an exception answer to `function` can only belong to the question about to be put:
    /// an exception shows nothing of its question but the function.
    pub fn exceptions_are_certain(&self, function: u8) -> bool {
        self.debts.iter().all(|debt| debt.shape().function != function)
    }

    /// When this question may be put at the latest, when nothing comes meanwhile.
    pub fn may_ask_at(&self, question: Question) -> Option<Mono> {
        let same = self.debts.iter().rev().find(|debt| debt.shape() == question.shape());
        same.or(self.debts.first()).map(|debt| debt.until)
    }

    /// When the last debt ends at the latest; `None` = nothing is owed.
    pub fn until(&self) -> Option<Mono> {
        self.debts.last().map(|debt| debt.until)
    }

    /// This question was given up without a certain answer.
    ///
    /// A unit that queues its questions begins with this one only when it is done with those
    /// before: latenesses add up.
    pub fn give_up(&mut self, question: Question, now: Mono) {
        let begun = self.debts.last().map_or(now, |debt| debt.until.max(now));
        self.debts.push(Debt { question, given_up: now, until: begun + self.lateness() });
    }

    /// The question just put was answered: whatever was asked before it will not be any more.
    pub fn answered(&mut self) {
        self.debts.clear();
    }

    /// A whole frame was overheard. If it pays a debt, that and all older ones end; returns the block
    /// it answers. Of several debts it could pay, it is taken to pay the oldest.
    pub fn heard(&mut self, frame: Whole, now: Mono) -> Option<Block> {
        let pays = |debt: &Debt| match frame {
            Whole::Answer(shape) => debt.shape() == shape,
            Whole::Exception { unit, function } => {
                (debt.shape().unit, debt.shape().function) == (unit, function)
            }
            Whole::Other => false,
        };
        let paid = self.debts.iter().position(pays)?;
        let debt = self.debts.drain(..=paid).next_back()?;
        self.latest = self.latest.max(now.since(debt.given_up));
        Some(debt.question.block)
    }

    /// How long after its question was given up an answer may still come.
    fn lateness(&self) -> Duration {
        self.latest.saturating_mul(2).min(LATENESS_MAX).max(self.lateness_min)
    }
}

impl Debt {
    fn shape(&self) -> Shape {
        self.question.shape()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Table;

    const TIMEOUT: Duration = Duration::from_millis(100);
    const TWO: Question = asking(Table::Holding, 2);
    const THREE: Question = asking(Table::Holding, 3);
    const BITS: Question = asking(Table::Discrete, 8);

    const fn asking(table: Table, count: u16) -> Question {
        Question { unit: 1, block: Block { table, start: 40, count } }
    }

    fn at(millis: u64) -> Mono {
        Mono::from_millis(millis)
    }

    #[test]
    fn no_question_is_put_whose_answer_could_be_an_older_ones() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        assert!(owed.may_ask(TWO, at(0)));
        owed.give_up(TWO, at(100));
        assert!(!owed.may_ask(TWO, at(101)));
        assert!(owed.may_ask(THREE, at(101)), "another length can be told apart");
        assert!(!owed.exceptions_are_certain(3), "an exception cannot");
        assert!(owed.exceptions_are_certain(2));
    }

    #[test]
    fn a_debt_ends_when_a_later_question_is_answered() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        owed.give_up(TWO, at(100));
        owed.give_up(THREE, at(200));
        owed.answered();
        assert!(owed.may_ask(TWO, at(201)) && owed.may_ask(THREE, at(201)));
        assert!(owed.exceptions_are_certain(3));
    }

    #[test]
    fn a_debt_ends_when_it_is_paid_and_takes_the_older_ones_along() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        owed.give_up(TWO, at(100));
        owed.give_up(THREE, at(200));
        owed.give_up(BITS, at(300));
        assert!(owed.heard(Whole::Other, at(310)).is_none());
        assert!(owed.heard(Whole::Answer(Shape { unit: 2, ..TWO.shape() }), at(310)).is_none());
        assert_eq!(owed.heard(Whole::Answer(THREE.shape()), at(310)), Some(THREE.block));
        assert!(owed.may_ask(TWO, at(310)) && owed.may_ask(THREE, at(310)));
        assert!(!owed.may_ask(BITS, at(310)));
        assert_eq!(owed.heard(Whole::Exception { unit: 1, function: 2 }, at(320)), Some(BITS.block));
        assert!(owed.may_ask(BITS, at(320)));
    }

    #[test]
    fn a_debt_ends_when_the_longest_lateness_has_passed() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        owed.give_up(TWO, at(100));
        assert!(!owed.may_ask(TWO, at(499)));
        assert!(owed.may_ask(TWO, at(500)));
    }

    #[test]
    fn the_debts_of_a_unit_that_queues_its_questions_add_up() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        owed.give_up(TWO, at(100));
        owed.give_up(THREE, at(200));
        assert_eq!(owed.may_ask_at(THREE), Some(at(900)));
        assert!(!owed.may_ask(THREE, at(899)));
    }

    #[test]
    fn a_unit_that_was_later_than_half_the_wait_is_waited_for_longer() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        owed.give_up(TWO, at(100));
        assert!(owed.heard(Whole::Answer(TWO.shape()), at(400)).is_some());
        owed.give_up(TWO, at(1000));
        assert_eq!(owed.may_ask_at(TWO), Some(at(1600)));
        let mut after_a_restart = Owed::new(TIMEOUT, owed.latest());
        after_a_restart.give_up(TWO, at(1000));
        assert_eq!(after_a_restart.may_ask_at(TWO), Some(at(1600)));
    }

    #[test]
    fn a_unit_with_too_many_debts_is_not_asked() {
        let mut owed = Owed::new(TIMEOUT, Duration::ZERO);
        for count in 1..=16 {
            assert!(owed.may_ask(asking(Table::Holding, count), at(100)));
            owed.give_up(asking(Table::Holding, count), at(100));
        }
        assert!(!owed.may_ask(BITS, at(100)));
        assert!(owed.may_ask(BITS, at(500)), "the oldest has ended");
    }
}
