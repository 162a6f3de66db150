//! One SQLite file of ours: opened, checked, brought up to date, or moved aside.
//!
//! A file that cannot be trusted is never repaired and never deleted: it is renamed with its date,
//! together with its write-ahead log, and a new one is begun. A file of a newer layout or of another
//! program is left exactly as it is. What lies in the file is its owner's business ([`super::journal`],
//! [`super::samples`]).

use std::collections::BTreeMap;
use std::fmt;
use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, ErrorCode, OpenFlags};

use crate::history::OpenError;
use crate::moment::{Moment, Wall};
use crate::monitor::{Detail, Event, EventKind};

/// How long a writer waits for another program that has the file locked.
const BUSY_TIMEOUT: Duration = Duration::from_millis(200);
/// The write-ahead log is cut back to this size when it has been copied into the file.
const WAL_KEPT_BYTES_MAX: i64 = 16 << 20;

/// What sets one kind of file apart.
pub(super) struct Layout {
    /// SQLite's `application_id`, so that the file is known for what it is.
    pub(super) application_id: i64,
    /// The size of its pages, when SQLite's own choice is not the right one.
    pub(super) page_bytes: Option<u32>,
    /// The steps from an empty file to the present layout; `user_version` counts those taken.
    pub(super) migrations: &'static [&'static str],
    /// A cheap look at what lies in the file. An error means that the file is damaged.
    pub(super) check: fn(&Connection) -> Result<(), Flaw>,
}

/// A damaged file that was moved aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Replaced {
    /// Where the damaged file was, and the new one is.
    pub file: PathBuf,
    /// Where the damaged file is now; `None` when there was nothing left of it to move.
    pub moved_to: Option<PathBuf>,
    /// What is wrong with it.
    pub cause: String,
}

impl Replaced {
    /// A file that is gone or empty, although the other one shows that the record began long ago.
    pub(super) fn vanished(file: &Path) -> Self {
        let cause = if file.exists() { "it was empty" } else { "it was not there" };
        let cause = format!("{cause}, although the record had begun");
        Replaced { file: file.to_owned(), moved_to: None, cause }
    }

    /// Whether it was the journal, and not the history.
    pub fn is_journal(&self) -> bool {
        self.file.file_name().is_some_and(|name| name == crate::history::JOURNAL_FILE)
    }

    /// The fact as an event of the journal.
    pub fn event(&self, site_id: &str, at: Moment) -> Event {
        let name = |path: &Path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let mut detail = BTreeMap::from([
            ("file", Detail::Text(name(&self.file))),
            ("cause", Detail::Text(self.cause.clone())),
        ]);
        detail.extend(self.moved_to.as_deref().map(|moved_to| ("moved_to", Detail::Text(name(moved_to)))));
        let subject = site_id.to_owned();
        Event { at, kind: EventKind::DatabaseReplaced, subject, who: None, detail }
    }
}

/// Why a file cannot be used as it is.
#[derive(Debug)]
pub(super) enum Flaw {
    /// Its contents are not what was written.
    Damaged(String),
    /// It has steps of migration that are not known here.
    Newer { found: i64, known: i64 },
    /// It is not ours.
    Foreign,
    /// There is room left on the disk, but it is kept for events.
    NoRoom,
    /// The database could not do its work, which says nothing about the contents.
    Failed(rusqlite::Error),
}

impl fmt::Display for Flaw {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Flaw::Damaged(cause) => write!(out, "damaged: {cause}"),
            Flaw::Newer { found, .. } => write!(out, "written by a newer siskin (layout {found})"),
            Flaw::Foreign => out.write_str("a database of another program"),
            Flaw::NoRoom => out.write_str("the disk is nearly full; what is left is kept for events"),
            Flaw::Failed(error) => write!(out, "{error}"),
        }
    }
}

impl Flaw {
    /// Whether the disk, or the share of it that the file may have, is full.
    pub(super) fn is_full_disk(&self) -> bool {
        matches!(self, Flaw::Failed(error) if error.sqlite_error_code() == Some(ErrorCode::DiskFull))
    }
}

impl From<rusqlite::Error> for Flaw {
    fn from(error: rusqlite::Error) -> Self {
        if speaks_of_damage(&error) { Flaw::Damaged(error.to_string()) } else { Flaw::Failed(error) }
    }
}

/// Whether the error means that the file's contents are wrong, rather than that the disk is.
pub(super) fn speaks_of_damage(error: &rusqlite::Error) -> bool {
    if let rusqlite::Error::SqliteFailure(failure, _) = error {
        // `Unknown` is plain SQLITE_ERROR: a table or column that should be there is not.
        return matches!(
            failure.code,
            ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase | ErrorCode::Unknown
        ) || failure.extended_code == rusqlite::ffi::SQLITE_IOERR_SHORT_READ;
    }
    matches!(
        error,
        rusqlite::Error::SqlInputError { .. }
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::Utf8Error(..)
    )
}

/// One of our files, held by the one thread that writes to it.
pub(super) struct OwnFile {
    path: PathBuf,
    layout: &'static Layout,
    /// `None` after the file was moved aside, until the next write begins a new one.
    db: Option<Connection>,
}

impl OwnFile {
    /// Opens the file, creating it where there is none; a damaged one is moved aside first.
    pub(super) fn open(
        path: &Path,
        layout: &'static Layout,
        now: Wall,
    ) -> Result<(OwnFile, Option<Replaced>), OpenError> {
        let mut file = OwnFile { path: path.to_owned(), layout, db: None };
        let replaced = match file.db() {
            Ok(_) => None,
            Err(Flaw::Damaged(cause)) => {
                Some(file.move_aside(cause, now).map_err(|error| OpenError::io(path, &error))?)
            }
            Err(flaw) => return Err(refusal(path, flaw)),
        };
        file.db().map_err(|flaw| refusal(path, flaw))?;
        Ok((file, replaced))
    }

    /// The open file; one that was moved aside is begun anew.
    pub(super) fn db(&mut self) -> Result<&mut Connection, Flaw> {
        let db = match self.db.take() {
            Some(db) => db,
            None => open(&self.path, self.layout)?,
        };
        Ok(self.db.insert(db))
    }

    /// Moves the damaged file aside; the next use begins a new one.
    pub(super) fn move_aside(&mut self, cause: String, now: Wall) -> io::Result<Replaced> {
        if let Some(db) = self.db.take() {
            close_untouched(&db).map_err(io::Error::other)?;
        }
        let moved_to = move_aside(&self.path, now)?;
        Ok(Replaced { file: self.path.clone(), moved_to: Some(moved_to), cause })
    }
}

/// Opens the file for reading only, beside a daemon that writes to it or without one.
pub(super) fn open_read_only(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    db.busy_timeout(BUSY_TIMEOUT)?;
    let db = match db.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(())) {
        // A reader that may not write beside the file cannot have shared memory there; without a
        // write-ahead log it needs none.
        Err(error) if cannot_open(&error) && length(&beside(path, "-wal")) == 0 => {
            let uri = format!("file:{}?immutable=1", uri_path(path));
            Connection::open_with_flags(uri, flags | OpenFlags::SQLITE_OPEN_URI)?
        }
        Err(error) => return Err(error),
        Ok(()) => db,
    };
    // No plan depends on what is bound to it: or else a statement is planned anew each time.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    Ok(db)
}

/// Which file it is, whatever it is called: its device and its number there.
pub(super) type Identity = (u64, u64);

/// That of the file which has this path now; `None` when there is none to be seen.
pub(super) fn identity(path: &Path) -> Option<Identity> {
    fs::metadata(path).ok().map(|metadata| (metadata.dev(), metadata.ino()))
}

/// Takes away what a closing connection would do to the file: copy the log into it and delete the log.
pub(super) fn close_untouched(db: &Connection) -> rusqlite::Result<()> {
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).map(|_| ())
}

fn open(path: &Path, layout: &Layout) -> Result<Connection, Flaw> {
    if length(path) == 0 && length(&beside(path, "-wal")) > 0 {
        return Err(Flaw::Damaged("the file is gone or empty, its write-ahead log is not".to_owned()));
    }
    let mut db = Connection::open(path)?;
    close_untouched(&db)?;
    db.busy_timeout(BUSY_TIMEOUT)?;
    let version = known_version(&db, layout)?;
    if version > 0 {
        check_length(path, &db)?;
        (layout.check)(&db)?;
    }
    if let (0, Some(page_bytes)) = (version, layout.page_bytes) {
        db.pragma_update(None, "page_size", page_bytes)?;
    }
    // FULL before the switch to WAL, so that the file's first page is on the disk before any log is.
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get::<_, String>(0))?;
    db.pragma_update(None, "journal_size_limit", WAL_KEPT_BYTES_MAX)?;
    migrate(&mut db, layout, version)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
    Ok(db)
}

/// The file's layout, when it is ours and known here; 0 for a new file.
fn known_version(db: &Connection, layout: &Layout) -> Result<i64, Flaw> {
    let id: i64 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    let known = layout.steps();
    match (id, version) {
        (0, 0) if tables == 0 => Ok(0),
        (id, found) if id == layout.application_id && found > known => Err(Flaw::Newer { found, known }),
        (id, 1..) if id == layout.application_id => Ok(version),
        _ => Err(Flaw::Foreign),
    }
}

/// Finds a file that was cut off. With a write-ahead log in use the file may rightly be shorter.
fn check_length(path: &Path, db: &Connection) -> Result<(), Flaw> {
    if length(&beside(path, "-wal")) > 0 {
        return Ok(());
    }
    let pages: u32 = db.pragma_query_value(None, "page_count", |row| row.get(0))?;
    let page_bytes: u32 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    let (is, should) = (length(path), u64::from(pages) * u64::from(page_bytes));
    if is < should {
        return Err(Flaw::Damaged(format!("the file is cut off: {is} bytes of {should}")));
    }
    Ok(())
}

fn migrate(db: &mut Connection, layout: &Layout, version: i64) -> rusqlite::Result<()> {
    let taken = usize::try_from(version).unwrap_or(usize::MAX);
    for (step, sql) in (1_i64..).zip(layout.migrations).skip(taken) {
        let transaction = db.transaction()?;
        transaction.execute_batch(sql)?;
        transaction.pragma_update(None, "application_id", layout.application_id)?;
        transaction.pragma_update(None, "user_version", step)?;
        transaction.commit()?;
    }
    Ok(())
}

impl Layout {
    fn steps(&self) -> i64 {
        i64::try_from(self.migrations.len()).unwrap_or(i64::MAX)
    }
}

pub(super) fn refusal(path: &Path, flaw: Flaw) -> OpenError {
    let path = path.to_owned();
    match flaw {
        Flaw::Newer { found, known } => OpenError::Newer { path, found, known },
        Flaw::Foreign => OpenError::Foreign { path },
        Flaw::Damaged(cause) => OpenError::Disk { path, cause },
        Flaw::NoRoom => OpenError::Disk { path, cause: flaw.to_string() },
        Flaw::Failed(error) => match error.sqlite_error_code() {
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
                OpenError::NotWritable { path, cause: error.to_string() }
            }
            _ => OpenError::Disk { path, cause: error.to_string() },
        },
    }
}

/// Renames the file and its log so that they still belong together, and says to what.
fn move_aside(path: &Path, now: Wall) -> io::Result<PathBuf> {
    let stamp = now.strftime("%Y-%m-%dT%H-%M-%SZ");
    let moved_to = (1..)
        .map(|count| match count {
            1 => beside(path, &format!(".damaged-{stamp}")),
            _ => beside(path, &format!(".damaged-{stamp}.{count}")),
        })
        .find(|free| ["", "-wal", "-shm"].iter().all(|part| !beside(free, part).exists()))
        .unwrap_or_else(|| beside(path, ".damaged"));
    // The file first: should this be cut short, a log without its file is found at the next start.
    for part in ["", "-wal", "-shm"] {
        match fs::rename(beside(path, part), beside(&moved_to, part)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            other => other?,
        }
    }
    sync_directory_of(path)?;
    Ok(moved_to)
}

/// Makes names in the file's directory survive a power cut.
pub(super) fn sync_directory_of(path: &Path) -> io::Result<()> {
    path.parent().map_or(Ok(()), |dir| File::open(dir)?.sync_all())
}

fn cannot_open(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly))
}

pub(super) fn length(path: &Path) -> u64 {
    fs::metadata(path).map_or(0, |metadata| metadata.len())
}

/// The path of a file that belongs to this one.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// The path as SQLite's URI file names have it (https://www.sqlite.org/uri.html, section 3.1).
fn uri_path(path: &Path) -> String {
    path.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23")
}
