//! What the record takes on the disk: measured beside the writing, once a minute.
//!
//! What follows from the figures is [`crate::monitor::DiskUse`]'s business.

use std::path::Path;

use rustix::fs::statvfs;

use crate::history::file::{beside, length};
use crate::history::journal::JOURNAL_FILE;
use crate::history::reserve::FREE_TO_GROW_BYTES_MIN;
use crate::history::samples::{Extent, HISTORY_FILE};
use crate::moment::{Moment, Wall};
use crate::monitor::DiskUse;

/// What the kernel has counted for this process (`proc_pid_io(5)`): `write_bytes`, what it had sent to the
/// storage layer. What the file system and a flash card write on their own account is not in it.
const OWN_COUNTS: &str = "/proc/self/io";

/// Measures the record in the data directory `dir`.
pub(super) fn measure(dir: &Path, extent: Extent, journal_since: Option<Wall>, at: Moment) -> DiskUse {
    DiskUse {
        at,
        journal_bytes: with_log(&dir.join(JOURNAL_FILE)),
        journal_since,
        history_bytes: with_log(&dir.join(HISTORY_FILE)),
        history_used_bytes: extent.used_bytes,
        history_bytes_max: extent.bytes_max,
        samples: extent.minutes,
        keep: extent.keep,
        free_bytes: free_bytes(dir),
        free_bytes_min: FREE_TO_GROW_BYTES_MIN,
        written_bytes: std::fs::read_to_string(OWN_COUNTS).ok().and_then(|counts| written_bytes(&counts)),
    }
}

/// What is free for us on the disk that holds `dir`; `None` when the operating system does not say.
pub(super) fn free_bytes(dir: &Path) -> Option<u64> {
    let disk = statvfs(dir).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

/// A database with its write-ahead log.
fn with_log(path: &Path) -> u64 {
    length(path) + length(&beside(path, "-wal"))
}

fn written_bytes(counts: &str) -> Option<u64> {
    counts.lines().find_map(|line| line.strip_prefix("write_bytes: "))?.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_kernel_counted_as_written_is_found_among_its_counts() {
        let counts = "rchar: 1\nwchar: 22\nsyscr: 3\nread_bytes: 4\nwrite_bytes: 323932160\ncancelled_write_bytes: 0\n";
        assert_eq!(written_bytes(counts), Some(323_932_160));
        assert_eq!(written_bytes("wchar: 22\n"), None);
    }
}
