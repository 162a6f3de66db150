//! The one place that reads the clocks.

use std::sync::Arc;
use std::time::Instant;

use crate::moment::{Clock, Moment, Mono, Wall};

/// The system's clocks; the monotonic one begins now.
pub fn system_clock() -> Clock {
    let start = Instant::now();
    Arc::new(move || Moment { mono: Mono::new(start.elapsed()), wall: Wall::now() })
}
