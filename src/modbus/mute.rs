//! Questions that one device leaves unanswered while it answers others.
//!
//! The standard has a device refuse what it does not have (exception 02, Application Protocol V1.1b3,
//! section 7); some say nothing instead. Such a question is not to make its device pass for silent:
//! it is left alone on its own account, by the same rule as a silent device ([`Silence`]), and the
//! device's other values are had at their periods. Which fault it was is known by what the device
//! said between two failures. Time comes in by the arguments.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::modbus::plan::Block;
use crate::modbus::silence::Silence;
use crate::moment::Mono;

/// So many questions in a row that belong to one which is to blame may stay unanswered before it is the
/// device after all: 125 values are down to one after seven halvings.
const SUSPECTS_IN_A_ROW_MAX: u32 = 8;

/// The questions of one device that it has left unanswered and not answered since.
#[derive(Debug)]
pub(super) struct Mutes {
    pause_max: Duration,
    questions: BTreeMap<Block, Mute>,
    /// How many questions in a row were left unanswered.
    unanswered: u32,
}

#[derive(Debug)]
struct Mute {
    silence: Silence,
    /// It is left alone until then.
    until: Mono,
    /// Whether the device has answered another question since this one was last put.
    talked_since: bool,
    /// Whether it is a part of a question that was to blame.
    suspect: bool,
}

impl Mutes {
    /// A device of which nothing bad is known; a question is left alone for `pause_max` at most.
    pub fn new(pause_max: Duration) -> Self {
        Mutes { pause_max, questions: BTreeMap::new(), unanswered: 0 }
    }

    /// Whether the question is to be passed over at `now`.
    pub fn leaves_alone(&self, block: &Block, now: Mono) -> bool {
        self.questions.get(block).is_some_and(|mute| now < mute.until)
    }

    /// Whether one try is enough to find out if it is answered now.
    pub fn is_mute(&self, block: &Block) -> bool {
        self.questions.get(block).is_some_and(|mute| mute.suspect || mute.silence.is_silent())
    }

    /// The device answered this question, with values or with an exception.
    pub fn answered(&mut self, block: &Block) {
        self.unanswered = 0;
        self.questions.remove(block);
        self.questions.values_mut().for_each(|mute| mute.talked_since = true);
    }

    /// The device did not answer this question. Returns whether the question is to blame: the device
    /// has answered others since this one was last put in vain, or it is a part of one that is to blame.
    pub fn blames(&mut self, block: Block) -> bool {
        self.unanswered = self.unanswered.saturating_add(1);
        let pause_max = self.pause_max;
        let mute = self.questions.entry(block).or_insert_with(|| Mute::new(pause_max, false));
        let is_part = mute.suspect && self.unanswered <= SUSPECTS_IN_A_ROW_MAX;
        std::mem::replace(&mut mute.talked_since, false) || is_part
    }

    /// The question that is to blame is put in these parts from now on.
    pub fn part(&mut self, block: &Block, parts: &[Block]) {
        self.questions.remove(block);
        let pause_max = self.pause_max;
        for part in parts {
            self.questions.entry(*part).or_insert_with(|| Mute::new(pause_max, true));
        }
    }

    /// The question that is to blame kept the line for `cost` until `now`.
    pub fn charge(&mut self, block: &Block, cost: Duration, now: Mono) {
        if let Some(mute) = self.questions.get_mut(block) {
            mute.until = now + mute.silence.unanswered(cost, now);
        }
    }
}

impl Mute {
    fn new(pause_max: Duration, suspect: bool) -> Self {
        let silence = Silence::new(pause_max);
        Mute { silence, until: Mono::ZERO, talked_since: false, suspect }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Table;

    const FLOW: Block = Block { table: Table::Holding, start: 0, count: 2 };
    const DEW: Block = Block { table: Table::Holding, start: 400, count: 2 };
    const COST: Duration = Duration::from_secs(1);

    fn second(at: u64) -> Mono {
        Mono::from_millis(at * 1_000)
    }

    #[test]
    fn a_question_is_to_blame_once_the_device_has_answered_another_between_two_failures() {
        let mut mutes = Mutes::new(COST * 60);
        assert!(!mutes.blames(DEW), "it may be the device");
        assert!(!mutes.blames(DEW), "it said nothing at all");
        mutes.answered(&FLOW);
        assert!(mutes.blames(DEW));
        assert!(!mutes.blames(DEW), "nothing was said since");
    }

    #[test]
    fn a_question_to_blame_is_left_alone_for_growing_pauses_until_it_is_answered() {
        let mut mutes = Mutes::new(COST * 60);
        let mut now = second(3_600);
        let mut pauses = Vec::new();
        for _ in 0..6 {
            mutes.answered(&FLOW);
            if mutes.blames(DEW) {
                mutes.charge(&DEW, COST, now);
            }
            let pause = (0..100).find(|s| !mutes.leaves_alone(&DEW, now + COST * *s)).unwrap_or(100);
            pauses.push(pause);
            now = now + COST * pause.max(1);
        }
        assert_eq!(pauses, [0, 0, 0, 20, 40, 60]);
        assert!(mutes.is_mute(&DEW) && !mutes.leaves_alone(&FLOW, now));
        mutes.answered(&DEW);
        assert!(!mutes.is_mute(&DEW) && !mutes.leaves_alone(&DEW, now));
    }

    #[test]
    fn the_parts_of_a_question_to_blame_are_blamed_until_too_many_fail_in_a_row() {
        let mut mutes = Mutes::new(COST * 60);
        let parts: Vec<Block> = (400..420).map(|start| Block { start, ..DEW }).collect();
        mutes.part(&DEW, &parts);
        assert!(mutes.is_mute(&parts[0]) && !mutes.leaves_alone(&parts[0], second(0)), "asked once, at once");
        let blamed = parts.iter().take_while(|part| mutes.blames(**part)).count();
        assert_eq!(blamed, 8, "then it may be the device");
        mutes.answered(&FLOW);
        assert!(mutes.blames(parts[19]), "it has talked");
        mutes.answered(&parts[0]);
        assert!(!mutes.is_mute(&parts[0]));
    }
}
