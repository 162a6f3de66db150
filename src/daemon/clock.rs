//! The one place that reads the clocks, and asks whether the wall clock can be believed.
//!
//! Both are told in whole milliseconds, and in step: between two moments as much time passes on the
//! wall clock as on the monotonic one, unless the system's wall clock was stepped, or its slewing has
//! added up. So what is recorded by the wall clock can be replayed with exactly the durations that
//! were lived through.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use crate::moment::{Clock, Moment, Mono, Wall};

/// How far the wall clock we tell may be off the system's before it follows, in milliseconds.
const OFF_MS_MAX: i64 = 20;

/// The system's clocks; the monotonic one begins now.
pub fn system_clock() -> Clock {
    let start = Instant::now();
    let offset_ms = AtomicI64::new(Wall::now().as_millisecond());
    Arc::new(move || {
        let mono_ms = u64::try_from(start.elapsed().as_millis()).unwrap_or(u64::MAX);
        let told = i64::try_from(mono_ms).unwrap_or(i64::MAX);
        let system_ms = Wall::now().as_millisecond();
        let offset = followed(offset_ms.load(Ordering::Relaxed), told, system_ms);
        offset_ms.store(offset, Ordering::Relaxed);
        let wall = Wall::from_millisecond(offset.saturating_add(told)).unwrap_or(Wall::MAX);
        Moment { mono: Mono::new(Duration::from_millis(mono_ms)), wall }
    })
}

/// What to add to the monotonic clock to tell the wall clock: what it was, unless that is too far off.
fn followed(offset_ms: i64, mono_ms: i64, system_ms: i64) -> i64 {
    let off_ms = system_ms.saturating_sub(offset_ms.saturating_add(mono_ms));
    if off_ms.abs() > OFF_MS_MAX { offset_ms.saturating_add(off_ms) } else { offset_ms }
}

/// Where systemd's time service says that it has set the clock since the boot (`systemd-timesyncd.service(8)`),
/// and the directory that is there while it runs.
const TIME_SERVICE_SAYS: [&str; 2] = ["/run/systemd/timesync/synchronized", "/run/systemd/timesync"];

/// Whether something keeps the wall clock right; `None` when nobody says. The kernel knows, whichever program
/// does it; where the daemon may not ask the kernel, systemd's time service is asked.
pub(super) fn synchronized() -> Option<bool> {
    by_the_kernel().or_else(|| by_the_time_service(TIME_SERVICE_SAYS.map(Path::new)))
}

/// `STA_UNSYNC` of `adjtimex(2)`: set until a program has said how far off the clock may be, and again
/// when that has grown beyond 16 s.
#[expect(unsafe_code, reason = "the only way to the kernel's word on the clock is a bare system call")]
fn by_the_kernel() -> Option<bool> {
    // SAFETY: all zeros are a valid `timex`, which asks for nothing to be changed (`modes` is 0); the kernel
    // writes within it, and it outlives the call.
    let (state, status) = unsafe {
        let mut told: libc::timex = std::mem::zeroed();
        (libc::adjtimex(&raw mut told), told.status)
    };
    (state >= 0).then_some(status & libc::STA_UNSYNC == 0)
}

fn by_the_time_service([said, runs]: [&Path; 2]) -> Option<bool> {
    if said.exists() { Some(true) } else { runs.exists().then_some(false) }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;

    #[test]
    fn the_two_clocks_keep_step_until_the_systems_wall_clock_is_too_far_off() {
        assert_eq!(followed(1_000, 50, 1_050), 1_000);
        assert_eq!(followed(1_000, 50, 1_070), 1_000, "slewing below the limit");
        assert_eq!(followed(1_000, 50, 1_071), 1_021, "slewing that has added up");
        assert_eq!(followed(1_000, 50, 3_601_050), 3_601_000, "a step ahead");
        assert_eq!(followed(3_601_000, 60, 1_060), 1_000, "a step back");
    }

    #[test]
    fn what_systemds_time_service_says_is_understood_and_silence_is_not_taken_for_a_no() {
        let dir = tempfile::tempdir().unwrap();
        let (runs, said) = (dir.path().join("timesync"), dir.path().join("timesync/synchronized"));
        let told = || by_the_time_service([&said, &runs]);
        assert_eq!(told(), None);
        std::fs::create_dir(&runs).unwrap();
        assert_eq!(told(), Some(false));
        std::fs::write(&said, "").unwrap();
        assert_eq!(told(), Some(true));
    }

    #[test]
    fn the_system_clock_tells_now_in_whole_milliseconds() {
        let before_ms = Wall::now().as_millisecond();
        let now = system_clock()();
        let after_ms = Wall::now().as_millisecond();
        assert!((before_ms..=after_ms).contains(&now.wall.as_millisecond()));
        assert_eq!(now.wall.as_nanosecond() % 1_000_000, 0);
    }
}
