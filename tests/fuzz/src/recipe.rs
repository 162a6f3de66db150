//! Reads an input as a recipe: what is asked, and what arrives in which pieces.

use siskin::modbus::plan::Block;
use siskin::signal::Table;

/// So many frames make one stream at most.
pub const FRAMES_MAX: usize = 10;

/// An input as it is used up; zeros follow its end.
pub struct Recipe<'a>(pub &'a [u8]);

impl<'a> Recipe<'a> {
    pub fn is_used_up(&self) -> bool {
        self.0.is_empty()
    }

    pub fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        *first
    }

    pub fn word(&mut self) -> u16 {
        u16::from_be_bytes([self.byte(), self.byte()])
    }

    pub fn below(&mut self, limit: usize) -> usize {
        usize::from(self.word()) % limit.max(1)
    }

    pub fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[usize::from(self.byte()) % choices.len()]
    }

    /// As many bytes as are asked for, or as are left.
    pub fn bytes(&mut self, count: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(count.min(self.0.len()));
        self.0 = rest;
        taken
    }

    /// A question that the standard allows.
    pub fn question(&mut self) -> (u8, Block) {
        let unit = self.byte() % 247 + 1;
        let table = self.one_of(&[Table::Coil, Table::Discrete, Table::Holding, Table::Input]);
        let count_max = if table.is_registers() { 125 } else { 2000 };
        let count = self.word() % count_max + 1;
        let start = self.word().min(u16::MAX - count);
        (unit, Block { table, start, count })
    }

    /// The function code and the data of a right answer, filled from one byte on.
    pub fn answer(&mut self, block: Block) -> Vec<u8> {
        let bytes = data_bytes(block);
        let (seed, step) = (self.byte(), self.byte());
        let mut pdu = vec![function(block.table), u8::try_from(bytes).unwrap()];
        pdu.extend((0..bytes).scan(seed, |byte, _| {
            *byte = byte.wrapping_mul(5).wrapping_add(step);
            Some(*byte)
        }));
        pdu
    }

    /// Cuts a stream into the pieces in which it arrives.
    pub fn pieces(&mut self, stream: &[u8]) -> Vec<Vec<u8>> {
        let (mut size, step) = (usize::from(self.byte()), usize::from(self.byte()) | 1);
        let mut rest = stream;
        let mut pieces = Vec::new();
        while !rest.is_empty() {
            size = (size + step) % 61;
            let (piece, later) = rest.split_at((size + 1).min(rest.len()));
            pieces.push(piece.to_vec());
            rest = later;
        }
        pieces
    }
}

/// How many bytes of data answer a question (Application Protocol V1.1b3, sections 6.1 to 6.4).
pub fn data_bytes(block: Block) -> usize {
    let count = usize::from(block.count);
    if block.table.is_registers() { count * 2 } else { count.div_ceil(8) }
}

/// The function code that reads a table (the same sections).
pub fn function(table: Table) -> u8 {
    match table {
        Table::Coil => 1,
        Table::Discrete => 2,
        Table::Holding => 3,
        Table::Input => 4,
    }
}
