//! Waiting to the tenth of a millisecond.
//!
//! The runtime's timer knows whole milliseconds, and at 115200 baud the silent interval is 1.75 of
//! them: rounding up loses a fifth of the wire, rounding down breaks the gap and the devices fall
//! silent. A line has its thread to itself, so it may sleep on the thread, and spin for the rest.

use std::num::NonZeroU64;
use std::time::Duration;

use tokio::time::{Instant, sleep_until};

/// Longer waits are left to the runtime, all but this much at their end: while the thread sleeps,
/// a stop is not noticed.
const ON_THREAD_MAX: Duration = Duration::from_millis(20);
/// The runtime's timer may be late by this much.
pub(super) const RUNTIME_LATENESS: Duration = Duration::from_millis(3);
/// The system may wake a sleeping thread later by this much.
const WAKING: Duration = Duration::from_micros(100);

/// How to wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pause {
    /// On the thread: exact. Nothing else may live on this thread's runtime.
    Exact,
    /// On the runtime's timer, for time that is not real.
    Runtime,
}

impl Pause {
    /// Readies this thread for waiting: where it is to be exact, the system is asked not to gather its
    /// timers with others' (`man 2 PR_SET_TIMERSLACK`, 50 µs otherwise). Where it refuses, the thread
    /// is woken a little later, and spins a little less.
    pub fn ready_thread(self) {
        if self == Pause::Exact {
            let _ = rustix::thread::set_current_timer_slack(NonZeroU64::new(1));
        }
    }

    /// Waits until `at`, and lets the runtime look at the port.
    pub async fn until(self, at: Instant) {
        match self {
            Pause::Exact => exactly_until(at).await,
            Pause::Runtime => sleep_until(at).await,
        }
        tokio::task::yield_now().await;
    }
}

async fn exactly_until(at: Instant) {
    if at.saturating_duration_since(Instant::now()) > ON_THREAD_MAX
        && let Some(before) = at.checked_sub(RUNTIME_LATENESS)
    {
        sleep_until(before).await;
    }
    std::thread::sleep(at.saturating_duration_since(Instant::now()).saturating_sub(WAKING));
    while Instant::now() < at {
        std::hint::spin_loop();
    }
}
