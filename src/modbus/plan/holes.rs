//! What a device refuses to be asked for.
//!
//! A hole is a block that was refused as a whole (exception 02, illegal data address; or 03, too
//! many at once). A device that refuses a block refuses every block that holds it whole; of parts of
//! it nothing is known. That is all a refusal proves, and it is enough: it also carries devices that
//! refuse half a float, and devices that take fewer items at once than they should.

use super::Block;

/// The blocks that a device refused; none of them holds another.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Holes(Vec<Block>);

/// The most holes that are kept of one device; past it the oldest is forgotten, and found again.
pub const HOLES_MAX: usize = 512;

impl Holes {
    /// Notes that `block` was refused.
    pub fn refused(&mut self, block: Block) {
        if self.forbid(&block) {
            return;
        }
        self.0.retain(|hole| !hole.contains(&block));
        if self.0.len() == HOLES_MAX {
            self.0.remove(0);
        }
        self.0.push(block);
    }

    /// Notes that `block` was answered, which disproves every hole within it. True when there was one.
    pub fn answered(&mut self, block: &Block) -> bool {
        let before = self.0.len();
        self.0.retain(|hole| !block.contains(hole));
        self.0.len() != before
    }

    /// Whether `block` would be refused, by all that is known.
    pub fn forbid(&self, block: &Block) -> bool {
        self.0.iter().any(|hole| block.contains(hole))
    }

    /// The holes as plain ranges, for keeping; [`FromIterator`] takes them back.
    pub fn iter(&self) -> impl Iterator<Item = Block> {
        self.0.iter().copied()
    }
}

impl FromIterator<Block> for Holes {
    fn from_iter<I: IntoIterator<Item = Block>>(blocks: I) -> Self {
        let mut holes = Holes::default();
        for block in blocks {
            holes.refused(block);
        }
        holes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Table;

    fn block(start: u16, count: u16) -> Block {
        Block { table: Table::Input, start, count }
    }

    #[test]
    fn what_holds_a_refused_block_whole_is_refused_and_what_cuts_it_may_be_tried() {
        let holes: Holes = [block(10, 4)].into_iter().collect();
        for (start, count, forbidden) in
            [(10, 4, true), (0, 20, true), (9, 5, true), (10, 3, false), (11, 30, false), (0, 13, false)]
        {
            assert_eq!(holes.forbid(&block(start, count)), forbidden, "{start}+{count}");
        }
        assert!(!holes.forbid(&Block { table: Table::Holding, start: 0, count: 20 }));
    }

    #[test]
    fn a_narrower_refusal_takes_the_place_of_the_wider() {
        let holes: Holes = [block(0, 40), block(10, 4), block(8, 10)].into_iter().collect();
        assert_eq!(holes.iter().collect::<Vec<_>>(), [block(10, 4)]);
    }

    #[test]
    fn an_answer_disproves_the_holes_within_it() {
        let mut holes: Holes = [block(10, 4), block(30, 1)].into_iter().collect();
        assert!(!holes.answered(&block(10, 3)));
        assert!(holes.answered(&block(8, 8)));
        assert_eq!(holes.iter().collect::<Vec<_>>(), [block(30, 1)]);
    }

    #[test]
    fn holes_are_kept_up_to_a_limit_and_the_oldest_goes_first() {
        let holes: Holes = (0..).step_by(2).take(HOLES_MAX + 1).map(|start| block(start, 1)).collect();
        assert_eq!(holes.iter().count(), HOLES_MAX);
        assert!(!holes.forbid(&block(0, 1)));
        assert!(holes.forbid(&block(2, 1)));
    }
}
