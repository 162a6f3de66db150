//! What an alarm did over a time, in a few figures.

use std::time::Duration;

use crate::moment::Wall;
use crate::replay::Spell;

/// An alarm chatters when it is raised more often than this in a minute.
/// Source: introduction of the chapter 10.1007/978-3-319-95651-0_15.
pub const CHATTER_PER_MINUTE_MIN: usize = 3;

/// What an alarm did over a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// How often it was raised.
    pub count: usize,
    /// For how long it was active, all in all.
    pub active: Duration,
    /// The longest time it was active at once.
    pub longest: Duration,
    /// How many of its raisings belong to a minute in which it chattered.
    pub chattering: usize,
}

impl Tally {
    /// The tally of one alarm's spells, in order; one that is still open lasts `until`.
    pub fn of<'a>(spells: impl IntoIterator<Item = &'a Spell>, until: Wall) -> Tally {
        let mut tally = Tally::default();
        let mut raised: Vec<Wall> = Vec::new();
        for spell in spells {
            let lasted = spell.cleared.unwrap_or(until).duration_since(spell.raised);
            let lasted = if lasted.is_negative() { Duration::ZERO } else { lasted.unsigned_abs() };
            tally.count += 1;
            tally.active += lasted;
            tally.longest = tally.longest.max(lasted);
            raised.push(spell.raised);
        }
        tally.chattering = chattering(&raised);
        tally
    }
}

/// How many of these times lie in a minute that holds more than [`CHATTER_PER_MINUTE_MIN`] of them.
fn chattering(raised: &[Wall]) -> usize {
    let in_a_minute = |from: usize, to: usize| raised[to].duration_since(raised[from]).as_secs() < 60;
    let mut chatters = vec![false; raised.len()];
    let mut first = 0;
    for last in 0..raised.len() {
        while !in_a_minute(first, last) {
            first += 1;
        }
        if last - first + 1 > CHATTER_PER_MINUTE_MIN {
            chatters[first..=last].fill(true);
        }
    }
    chatters.into_iter().filter(|chatters| *chatters).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Wall {
        Wall::from_second(second).unwrap_or(Wall::UNIX_EPOCH)
    }

    fn spell(raised: i64, cleared: Option<i64>) -> Spell {
        Spell { alarm: "a".to_owned(), raised: at(raised), cleared: cleared.map(at) }
    }

    #[test]
    fn an_open_spell_lasts_until_the_end() {
        let tally = Tally::of(&[spell(0, Some(10)), spell(100, None)], at(160));
        let (active, longest) = (Duration::from_secs(70), Duration::from_secs(60));
        assert_eq!(tally, Tally { count: 2, active, longest, chattering: 0 });
    }

    #[test]
    fn more_than_three_in_a_minute_chatter_and_three_do_not() {
        let raised = |seconds: &[i64]| {
            let spells: Vec<Spell> = seconds.iter().map(|second| spell(*second, Some(second + 1))).collect();
            Tally::of(&spells, at(1000)).chattering
        };
        assert_eq!(raised(&[0, 10, 20]), 0);
        assert_eq!(raised(&[0, 20, 40, 60]), 0, "the fourth is a minute after the first");
        assert_eq!(raised(&[0, 20, 40, 59]), 4);
        assert_eq!(raised(&[0, 20, 40, 59, 70, 500]), 5);
    }
}
