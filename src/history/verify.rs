//! Proving the journal: every hash recomputed from the first entry on.
//!
//! What is proven is that nothing between the first entry and the last was changed, removed or put
//! in. That entries were cut off the *end* shows only against a head that was noted elsewhere.

use std::io;
use std::path::Path;

use rusqlite::{Connection, Row};

use crate::history::chain::{Head, link, parse_entry};
use crate::history::file::{self, speaks_of_damage};
use crate::history::journal::JOURNAL_FILE;
use crate::history::{ReadError, seq_of_row};

/// So many entries are read before they are handed out.
const READ_MAX: u16 = 256;

/// A journal whose chain is whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verified {
    /// How many entries were checked: all of them.
    pub entries: u64,
    /// The end of the chain.
    pub head: Head,
}

/// What can come of proving a journal, other than that it is whole.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VerifyError {
    /// The chain is broken.
    #[error("entry {seq}: {what}")]
    Broken {
        /// The first entry that is not what was recorded.
        seq: u64,
        /// What is wrong with it.
        what: String,
    },
    /// The journal cannot be read at all.
    #[error(transparent)]
    Unreadable(#[from] ReadError),
}

/// Recomputes the hash chain of the journal in `dir`, while a daemon writes to it or not. With
/// `noted_head`, a hash noted earlier, it also proves that the chain still runs through that entry.
pub fn verify(dir: &Path, noted_head: Option<&str>) -> Result<Verified, VerifyError> {
    verify_file(&dir.join(JOURNAL_FILE), noted_head)
}

/// The same of a journal by its path: one that was moved aside, or is a copy.
pub fn verify_file(path: &Path, noted_head: Option<&str>) -> Result<Verified, VerifyError> {
    each(path, noted_head, &mut |_, _| Ok(())).map_err(|stopped| match stopped {
        Stopped::Not(error) => error,
        // Nothing was handed out that could have been refused.
        Stopped::ByTaker(cause) => ReadError::new(path, cause).into(),
    })
}

/// The same, and hands out every entry that has been found whole, in order: its text as it was hashed,
/// and its hash. It stops when one is not taken.
pub fn verify_each(
    dir: &Path,
    noted_head: Option<&str>,
    take: &mut dyn FnMut(&str, &str) -> io::Result<()>,
) -> Result<Verified, Stopped> {
    each(&dir.join(JOURNAL_FILE), noted_head, take)
}

fn each(
    path: &Path,
    noted_head: Option<&str>,
    take: &mut dyn FnMut(&str, &str) -> io::Result<()>,
) -> Result<Verified, Stopped> {
    let unreadable = |error: rusqlite::Error| VerifyError::from(ReadError::new(path, error));
    let db = file::open_read_only(path).map_err(unreadable)?;
    let mut walk = Walk::new(noted_head, take);
    let next = |walk: &Walk<'_>| walk.head.seq + 1;
    let ended = match walk.over(&db) {
        Ok(()) => walk.outcome(),
        Err(Stop::NotTaken(error)) => return Err(Stopped::ByTaker(error)),
        Err(Stop::Broken(what)) => Err(VerifyError::Broken { seq: next(&walk), what }),
        Err(Stop::Failed(error)) if walk.head.seq > 0 && speaks_of_damage(&error) => {
            Err(VerifyError::Broken { seq: next(&walk), what: format!("the file is damaged: {error}") })
        }
        Err(Stop::Failed(error)) => Err(unreadable(error)),
    };
    Ok(ended?)
}

/// Why a journal was not handed out to its end.
#[derive(Debug, thiserror::Error)]
pub enum Stopped {
    /// It is not whole, or cannot be read.
    #[error(transparent)]
    Not(#[from] VerifyError),
    /// An entry was not taken.
    #[error(transparent)]
    ByTaker(io::Error),
}

/// How far the chain has been found whole.
struct Walk<'a> {
    head: Head,
    noted_head: Option<&'a str>,
    noted_head_seen: bool,
    take: &'a mut dyn FnMut(&str, &str) -> io::Result<()>,
}

enum Stop {
    Broken(String),
    NotTaken(io::Error),
    Failed(rusqlite::Error),
}

impl From<rusqlite::Error> for Stop {
    fn from(error: rusqlite::Error) -> Self {
        Stop::Failed(error)
    }
}

impl<'a> Walk<'a> {
    fn new(noted_head: Option<&'a str>, take: &'a mut dyn FnMut(&str, &str) -> io::Result<()>) -> Self {
        let head = Head::default();
        let noted_head_seen = noted_head == Some(&head.hash);
        Walk { head, noted_head, noted_head_seen, take }
    }

    /// Entries are handed out between two reads: however long one takes to be taken, it does not keep the
    /// daemon from clearing its write-ahead log.
    fn over(&mut self, db: &Connection) -> Result<(), Stop> {
        let mut from = i64::MIN;
        loop {
            let read = Stored::some_from(from, db)?;
            let is_last = read.len() < usize::from(READ_MAX);
            for stored in read {
                let stored = stored?;
                self.step(&stored)?;
                from = stored.seq.saturating_add(1);
            }
            if is_last {
                return Ok(());
            }
        }
    }

    fn step(&mut self, stored: &Stored) -> Result<(), Stop> {
        let expected = self.head.seq + 1;
        let seq = seq_of_row(stored.seq);
        if seq != expected {
            return Err(Stop::Broken(format!("is missing; the next entry is {seq}")));
        }
        let no_text = |what: &str| Stop::Broken(format!("its {what} is not text"));
        let text = stored.text.as_deref().ok_or_else(|| no_text("text"))?;
        let hash = stored.hash.as_deref().ok_or_else(|| no_text("hash"))?;
        let computed = link(&self.head.hash, text);
        if computed != hash {
            return Err(Stop::Broken(format!("its hash should be {computed}, and is {hash}")));
        }
        let entry = parse_entry(text, computed).map_err(Stop::Broken)?;
        if entry.seq != seq {
            return Err(Stop::Broken(format!("its text was recorded as entry {}", entry.seq)));
        }
        (self.take)(text, hash).map_err(Stop::NotTaken)?;
        self.noted_head_seen |= self.noted_head.is_some_and(|noted| noted.eq_ignore_ascii_case(&entry.hash));
        self.head = Head { seq, hash: entry.hash };
        Ok(())
    }

    fn outcome(&self) -> Result<Verified, VerifyError> {
        match self.noted_head {
            Some(noted) if !self.noted_head_seen => Err(VerifyError::Broken {
                seq: self.head.seq + 1,
                what: format!(
                    "the chain ends before {noted} has come by: its end was cut off, or this is another journal"
                ),
            }),
            _ => Ok(Verified { entries: self.head.seq, head: self.head.clone() }),
        }
    }
}

/// An entry as it lies in the file; what is not text is `None`.
struct Stored {
    seq: i64,
    text: Option<String>,
    hash: Option<String>,
}

impl Stored {
    /// At most [`READ_MAX`] entries from a number on. What cannot be read is the last of them.
    fn some_from(from: i64, db: &Connection) -> rusqlite::Result<Vec<rusqlite::Result<Stored>>> {
        let mut select =
            db.prepare_cached("SELECT seq, text, hash FROM event WHERE seq >= ?1 ORDER BY seq LIMIT ?2")?;
        let mut rows = select.query((from, READ_MAX))?;
        let mut read = Vec::new();
        while let Some(stored) = rows.next().and_then(|row| row.map(Stored::of).transpose()).transpose() {
            let is_unreadable = stored.is_err();
            read.push(stored);
            if is_unreadable {
                break;
            }
        }
        Ok(read)
    }

    fn of(row: &Row<'_>) -> rusqlite::Result<Stored> {
        let words = |column| row.get_ref(column).map(|stored| stored.as_str().ok().map(str::to_owned));
        Ok(Stored { seq: row.get(0)?, text: words(1)?, hash: words(2)? })
    }
}
