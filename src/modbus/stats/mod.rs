//! What a line counts and what follows from it: per device ([`DeviceStats`]) and for the line as a
//! whole ([`LineStats`]).
//!
//! Counters only grow, from the daemon's start. Everything else tells of lately, in bounded memory.
//! Time comes in by the arguments.

mod device;
mod line;
mod window;

pub use device::{BLOCKS_MAX, DEGRADED_FROM, DeviceStats, LATELY, LOST_AFTER, Outcome, Planned};
pub use line::{LineStats, NOISE_FRAMES_MIN, NOISE_WINDOW, NOISY_FROM, QUIET_BELOW, sum};
