//! What a technician proves of an analyzer: that its loop, its register and its display agree, and that
//! everything from the wall to the first sample was seen to.
//!
//! Pure: readings, answers and the record come in by the arguments. Nothing here reads a line, asks a
//! person, or writes a record, and nothing here replaces the maker's manual or a licensed hand.

mod cause_words;
pub mod causes;
pub mod checklist;
pub mod loop_check;
#[cfg(test)]
mod planted;
pub mod record;
mod straight;
