//! What is counted of one device and of each of its blocks, and whether it answers.

use std::time::Duration;

use crate::modbus::plan::Block;
use crate::modbus::quantiles::Quantiles;
use crate::moment::Moment;
use crate::monitor::{BlockReport, Counters, DeviceReport, DeviceState};
use crate::signal::DeviceIndex;

/// Given up so many times in a row, each time with its retries, a device is lost.
pub const LOST_AFTER: u32 = 3;

/// A device is degraded while this many of its last [`LATELY`] tries went wrong: one lost answer is
/// no news.
pub const DEGRADED_FROM: u32 = 2;

/// How many tries a device's state looks back on.
pub const LATELY: u32 = u32::BITS;

/// Gateway exceptions, by which another device speaks for one that does not (Application Protocol
/// V1.1b3, section 7): 0A, path unavailable; 0B, target failed to respond.
const GATEWAY_EXCEPTIONS: [u8; 2] = [0x0A, 0x0B];

/// What came of one question that was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// A good answer, whose first byte came this long after the question's end.
    Answer(Duration),
    /// An exception with this code.
    Exception(u8),
    /// Nothing in time.
    Timeout,
    /// Nothing in time but a damaged frame: wrong CRC.
    Damaged,
    /// Nothing in time but a whole frame that answers no question of ours.
    Foreign,
}

impl Outcome {
    /// Whether the device itself spoke, be it an exception.
    pub fn is_answer(self) -> bool {
        match self {
            Outcome::Answer(_) => true,
            Outcome::Exception(code) => !GATEWAY_EXCEPTIONS.contains(&code),
            Outcome::Timeout | Outcome::Damaged | Outcome::Foreign => false,
        }
    }
}

/// The most blocks of a device that are counted one by one.
pub const BLOCKS_MAX: usize = 64;

/// What is counted of one device.
#[derive(Debug, Clone, Default)]
pub struct DeviceStats {
    whole: Tally,
    blocks: Vec<(Block, Tally)>,
    last_response: Option<Moment>,
    /// The last tries, the latest in the lowest bit: 1 = went wrong.
    wrong_lately: u32,
    /// How often it was given up since it last spoke.
    given_up: u32,
    /// Whether it has ever spoken.
    spoke: bool,
}

/// What is counted of a device, or of one block of it.
#[derive(Debug, Clone, Default)]
struct Tally {
    counters: Counters,
    response: Quantiles,
}

/// A block as it is planned now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Planned {
    /// The block.
    pub block: Block,
    /// How often it is to be had.
    pub period: Duration,
    /// How many polls of it were missed.
    pub missed: u64,
}

impl DeviceStats {
    /// Counts what came of one try to read `block`, at `at`.
    pub fn record(&mut self, block: Block, outcome: Outcome, at: Moment) {
        self.each_tally(block, |tally| tally.record(outcome));
        if let Outcome::Answer(_) = outcome {
            self.last_response = Some(at);
        }
        if outcome.is_answer() {
            self.given_up = 0;
            self.spoke = true;
        }
        let wrong = !matches!(outcome, Outcome::Answer(_));
        self.wrong_lately = self.wrong_lately << 1 | u32::from(wrong);
    }

    /// Counts something of `block` that does not follow from what came of its questions.
    pub fn count(&mut self, block: Block, add: impl Fn(&mut Counters)) {
        self.each_tally(block, |tally| add(&mut tally.counters));
    }

    /// The counters of the whole device. Polls that were missed are not among them: see
    /// [`Planned::missed`].
    pub fn counters(&self) -> &Counters {
        &self.whole.counters
    }

    /// The question was given up: its last retry brought no answer either.
    pub fn give_up(&mut self) {
        self.given_up = self.given_up.saturating_add(1);
    }

    /// Whether it answers.
    pub fn state(&self) -> DeviceState {
        if self.given_up >= LOST_AFTER {
            DeviceState::Lost
        } else if !self.spoke {
            DeviceState::Unknown
        } else if self.wrong_lately.count_ones() >= DEGRADED_FROM {
            DeviceState::Degraded
        } else {
            DeviceState::Online
        }
    }

    /// Response times lately: end of the question to first byte of the answer.
    pub fn response(&self) -> &Quantiles {
        &self.whole.response
    }

    /// The report on the device: `refused` are the values it refuses, in words; `missed` polls were
    /// missed. Blocks that are no longer planned are forgotten.
    pub fn report(
        &mut self,
        device: DeviceIndex,
        refused: Vec<String>,
        missed: u64,
        planned: &[Planned],
    ) -> DeviceReport {
        self.blocks.retain(|(block, _)| planned.iter().any(|planned| planned.block == *block));
        DeviceReport {
            device,
            state: self.state(),
            last_response: self.last_response,
            response: self.whole.response.spread(),
            refused,
            counters: Counters { missed_polls: missed, ..self.whole.counters },
            blocks: planned.iter().map(|planned| self.block_report(planned)).collect(),
        }
    }

    fn block_report(&self, planned: &Planned) -> BlockReport {
        let tally = self.blocks.iter().find(|(block, _)| *block == planned.block).map(|(_, tally)| tally);
        let counters = tally.map_or_else(Counters::default, |tally| tally.counters);
        BlockReport {
            block: planned.block.to_string(),
            period: planned.period,
            response: tally.and_then(|tally| tally.response.spread()),
            counters: Counters { missed_polls: planned.missed, ..counters },
        }
    }

    fn each_tally(&mut self, block: Block, count: impl Fn(&mut Tally)) {
        count(&mut self.whole);
        if self.blocks.len() < BLOCKS_MAX && self.blocks.iter().all(|(known, _)| *known != block) {
            self.blocks.push((block, Tally::default()));
        }
        if let Some((_, tally)) = self.blocks.iter_mut().find(|(known, _)| *known == block) {
            count(tally);
        }
    }
}

impl Tally {
    fn record(&mut self, outcome: Outcome) {
        let counters = &mut self.counters;
        counters.requests += 1;
        match outcome {
            Outcome::Answer(response) => {
                counters.answers += 1;
                self.response.record(response);
            }
            Outcome::Exception(code) => {
                if outcome.is_answer() {
                    counters.exceptions += 1;
                } else {
                    counters.gateway_exceptions += 1;
                }
                let known = usize::from(code);
                let index = if known < counters.exceptions_by_code.len() { known } else { 0 };
                counters.exceptions_by_code[index] += 1;
            }
            Outcome::Timeout => counters.timeouts += 1,
            Outcome::Damaged => counters.crc_errors += 1,
            Outcome::Foreign => counters.foreign_frames += 1,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::moment::{Mono, Wall};
    use crate::signal::Table;

    const BLOCK: Block = Block { table: Table::Input, start: 40, count: 4 };

    fn at(seconds: u64) -> Moment {
        Moment { mono: Mono::from_millis(seconds * 1_000), wall: Wall::UNIX_EPOCH }
    }

    /// Plays events and tells the state at the end: `.` answer, `e` exception 04, `g` gateway
    /// exception 0B, `t` time-out, `c` wrong CRC, `f` foreign frame, `|` given up.
    fn played(events: &str) -> DeviceStats {
        let mut stats = DeviceStats::default();
        for event in events.chars() {
            let outcome = match event {
                '.' => Outcome::Answer(Duration::from_millis(20)),
                'e' => Outcome::Exception(0x04),
                'g' => Outcome::Exception(0x0B),
                't' => Outcome::Timeout,
                'c' => Outcome::Damaged,
                'f' => Outcome::Foreign,
                '|' => {
                    stats.give_up();
                    continue;
                }
                other => panic!("{other}"),
            };
            stats.record(BLOCK, outcome, at(1));
        }
        stats
    }

    #[test]
    fn a_devices_state_follows_from_what_came_of_its_questions() {
        let all_is_well = ".".repeat(32);
        let cases = [
            ("not yet asked", String::new(), DeviceState::Unknown),
            ("asked twice in vain", "tt|tt|".into(), DeviceState::Unknown),
            ("never heard of", "tt|tt|tt|".into(), DeviceState::Lost),
            ("its first answer", ".".into(), DeviceState::Online),
            ("one lost answer", "..t...".into(), DeviceState::Online),
            ("two lately", "..t..c.".into(), DeviceState::Degraded),
            ("two long ago", format!("tc{all_is_well}"), DeviceState::Online),
            ("given up once", "....tt|".into(), DeviceState::Degraded),
            ("given up twice", "....tt|cf|".into(), DeviceState::Degraded),
            ("given up three times", "....tt|cf|tt|".into(), DeviceState::Lost),
            ("back with one answer, errors still fresh", "tt|tt|tt|.".into(), DeviceState::Degraded),
            ("an exception is a sign of life", "tt|tt|tt|e".into(), DeviceState::Degraded),
            ("a gateway's exception is not", "..g|g|g|".into(), DeviceState::Lost),
            ("nothing but exceptions", "eeee".into(), DeviceState::Degraded),
        ];
        for (what, events, expected) in cases {
            assert_eq!(played(&events).state(), expected, "{what}: {events}");
        }
    }

    #[test]
    fn every_question_is_counted_once_by_what_came_of_it() {
        let stats = played("..tcfe.g");
        let counters = stats.counters();
        assert_eq!((counters.requests, counters.answers, counters.timeouts), (8, 3, 1));
        assert_eq!((counters.crc_errors, counters.foreign_frames), (1, 1));
        assert_eq!((counters.exceptions, counters.gateway_exceptions), (1, 1));
        assert_eq!((counters.exceptions_by_code[0x04], counters.exceptions_by_code[0x0B]), (1, 1));
    }

    #[test]
    fn exceptions_beyond_the_standard_are_counted_together() {
        let mut stats = DeviceStats::default();
        for code in 0..=255 {
            stats.record(BLOCK, Outcome::Exception(code), at(1));
        }
        let counters = stats.counters();
        assert_eq!(counters.exceptions_by_code[0], 256 - 11);
        assert_eq!((counters.exceptions, counters.gateway_exceptions), (254, 2));
        assert_eq!(counters.exceptions_by_code.iter().sum::<u64>(), 256);
    }

    #[test]
    fn the_report_tells_the_last_good_answer_and_the_response_times() {
        let mut stats = DeviceStats::default();
        for (second, response_ms) in [(1, 18), (2, 30), (3, 20)] {
            stats.record(BLOCK, Outcome::Answer(Duration::from_millis(response_ms)), at(second));
        }
        stats.record(BLOCK, Outcome::Exception(6), at(4));
        let report = stats.report(DeviceIndex(2), vec!["input 40".into()], 3, &[]);
        assert_eq!(report.last_response, Some(at(3)));
        let response = report.response.map(|response| (response.p50.as_millis(), response.p99.as_millis()));
        assert_eq!((response, report.counters.missed_polls), (Some((20, 30)), 3));
        assert_eq!((report.device, report.refused), (DeviceIndex(2), vec!["input 40".to_owned()]));
    }

    #[test]
    fn each_block_is_counted_for_itself_while_it_is_planned() {
        let other = Block { start: 60, ..BLOCK };
        let planned =
            [BLOCK, other].map(|block| Planned { block, period: Duration::from_secs(1), missed: 2 });
        let mut stats = played(".t");
        stats.record(other, Outcome::Exception(2), at(2));
        stats.count(other, |counters| counters.retries += 1);
        let report = stats.report(DeviceIndex(0), Vec::new(), 4, &planned);
        let [first, second] = &report.blocks[..] else { panic!("{:?}", report.blocks) };
        assert_eq!((first.block.as_str(), second.block.as_str()), ("input 40–43", "input 60–63"));
        assert_eq!((first.counters.requests, first.counters.answers, first.counters.missed_polls), (2, 1, 2));
        assert_eq!(
            (second.counters.requests, second.counters.exceptions, second.counters.retries),
            (1, 1, 1)
        );
        assert_eq!((report.counters.requests, report.counters.retries), (3, 1));
        assert!(first.response.is_some() && second.response.is_none());
        stats.report(DeviceIndex(0), Vec::new(), 4, &planned[1..]);
        let anew = stats.report(DeviceIndex(0), Vec::new(), 4, &planned);
        assert_eq!(anew.blocks[0].counters.requests, 0, "laid out anew, counted anew");
    }

    #[test]
    fn blocks_are_counted_one_by_one_up_to_a_limit() {
        let mut stats = DeviceStats::default();
        for start in 0..200 {
            stats.record(Block { start, ..BLOCK }, Outcome::Timeout, at(1));
        }
        assert_eq!((stats.blocks.len(), stats.counters().timeouts), (BLOCKS_MAX, 200));
    }
}
