//! The cheapest blocks that hold a set of values, by dynamic programming.
//!
//! Which values may share a block and what a block costs is the caller's to say; here is only the
//! choice. It is the cheapest there is, provided that a block which holds a permitted block may be
//! forbidden, but never the other way round, and that a block costs no less than a block within it.

use std::time::Duration;

use super::Block;

/// The cheapest list of blocks, in order of address, that together hold every one of `values`.
///
/// All values lie in one table; none is ever split. Of lists that cost the same, the one that reads
/// the fewest items is taken. A value that is not permitted alone gets a block of its own all the
/// same: it is for the caller not to ask for it.
pub fn cheapest(
    values: &[Block],
    permitted: impl Fn(&Block) -> bool,
    cost: impl Fn(&Block) -> Duration,
) -> Vec<Block> {
    let values = outermost(values);
    // The best way to hold the first n values: its price, and the block it ends with, which holds
    // the values from `from` on.
    let mut best: Vec<Best> = vec![Best { price: (Duration::ZERO, 0), from: 0, block: None }];
    for end in 0..values.len() {
        let mut block = values[end];
        let mut choice = best[end].then(end, block, cost(&block));
        for from in (0..end).rev() {
            // Wider blocks than a forbidden one are forbidden too.
            let Some(wider) = block.joined(&values[from]).filter(&permitted) else { break };
            block = wider;
            let candidate = best[from].then(from, block, cost(&block));
            if candidate.price < choice.price {
                choice = candidate;
            }
        }
        best.push(choice);
    }
    walk_back(&best)
}

/// The best way to hold the first few values.
struct Best {
    /// Time, then items read.
    price: (Duration, u32),
    /// How many values the earlier blocks hold.
    from: usize,
    /// The last block; `None` when there is nothing to hold.
    block: Option<Block>,
}

impl Best {
    /// This way, with one more block that holds the values from `from` on.
    fn then(&self, from: usize, block: Block, cost: Duration) -> Best {
        let price = (self.price.0 + cost, self.price.1 + u32::from(block.count));
        Best { price, from, block: Some(block) }
    }
}

fn walk_back(best: &[Best]) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut at = best.len() - 1;
    while let Some(block) = best[at].block {
        blocks.push(block);
        at = best[at].from;
    }
    blocks.reverse();
    blocks
}

/// The values that lie within no other, by address. What holds them holds the rest; and since both
/// their starts and their ends rise, some cheapest list holds neighbours in this order.
pub fn outermost(values: &[Block]) -> Vec<Block> {
    let mut sorted = values.to_vec();
    sorted.sort_by_key(|value| (value.table, value.start, std::cmp::Reverse(value.count)));
    let mut outermost: Vec<Block> = Vec::with_capacity(sorted.len());
    for value in sorted {
        if !outermost.last().is_some_and(|last| last.contains(&value)) {
            outermost.push(value);
        }
    }
    outermost
}
