//! What can still be read of a damaged file, saved into a new one.
//!
//! The daemon moves a damaged file aside and begins a new one; what the old one held is not thrown away.
//! [`salvage()`] looks at each of its pages for itself (`pages`), puts the rows that make sense into a file of
//! the same name in another directory, where every command reads it, and tells what is missing. The
//! damaged file is only read. Whether entries of the journal are what was recorded, the chain tells;
//! samples are not in it.

mod entries;
pub(super) mod pages;

use std::fs::DirBuilder;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use crate::history::file::{beside, length, refusal};
use crate::history::salvage::pages::{FoundRow, Pages};
use crate::history::{HISTORY_FILE, JOURNAL_FILE, OpenError, ReadError, samples};
use crate::moment::Wall;

/// What was saved of a file.
#[derive(Debug, Clone, PartialEq)]
pub enum Salvaged {
    /// It was a journal.
    Journal(SalvagedJournal),
    /// It was a history.
    Samples(SalvagedSamples),
}

/// What was saved of a journal.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SalvagedJournal {
    /// Pages of the damaged file, and how many of them are not what they should be.
    pub pages: u64,
    /// How many of those could not be read, in whole or in part.
    pub pages_unreadable: u64,
    /// Entries saved.
    pub entries: u64,
    /// Those among them that are proven by the hash before them.
    pub proven: u64,
    /// Entries that were found, and are not what was recorded: their hash does not fit.
    pub left_out: u64,
    /// Runs of entries that were not found, in order.
    pub gaps: Vec<EntryGap>,
}

/// Entries that were not found.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryGap {
    /// The first.
    pub first_seq: u64,
    /// The last.
    pub last_seq: u64,
    /// When the entry before them was recorded; `None` before the first one.
    pub from: Option<Wall>,
    /// When the entry after them was recorded.
    pub to: Wall,
}

/// What was saved of a history.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SalvagedSamples {
    /// Pages of the damaged file.
    pub pages: u64,
    /// How many of those could not be read, in whole or in part.
    pub pages_unreadable: u64,
    /// Rows saved, each a minute of a signal.
    pub rows: u64,
    /// The samples in them.
    pub samples: u64,
    /// The signals they are of.
    pub signals: Vec<String>,
    /// Signals whose name was lost, by the name they have now.
    pub unnamed: Vec<String>,
    /// Rows that were found, and do not fit together.
    pub rows_left_out: u64,
    /// The beginning of the first minute of all.
    pub first: Option<Wall>,
    /// The end of the last minute of all.
    pub last: Option<Wall>,
    /// From when to when nothing was found of a signal that has samples before and after, in order. It
    /// was lost, or was never recorded.
    pub gaps: Vec<Gap>,
    /// There are more gaps than are told.
    pub more_gaps: bool,
}

/// A time of which nothing was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// Since when.
    pub from: Wall,
    /// Until when.
    pub to: Wall,
    /// Of which signals.
    pub signals: Vec<String>,
}

/// Why nothing was saved.
#[derive(Debug, thiserror::Error)]
pub enum SalvageError {
    /// The damaged file cannot be read at all.
    #[error(transparent)]
    Source(#[from] ReadError),
    /// There is a file already where the new one should be.
    #[error("{}: there is one already: choose another directory for what is saved", .0.display())]
    Exists(PathBuf),
    /// The new file cannot be written.
    #[error(transparent)]
    Target(#[from] OpenError),
    /// Not one row of ours is in it.
    #[error("{}: neither samples nor events are to be found in it", .0.display())]
    Nothing(PathBuf),
}

/// Saves what can be read of the damaged file `from` into a new one in the directory `to`, which is made
/// where there is none. Which of our files it was, its rows tell.
pub fn salvage(from: &Path, to: &Path, now: Wall) -> Result<(PathBuf, Salvaged), SalvageError> {
    let unreadable = |error: io::Error| SalvageError::Source(ReadError::new(from, error));
    let pages = Pages::open(from).map_err(unreadable)?;
    let kind = kind_of(&pages).map_err(unreadable)?.ok_or_else(|| SalvageError::Nothing(from.to_owned()))?;
    let target = to.join(match kind {
        Kind::Journal => JOURNAL_FILE,
        Kind::Samples => HISTORY_FILE,
    });
    if ["", "-wal"].iter().any(|part| length(&beside(&target, part)) > 0) {
        return Err(SalvageError::Exists(target));
    }
    let made = DirBuilder::new().recursive(true).mode(0o750).create(to);
    made.map_err(|error| OpenError::io(to, &error))?;
    let salvaged = match kind {
        Kind::Journal => Salvaged::Journal(entries::salvage(&pages, from, &target, now)?),
        Kind::Samples => Salvaged::Samples(samples::salvage::salvage(&pages, from, &target, now)?),
    };
    Ok((target, salvaged))
}

#[derive(Clone, Copy)]
enum Kind {
    Journal,
    Samples,
}

/// What the first row is of that can be told by.
fn kind_of(pages: &Pages) -> io::Result<Option<Kind>> {
    let told = |row: &FoundRow| match () {
        () if entries::is_entry(row) => Some(Kind::Journal),
        () if samples::salvage::is_minute(row) => Some(Kind::Samples),
        () => None,
    };
    let found = pages.rows(|row| told(&row).map_or(Ok(()), |kind| Err(Stop::Found(kind))));
    match found {
        Ok(_) => Ok(None),
        Err(Stop::Found(kind)) => Ok(Some(kind)),
        Err(Stop::Failed(error)) => Err(error),
    }
}

enum Stop {
    Found(Kind),
    Failed(io::Error),
}

impl From<io::Error> for Stop {
    fn from(error: io::Error) -> Self {
        Stop::Failed(error)
    }
}

/// What failed while rows were carried over.
pub(super) enum Failed {
    Source(io::Error),
    Target(rusqlite::Error),
}

impl From<io::Error> for Failed {
    fn from(error: io::Error) -> Self {
        Failed::Source(error)
    }
}

impl From<rusqlite::Error> for Failed {
    fn from(error: rusqlite::Error) -> Self {
        Failed::Target(error)
    }
}

impl Failed {
    pub(super) fn told(self, from: &Path, to: &Path) -> SalvageError {
        match self {
            Failed::Source(error) => SalvageError::Source(ReadError::new(from, error)),
            Failed::Target(error) => SalvageError::Target(refusal(to, error.into())),
        }
    }
}
