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
/// Two clocks are read one after the other, and a thread may have to wait between. Read further apart than
/// this, they are read again, in milliseconds.
const APART_MS_MAX: u64 = 2;
/// So often, before the best that was had has to do.
const READINGS_MAX: usize = 5;

/// The system's clocks; the monotonic one begins now.
pub fn system_clock() -> Clock {
    let start = Instant::now();
    let mono = move || u64::try_from(start.elapsed().as_millis()).unwrap_or(u64::MAX);
    in_step(mono, || Wall::now().as_millisecond())
}

/// Two clocks that tell milliseconds, kept in step.
fn in_step(
    mono: impl Fn() -> u64 + Send + Sync + 'static,
    system: impl Fn() -> i64 + Send + Sync + 'static,
) -> Clock {
    let first = Both::read(&mono, &system);
    let offset_ms = AtomicI64::new(first.system_ms.saturating_sub(first.told()));
    Arc::new(move || {
        // What was told is looked up before the clocks are read: a thread that comes late with what it
        // read before a step must not undo what another has followed meanwhile.
        let before = offset_ms.load(Ordering::Relaxed);
        let both = Both::read(&mono, &system);
        let follows = followed(before, &both);
        let kept = offset_ms.compare_exchange(before, follows, Ordering::Relaxed, Ordering::Relaxed);
        let offset = kept.map_or_else(|by_another| by_another, |_| follows);
        let wall = Wall::from_millisecond(offset.saturating_add(both.told())).unwrap_or(Wall::MAX);
        Moment { mono: Mono::new(Duration::from_millis(both.mono_ms)), wall }
    })
}

/// Both clocks, read as nearly at once as could be had.
struct Both {
    mono_ms: u64,
    system_ms: i64,
    /// So much later the wall clock was read, at the most.
    apart_ms: u64,
}

impl Both {
    fn read(mono: impl Fn() -> u64, system: impl Fn() -> i64) -> Both {
        let once = || {
            let mono_ms = mono();
            let system_ms = system();
            Both { mono_ms, system_ms, apart_ms: mono().saturating_sub(mono_ms) }
        };
        let mut best = once();
        for _ in 1..READINGS_MAX {
            if best.apart_ms <= APART_MS_MAX {
                break;
            }
            let again = once();
            if again.apart_ms <= best.apart_ms {
                best = again;
            }
        }
        best
    }

    fn told(&self) -> i64 {
        i64::try_from(self.mono_ms).unwrap_or(i64::MAX)
    }
}

/// What to add to the monotonic clock to tell the wall clock: what it was, unless that is certainly too
/// far off.
fn followed(offset_ms: i64, both: &Both) -> i64 {
    let off_ms = both.system_ms.saturating_sub(offset_ms.saturating_add(both.told()));
    let apart_ms = i64::try_from(both.apart_ms).unwrap_or(i64::MAX);
    let is_off = off_ms > OFF_MS_MAX.saturating_add(apart_ms) || off_ms < -OFF_MS_MAX;
    if is_off { offset_ms.saturating_add(off_ms) } else { offset_ms }
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
    use std::sync::atomic::{AtomicU64, AtomicUsize};

    use super::*;

    #[test]
    fn the_two_clocks_keep_step_until_the_systems_wall_clock_is_too_far_off() {
        let at =
            |offset_ms, mono_ms, system_ms| followed(offset_ms, &Both { mono_ms, system_ms, apart_ms: 0 });
        assert_eq!(at(1_000, 50, 1_050), 1_000);
        assert_eq!(at(1_000, 50, 1_070), 1_000, "slewing below the limit");
        assert_eq!(at(1_000, 50, 1_071), 1_021, "slewing that has added up");
        assert_eq!(at(1_000, 50, 3_601_050), 3_601_000, "a step ahead");
        assert_eq!(at(3_601_000, 60, 1_060), 1_000, "a step back");
    }

    /// Clocks in which time passes only while they are read: at the readings of the wall clock that `waits`
    /// says, a thread has waited so many milliseconds since it read the other one. The wall clock was stepped
    /// by `step_ms` before the third reading.
    fn clocks(waits: impl Fn(usize) -> u64 + Send + Sync + 'static, step_ms: i64) -> Clock {
        let now_ms = Arc::new(AtomicU64::new(0));
        let (mono, readings) = (Arc::clone(&now_ms), AtomicUsize::new(0));
        in_step(
            move || mono.load(Ordering::Relaxed),
            move || {
                let reading = readings.fetch_add(1, Ordering::Relaxed);
                let waited_ms = waits(reading);
                let now_ms = now_ms.fetch_add(waited_ms, Ordering::Relaxed) + waited_ms;
                i64::try_from(now_ms).unwrap() + if reading >= 2 { step_ms } else { 0 }
            },
        )
    }

    #[test]
    fn a_thread_that_has_to_wait_between_the_two_clocks_steps_neither() {
        let apart = |clock: &Clock| {
            let now = clock();
            now.wall.as_millisecond() - i64::try_from(now.mono.since_start().as_millis()).unwrap()
        };
        let once = clocks(|reading| if reading == 1 { 700 } else { 0 }, 0);
        let always = clocks(|reading| if reading == 0 { 0 } else { 700 }, 0);
        let stepped = clocks(|reading| if reading == 0 { 0 } else { 700 }, 3_600_000);
        for _ in 0..3 {
            assert_eq!((apart(&once), apart(&always)), (0, 0));
        }
        assert!((3_600_000..=3_600_700).contains(&apart(&stepped)), "a step is followed all the same");
        let late_at_the_start = clocks(|reading| if reading == 0 { 700 } else { 0 }, 0);
        assert_eq!(apart(&late_at_the_start), 0);
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
