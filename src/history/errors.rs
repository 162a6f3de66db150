//! What can stop the record: on opening, on recording, on reading. One line each, path first, and
//! what the person can do.

use std::io;
use std::path::{Path, PathBuf};

/// Why the record cannot be opened. Nothing has been changed when one of these comes back.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The file was written by a later version of this program.
    #[error(
        "{}: written by a newer siskin (layout {found}; this one knows {known}): start that version, \
         or choose another data directory", path.display()
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its layout.
        found: i64,
        /// The latest layout known here.
        known: i64,
    },
    /// The file is a sound database of some other program.
    #[error(
        "{}: a database of another program: move it away, or choose another data directory", path.display()
    )]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// Another daemon records into the same directory.
    #[error(
        "{}: another siskin is recording here: stop it, or choose another data directory", dir.display()
    )]
    InUse {
        /// The data directory.
        dir: PathBuf,
    },
    /// The directory or a file in it cannot be made or written.
    #[error(
        "{}: cannot be written ({cause}): let the daemon's user write there, or choose another data \
         directory", path.display()
    )]
    NotWritable {
        /// The directory or file.
        path: PathBuf,
        /// What the operating system says.
        cause: String,
    },
    /// The disk does not do what it is asked.
    #[error("{}: cannot be opened ({cause}): look at the disk and its free space", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the database or the operating system says.
        cause: String,
    },
}

impl OpenError {
    pub(super) fn io(path: &Path, error: &io::Error) -> Self {
        let (path, cause) = (path.to_owned(), error.to_string());
        let refused = matches!(
            error.kind(),
            io::ErrorKind::PermissionDenied
                | io::ErrorKind::ReadOnlyFilesystem
                | io::ErrorKind::NotADirectory
                | io::ErrorKind::AlreadyExists
        );
        if refused { OpenError::NotWritable { path, cause } } else { OpenError::Disk { path, cause } }
    }
}

/// Why events are not known to be recorded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// The disk has not taken them so far. They stay queued, and are tried again.
    #[error("the journal could not be written so far ({cause}); it is tried again")]
    Waiting {
        /// What the disk says, or that it says nothing.
        cause: String,
    },
    /// So many events wait for the disk that these had to be given up.
    #[error("{queued_max} events wait for the disk already; these were given up")]
    QueueFull {
        /// The limit.
        queued_max: usize,
    },
    /// The recorder has been closed.
    #[error("the recorder is closed")]
    Closed,
}

/// Why the record cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: cannot be read ({cause})", path.display())]
pub struct ReadError {
    /// The file.
    pub path: PathBuf,
    /// What the database says.
    pub cause: String,
}

impl ReadError {
    pub(super) fn new(path: &Path, cause: impl ToString) -> Self {
        ReadError { path: path.to_owned(), cause: cause.to_string() }
    }
}
