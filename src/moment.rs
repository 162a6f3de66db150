//! Time as the pure floors see it: a pair of clocks handed in from outside.
//!
//! Every duration in siskin is measured on the monotonic clock ([`Mono`]); the wall clock is only
//! recorded and shown. Nothing here reads a clock: the daemon does, and passes a [`Moment`] along
//! with each input, so that everything which decides can be tested, simulated and replayed.

use std::fmt;
use std::ops::{Add, Sub};
use std::sync::Arc;
use std::time::Duration;

pub use jiff::Timestamp as Wall;

/// A point on the monotonic clock, told by the time since the daemon's clock began. What the record
/// tells of the time before has its points there, too.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Mono(Duration);

/// How far before the clock's beginning a point can lie: beyond any record.
const BEFORE_START_MAX: Duration = Duration::from_secs(1 << 40);

impl Default for Mono {
    fn default() -> Self {
        Mono::ZERO
    }
}

impl Mono {
    /// The beginning of the monotonic clock.
    pub const ZERO: Mono = Mono(BEFORE_START_MAX);

    /// The point `since_start` after the clock began.
    pub const fn new(since_start: Duration) -> Self {
        Mono(BEFORE_START_MAX.saturating_add(since_start))
    }

    /// A point given in whole milliseconds, for tests and stored records.
    pub const fn from_millis(millis: u64) -> Self {
        Mono::new(Duration::from_millis(millis))
    }

    /// Time since the clock began; zero for a point before.
    pub const fn since_start(self) -> Duration {
        self.0.saturating_sub(BEFORE_START_MAX)
    }

    /// How long ago `earlier` was; zero when it is not earlier.
    pub fn since(self, earlier: Mono) -> Duration {
        self.0.saturating_sub(earlier.0)
    }
}

impl Add<Duration> for Mono {
    type Output = Mono;

    fn add(self, duration: Duration) -> Mono {
        Mono(self.0.saturating_add(duration))
    }
}

impl Sub<Duration> for Mono {
    type Output = Mono;

    fn sub(self, duration: Duration) -> Mono {
        Mono(self.0.saturating_sub(duration))
    }
}

/// As counted from the clock's beginning.
impl fmt::Debug for Mono {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let before = Mono::ZERO.since(*self);
        if before.is_zero() {
            write!(out, "Mono({:?})", self.since_start())
        } else {
            write!(out, "Mono(-{before:?})")
        }
    }
}

impl fmt::Display for Mono {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "+{:.3}s", self.since_start().as_secs_f64())
    }
}

/// One instant on both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    /// The monotonic clock: for every duration.
    pub mono: Mono,
    /// The wall clock, UTC: for people and the record.
    pub wall: Wall,
}

impl Moment {
    /// The same instant shifted to `mono`, with the wall clock carried along at its present offset.
    ///
    /// An event that fell due at `mono` is stamped with this, however late the tick that noticed it.
    pub fn at(self, mono: Mono) -> Moment {
        let wall = if mono >= self.mono {
            self.wall.checked_add(mono.since(self.mono))
        } else {
            self.wall.checked_sub(self.mono.since(mono))
        };
        Moment { mono, wall: wall.unwrap_or(self.wall) }
    }
}

/// Both clocks, handed in from outside to those who touch the world.
pub type Clock = Arc<dyn Fn() -> Moment + Send + Sync>;
