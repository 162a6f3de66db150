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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::config::{Parity, SerialSettings};
    use crate::modbus::plan::Holes;
    use crate::modbus::timing::Timing;
    use crate::signal::Table;

    fn time(blocks: &[Block], cost: impl Fn(&Block) -> Duration) -> Duration {
        blocks.iter().map(cost).sum()
    }

    /// The least time of all ways to part `values` into blocks, found by trying every one; `blocks`
    /// are those begun so far.
    fn least_by_trying_all(
        values: &[Block],
        blocks: &mut Vec<Block>,
        permitted: &dyn Fn(&Block) -> bool,
        cost: &dyn Fn(&Block) -> Duration,
    ) -> Duration {
        let Some((value, rest)) = values.split_first() else { return time(blocks, cost) };
        blocks.push(*value);
        let mut least = least_by_trying_all(rest, blocks, permitted, cost);
        blocks.pop();
        for at in 0..blocks.len() {
            let narrow = blocks[at];
            if let Some(wider) = narrow.joined(value).filter(permitted) {
                blocks[at] = wider;
                least = least.min(least_by_trying_all(rest, blocks, permitted, cost));
                blocks[at] = narrow;
            }
        }
        least
    }

    fn a_block(table: Table, address_max: u16) -> impl Strategy<Value = Block> {
        (0..address_max, 1..=4_u16).prop_map(move |(start, count)| Block { table, start, count })
    }

    proptest! {
        #[test]
        fn no_way_to_part_the_values_takes_less_time(
            table in prop_oneof![Just(Table::Input), Just(Table::Coil)],
            places in prop::collection::vec((0..60_u16, 1..=4_u16), 1..7),
            holes in prop::collection::vec((0..60_u16, 1..=6_u16), 0..4),
            spread in prop_oneof![Just(1_u16), Just(9)],
            items_max in 4..80_u16,
            baud in prop_oneof![Just(1_200_u32), Just(9_600), Just(115_200)],
            turnaround_ms in 0..40_u64,
        ) {
            let block = |(start, count)| Block { table, start: start * spread, count };
            let holes: Holes = holes.into_iter().map(block).collect();
            let values: Vec<Block> =
                places.into_iter().map(block).filter(|value| !holes.forbid(value)).collect();
            let timing = Timing::serial(SerialSettings { baud, parity: Parity::None, stop_bits: 1 });
            let turnaround = Duration::from_millis(turnaround_ms);
            let permitted = |block: &Block| block.count <= items_max && !holes.forbid(block);
            let cost = |block: &Block| timing.transaction(block.table, block.count, turnaround);

            let blocks = cheapest(&values, permitted, cost);

            prop_assert!(blocks.iter().all(permitted), "{blocks:?} holds what is not permitted");
            for value in &values {
                prop_assert!(blocks.iter().any(|block| block.contains(value)), "{blocks:?} lacks {value}");
            }
            prop_assert_eq!(time(&blocks, cost), least_by_trying_all(&values, &mut Vec::new(), &permitted, &cost));
        }

        #[test]
        fn the_outermost_values_hold_all_the_others(
            values in prop::collection::vec(a_block(Table::Holding, 30), 0..20),
        ) {
            let kept = outermost(&values);
            for value in &values {
                prop_assert!(kept.iter().any(|outer| outer.contains(value)));
            }
            for pair in kept.windows(2) {
                prop_assert!(pair[0].start < pair[1].start && pair[0].end() < pair[1].end());
            }
        }
    }

    #[test]
    fn of_lists_that_take_the_same_time_the_one_that_reads_less_is_taken() {
        let values = [0, 40, 80, 84].map(|start| Block { table: Table::Input, start, count: 2 });
        let two_at_most = |block: &Block| block.count <= 46;
        let blocks = cheapest(&values, two_at_most, |_| Duration::from_millis(1));
        let told: Vec<String> = blocks.iter().map(Block::to_string).collect();
        assert_eq!(told, ["input 0–41", "input 80–85"]);
    }
}
