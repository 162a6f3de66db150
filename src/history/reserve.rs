//! Room on the disk that is kept for events.
//!
//! Samples stop growing the history while there is still room, and are not written at all when little
//! is left. Should others fill the disk to the last byte all the same, there is a file of zeros to give
//! up: what it held is enough for tens of thousands of events. It is made again once there is room.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use rustix::fs::{FallocateFlags, fallocate};

use crate::history::measure::free_bytes;

/// The reserve's name in the data directory.
pub(super) const RESERVE_FILE: &str = "reserve";

/// With less than this free, the history does not grow any more: its oldest samples make room.
pub(super) const FREE_TO_GROW_BYTES_MIN: u64 = 256 << 20;
/// With less than this free, samples are not written: the rest is for events.
const FREE_FOR_SAMPLES_BYTES_MIN: u64 = 64 << 20;
/// What the reserve holds.
const RESERVE_BYTES: u64 = 8 << 20;

/// How much room the disk has for samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Room {
    /// Enough.
    Ample,
    /// Enough to go on within the size that the history has.
    Short,
    /// Little more than events may need.
    None,
}

/// The reserve in a data directory.
pub(super) struct Reserve {
    dir: PathBuf,
}

impl Reserve {
    /// Of this directory; it is filled when there is room.
    pub(super) fn new(dir: &Path) -> Self {
        Reserve { dir: dir.to_owned() }
    }

    /// The data directory.
    pub(super) fn dir(&self) -> &Path {
        &self.dir
    }

    /// How much room there is. When the operating system does not say, there is enough.
    pub(super) fn room(&self) -> Room {
        match free_bytes(&self.dir) {
            Some(..FREE_FOR_SAMPLES_BYTES_MIN) => Room::None,
            Some(..FREE_TO_GROW_BYTES_MIN) => Room::Short,
            Some(_) | None => Room::Ample,
        }
    }

    /// Makes the reserve if it is not there and there is room for it.
    pub(super) fn fill(&self) {
        let path = self.path();
        if self.room() != Room::None && !path.exists() {
            let filled = File::create(&path).and_then(|file| {
                fallocate(&file, FallocateFlags::empty(), 0, RESERVE_BYTES).map_err(io::Error::from)
            });
            if filled.is_err() {
                // A file system that cannot set room aside, or has just none left: no reserve then.
                self.give_up();
            }
        }
    }

    /// Gives the reserve up; true when that has made room.
    pub(super) fn give_up(&self) -> bool {
        fs::remove_file(self.path()).is_ok()
    }

    fn path(&self) -> PathBuf {
        self.dir.join(RESERVE_FILE)
    }
}
