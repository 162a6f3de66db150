//! A block: neighbours in one table that one question asks for.

use std::fmt;

use crate::signal::{Place, Table};

/// A range of registers or bits of one table: what one question asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Block {
    /// The table.
    pub table: Table,
    /// Zero-based address of the first item.
    pub start: u16,
    /// How many items, at least 1.
    pub count: u16,
}

impl Block {
    /// The block that holds exactly the value at `place`; `None` when it would pass the last address.
    pub fn of(place: &Place) -> Option<Block> {
        let block = Block { table: place.table, start: place.address, count: place.value_type.width() };
        (block.end() <= ADDRESSES).then_some(block)
    }

    /// The address just past the block; 65536 for one that ends the table.
    pub fn end(&self) -> u32 {
        u32::from(self.start) + u32::from(self.count)
    }

    /// Whether `other` lies within this block whole.
    pub fn contains(&self, other: &Block) -> bool {
        self.table == other.table && self.start <= other.start && other.end() <= self.end()
    }

    /// The least block of the same table that holds both; `None` when its count has no room in 16 bits.
    pub fn joined(&self, other: &Block) -> Option<Block> {
        let start = self.start.min(other.start);
        let count = self.end().max(other.end()) - u32::from(start);
        Some(Block { table: self.table, start, count: u16::try_from(count).ok()? })
    }
}

/// In words, with addresses as sent on the wire: `input 40`, `holding 12–15`.
impl fmt::Display for Block {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} {}", self.table.word(), self.start)?;
        if self.count > 1 {
            write!(out, "–{}", self.end() - 1)?;
        }
        Ok(())
    }
}

/// Items in a table (Application Protocol V1.1b3, section 4.4).
const ADDRESSES: u32 = 65_536;
