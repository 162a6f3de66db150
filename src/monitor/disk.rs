//! What the record takes on the disk, and how long the room lasts: arithmetic on what was measured.
//!
//! Two rates that are not the same: by how much the record *grows*, which fills the disk, and how much is
//! *written*, which wears a flash card. Nothing is extrapolated from a time too short to tell.

use std::time::Duration;

use crate::moment::{Moment, Wall};

/// Growth is told once so much has been recorded: files have a size before anything lies in them.
const RECORDED_MIN: Duration = Duration::from_secs(3600);
/// What is written a day is told once the daemon has run for so long.
const RUN_MIN: Duration = Duration::from_secs(600);

const DAY_S: f64 = 86_400.0;

/// The record's room, as it was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DiskUse {
    /// When.
    pub at: Moment,
    /// What the journal takes, with its write-ahead log.
    pub journal_bytes: u64,
    /// When its first entry was recorded.
    pub journal_since: Option<Wall>,
    /// What the history takes, with its write-ahead log.
    pub history_bytes: u64,
    /// How much of its file is in use.
    pub history_used_bytes: u64,
    /// Where it stops growing: its oldest samples make room from there on.
    pub history_bytes_max: u64,
    /// The oldest and the newest minute it holds.
    pub samples: Option<(Wall, Wall)>,
    /// How long samples are kept.
    pub keep: Duration,
    /// What is free on the disk; `None` when the operating system does not say.
    pub free_bytes: Option<u64>,
    /// With less than this free, the history grows no more.
    pub free_bytes_min: u64,
    /// What this process has had written since it started, by the kernel's count.
    pub written_bytes: Option<u64>,
}

/// What follows from it. `None` where it cannot be told, or not yet.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Outlook {
    /// By how many bytes the record grows in a day now.
    pub growth_bytes_per_day: Option<f64>,
    /// How many bytes are written in a day.
    pub written_bytes_per_day: Option<f64>,
    /// How far back the samples will reach once the history has its full size.
    pub reaches_back: Option<Duration>,
    /// After what time the disk has no room left for the record to grow.
    pub lasts: Option<Duration>,
}

impl DiskUse {
    /// For how long the daemon had run when this was measured.
    pub fn run(&self) -> Duration {
        self.at.mono.since_start()
    }

    /// What follows from it.
    pub fn outlook(&self) -> Outlook {
        let run = self.run();
        let written = self.written_bytes.filter(|_| run >= RUN_MIN);
        let history = self.samples.and_then(|(oldest, newest)| rate(self.history_used_bytes, oldest, newest));
        let journal = self.journal_since.and_then(|since| rate(self.journal_bytes, since, self.at.wall));
        let reaches_back = history.and_then(|rate| after(float(self.history_bytes_max), rate));
        let grows_for = history.map(|rate| self.history_grows_for(rate));
        let growing = grows_for.map_or(0.0, |left| if left.is_zero() { 0.0 } else { history.unwrap_or(0.0) });
        Outlook {
            growth_bytes_per_day: journal.map(|journal| (journal + growing) * DAY_S),
            written_bytes_per_day: written.map(|bytes| float(bytes) / run.as_secs_f64() * DAY_S),
            reaches_back: reaches_back.map(|reach| reach.min(self.keep)),
            lasts: journal.and_then(|journal| self.lasts(journal, growing, grows_for.unwrap_or_default())),
        }
    }

    /// For how long the history will go on growing by `rate` bytes a second.
    fn history_grows_for(&self, rate: f64) -> Duration {
        let to_size = after(float(self.history_bytes_max.saturating_sub(self.history_used_bytes)), rate);
        let kept = self.samples.and_then(|(oldest, newest)| between(oldest, newest)).unwrap_or_default();
        let to_age = self.keep.saturating_sub(kept);
        to_size.map_or(to_age, |to_size| to_size.min(to_age))
    }

    /// Both grow until the history has its full size; from there on the journal alone.
    fn lasts(&self, journal: f64, history: f64, history_grows_for: Duration) -> Option<Duration> {
        let room = float(self.free_bytes?.saturating_sub(self.free_bytes_min));
        let taken_by_then = (journal + history) * history_grows_for.as_secs_f64();
        if room <= taken_by_then {
            return after(room, journal + history);
        }
        Some(history_grows_for.saturating_add(after(room - taken_by_then, journal)?))
    }
}

/// Bytes a second, when enough time lies between.
fn rate(bytes: u64, from: Wall, to: Wall) -> Option<f64> {
    let over = between(from, to).filter(|over| *over >= RECORDED_MIN)?;
    Some(float(bytes) / over.as_secs_f64())
}

fn between(from: Wall, to: Wall) -> Option<Duration> {
    Duration::try_from(to.duration_since(from)).ok()
}

fn after(bytes: f64, rate: f64) -> Option<Duration> {
    Duration::try_from_secs_f64(bytes / rate).ok()
}

/// Exact to 4 PiB, which no record here takes.
fn float(bytes: u64) -> f64 {
    const TWO_TO_32: f64 = 4_294_967_296.0;
    let [high, low] = [bytes >> 32, bytes & 0xFFFF_FFFF].map(|half| u32::try_from(half).unwrap_or(u32::MAX));
    f64::from(high) * TWO_TO_32 + f64::from(low)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;
    use crate::moment::Mono;

    const DAY: Duration = Duration::from_secs(86_400);
    const MIB: u64 = 1 << 20;

    fn wall(text: &str) -> Wall {
        text.parse().unwrap()
    }

    /// Ten days recorded: 100 MiB of samples and 10 MiB of journal; a day run, 500 MiB written.
    fn ten_days() -> DiskUse {
        DiskUse {
            at: Moment { mono: Mono::new(DAY), wall: wall("2026-03-11T00:00:00Z") },
            journal_bytes: 10 * MIB,
            journal_since: Some(wall("2026-03-01T00:00:00Z")),
            history_bytes: 120 * MIB,
            history_used_bytes: 100 * MIB,
            history_bytes_max: 1_000 * MIB,
            samples: Some((wall("2026-03-01T00:00:00Z"), wall("2026-03-11T00:00:00Z"))),
            keep: 1_000 * DAY,
            free_bytes: Some(2_256 * MIB),
            free_bytes_min: 256 * MIB,
            written_bytes: Some(500 * MIB),
        }
    }

    fn days(duration: Option<Duration>) -> f64 {
        duration.unwrap().as_secs_f64() / DAY_S
    }

    #[track_caller]
    fn near(is: f64, should: f64) {
        assert!((is - should).abs() < should.abs() * 1e-9 + 1e-9, "{is} should be {should}");
    }

    #[test]
    fn the_history_grows_to_its_size_and_the_journal_for_ever() {
        let outlook = ten_days().outlook();
        near(outlook.growth_bytes_per_day.unwrap(), float(11 * MIB));
        near(outlook.written_bytes_per_day.unwrap(), float(500 * MIB));
        near(days(outlook.reaches_back), 100.0);
        // 90 days at 11 MiB take 990 of 2,000 MiB; 1,010 more at 1 MiB a day.
        near(days(outlook.lasts), 90.0 + 1_010.0);
    }

    #[test]
    fn a_disk_that_is_full_before_the_history_has_its_size_is_told_so() {
        let small = DiskUse { free_bytes: Some((256 + 110) * MIB), ..ten_days() };
        near(days(small.outlook().lasts), 10.0);
        let full = DiskUse { free_bytes: Some(200 * MIB), ..ten_days() };
        near(days(full.outlook().lasts), 0.0);
    }

    #[test]
    fn samples_that_reach_their_age_stop_the_growth_as_well() {
        let short = DiskUse { keep: 10 * DAY, ..ten_days() };
        let outlook = short.outlook();
        near(outlook.growth_bytes_per_day.unwrap(), float(MIB));
        near(days(outlook.reaches_back), 10.0);
        near(days(outlook.lasts), 2_000.0);
    }

    #[test]
    fn nothing_is_told_from_a_time_too_short_or_of_what_nobody_measured() {
        let at =
            Moment { mono: Mono::new(RUN_MIN - Duration::from_secs(1)), wall: wall("2026-03-01T00:59:59Z") };
        let young = DiskUse { at, samples: None, ..ten_days() };
        assert_eq!(young.outlook(), Outlook::default());
        let unknown = DiskUse { free_bytes: None, written_bytes: None, ..ten_days() }.outlook();
        assert_eq!((unknown.lasts, unknown.written_bytes_per_day), (None, None));
        let set_back = DiskUse { journal_since: Some(wall("2027-01-01T00:00:00Z")), ..ten_days() }.outlook();
        assert_eq!((set_back.growth_bytes_per_day, set_back.lasts), (None, None));
    }
}
