//! What the machine that siskin runs on says of its clock and its disk.

use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::moment::Moment;
use crate::monitor::{ClockStatus, DiskUse, Outlook};
use crate::view::{Elapsed, Instant};

/// Whether the times told here can be believed. Nothing of the watch hangs on them: every duration is
/// measured on another clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clock {
    /// Whether something keeps the clock right, such as a time server; `null` when nobody says.
    pub synchronized: Option<bool>,
    /// When it was last stepped since the daemon started, told by the time after the step.
    pub stepped: Option<Instant>,
    /// By how much, in seconds; ahead is positive.
    pub step_s: Option<f64>,
    /// The time of what was recorded last before the start, while the clock has not come past it yet.
    pub behind_record_until: Option<Instant>,
}

/// What the record takes on the disk, and how long the room lasts. Rates are `null` until enough time has
/// passed to tell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Storage {
    /// When this was measured.
    pub time: Instant,
    /// What the journal takes. It is never thinned.
    pub journal_bytes: u64,
    /// What the history takes.
    pub history_bytes: u64,
    /// Where it stops growing: its oldest samples make room from there on.
    pub history_bytes_max: u64,
    /// When its oldest sample was read, to the minute.
    pub oldest_sample: Option<Instant>,
    /// For how long samples are kept.
    pub keep_samples_s: Elapsed,
    /// How far back samples will reach once the history has its full size.
    pub samples_reach_back_s: Option<Elapsed>,
    /// By how much the record grows in a day.
    pub growth_bytes_per_day: Option<f64>,
    /// What is free on the disk; `null` when the operating system does not say.
    pub free_bytes: Option<u64>,
    /// After what time the disk has no room left for the record to grow.
    pub lasts_s: Option<Elapsed>,
    /// What siskin has had written since it started, by the kernel's count; `null` when that is not told.
    pub written_bytes: Option<u64>,
    /// For how long that was counted.
    pub written_over_s: Elapsed,
    /// How much that makes in a day.
    pub written_bytes_per_day: Option<f64>,
}

impl Clock {
    /// What is known of it at `now`.
    pub fn of(clock: ClockStatus, now: Moment) -> Clock {
        let ClockStatus { synchronized, stepped, recorded_until } = clock;
        Clock {
            synchronized,
            stepped: stepped.map(|(at, _)| at.into()),
            step_s: stepped.map(|(_, step)| step.seconds()),
            behind_record_until: recorded_until.filter(|until| *until > now.wall).map(Instant),
        }
    }

    /// Whether a person should hesitate before taking a time told here at its word.
    pub fn is_doubtful(&self) -> bool {
        self.synchronized == Some(false) || self.behind_record_until.is_some()
    }
}

impl From<&DiskUse> for Storage {
    fn from(disk: &DiskUse) -> Storage {
        let Outlook { growth_bytes_per_day, written_bytes_per_day, reaches_back, lasts } = disk.outlook();
        let whole = |bytes: Option<f64>| bytes.map(f64::round);
        // To the second: nobody can tell these more closely.
        let whole_s = |time: Option<Duration>| time.map(|time| Elapsed(Duration::from_secs(time.as_secs())));
        Storage {
            time: disk.at.into(),
            journal_bytes: disk.journal_bytes,
            history_bytes: disk.history_bytes,
            history_bytes_max: disk.history_bytes_max,
            oldest_sample: disk.samples.map(|(oldest, _)| oldest.into()),
            keep_samples_s: Elapsed(disk.keep),
            samples_reach_back_s: whole_s(reaches_back),
            growth_bytes_per_day: whole(growth_bytes_per_day),
            free_bytes: disk.free_bytes,
            lasts_s: whole_s(lasts),
            written_bytes: disk.written_bytes,
            written_over_s: Elapsed(disk.run()),
            written_bytes_per_day: whole(written_bytes_per_day),
        }
    }
}
