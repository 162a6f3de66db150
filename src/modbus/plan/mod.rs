//! What to ask a device for: the fewest seconds on the wire that bring every value.
//!
//! Values with the same poll period are read together in blocks; gaps are read through where that is
//! cheaper than another question ([`cover`]); a block that the device refuses is halved until the
//! values it refuses are found ([`Plan`]), and what it refused is remembered ([`Holes`]).
//! Nothing here asks anything: the line does, and tells what came of it.

mod asking;
mod block;
mod cover;
mod holes;
#[cfg(test)]
mod tests;

pub use asking::{Ask, Plan, REFUSED_ASK_AFTER, REFUSED_ASK_EVERY, Turn, is_refusal};
pub use block::Block;
pub use holes::{HOLES_MAX, Holes};
