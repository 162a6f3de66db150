//! A copy of the record, made while a daemon writes or not, and proven.
//!
//! What is copied is what SQLite shows to a reader at one moment (`VACUUM INTO`,
//! <https://www.sqlite.org/lang_vacuum.html>), so no write is ever half in it. Last of all comes
//! [`MANIFEST_FILE`], which says what the copy is and gives the SHA-256 of every file: a directory without
//! it is no finished copy. Nothing is written over. How a copy is taken over is [`super::restore()`]'s
//! business.

use std::collections::BTreeMap;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::history::chain::{hex, parse_entry};
use crate::history::file::{length, open_read_only, speaks_of_damage, sync_directory_of};
use crate::history::journal::JOURNAL_FILE;
use crate::history::samples::HISTORY_FILE;
use crate::history::{OpenError, Stopped, Verified, VerifyError, verify_each};
use crate::moment::Wall;
use crate::monitor::EventKind;

/// What a copy says of itself: the name of the file in it.
pub const MANIFEST_FILE: &str = "backup.json";

/// The databases. The history first: whatever happened up to its last sample is then in the journal too.
pub(super) const DATABASES: [&str; 2] = [HISTORY_FILE, JOURNAL_FILE];

/// The longest manifest that is read: that of some thousand files.
const MANIFEST_BYTES_MAX: u64 = 1 << 20;

/// What a copy is of, and what lies in it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// When it was made: RFC 3339, UTC.
    pub made: String,
    /// The machine on which it was made, by its host name.
    pub host: String,
    /// The version that made it.
    pub version: String,
    /// The id of the site that was recorded last.
    pub site: String,
    /// How many entries the journal has.
    pub entries: u64,
    /// The hash of the last of them.
    pub head: String,
    /// Every file beside this one, by its path within the copy.
    pub files: BTreeMap<String, Content>,
}

/// What a file holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Content {
    /// Its length.
    pub bytes: u64,
    /// Its SHA-256, as `sha256sum` prints it.
    pub sha256: String,
}

impl Manifest {
    /// What all files take, in bytes.
    pub fn bytes(&self) -> u64 {
        self.files.values().map(|content| content.bytes).sum()
    }
}

/// A file that goes with the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Its path within the copy.
    pub name: String,
    /// Where it is. It may be gone by then; it is left out then.
    pub path: PathBuf,
}

/// Why a record is not copied or restored.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// Something is there already, and nothing is ever written over.
    #[error(
        "{}: something is here already, and nothing is ever written over: name another place, or move this \
         away first", .0.display()
    )]
    Occupied(PathBuf),
    /// There is no record in a data directory, or no copy where one was to be.
    #[error("{}: is not there: {advice}", path.display())]
    Missing {
        /// The file.
        path: PathBuf,
        /// What the person can do.
        advice: &'static str,
    },
    /// What was copied is not what was recorded.
    #[error("{}: damaged: {what}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Where, and what is wrong.
        what: String,
    },
    /// A file cannot be read or written.
    #[error("{}: {cause}", path.display())]
    Failed {
        /// The file or directory.
        path: PathBuf,
        /// What the database or the operating system says.
        cause: String,
    },
    /// The data directory is in use, or cannot be written.
    #[error(transparent)]
    Place(#[from] OpenError),
    /// The data directory belongs to another user, who could not open what is put there.
    #[error(
        "{}: belongs to the user with the number {owner}, who has to do this: \
         `runuser -u siskin -- siskin restore …`", path.display()
    )]
    Owner {
        /// The data directory.
        path: PathBuf,
        /// Whose it is.
        owner: u32,
    },
}

impl BackupError {
    pub(super) fn failed(path: &Path, cause: impl ToString) -> Self {
        BackupError::Failed { path: path.to_owned(), cause: cause.to_string() }
    }

    pub(super) fn damaged(path: &Path, what: impl ToString) -> Self {
        BackupError::Damaged { path: path.to_owned(), what: what.to_string() }
    }

    fn sql(path: &Path, error: &rusqlite::Error) -> Self {
        if speaks_of_damage(error) { Self::damaged(path, error) } else { Self::failed(path, error) }
    }
}

/// Copies the record in `data`, beside a daemon that writes to it or without one, and the files `aside`
/// into the directory `to`, which is made (mode 0700) where it is not there; then proves the copy.
/// `made` is the time, and `host` the name of this machine.
///
/// # Errors
/// [`BackupError`]. What has been copied by then stays, without a manifest.
pub fn back_up(
    data: &Path,
    to: &Path,
    aside: &[Aside],
    made: Wall,
    host: &str,
) -> Result<Manifest, BackupError> {
    if let Some(path) = DATABASES.iter().map(|name| data.join(name)).find(|path| length(path) == 0) {
        return Err(BackupError::Missing { path, advice: "there is no record here to copy (see --data)" });
    }
    make_empty(to)?;
    let mut files = BTreeMap::new();
    for name in DATABASES {
        copy_database(&data.join(name), &to.join(name))?;
        let content = content(&to.join(name)).map_err(|error| BackupError::failed(&to.join(name), error))?;
        files.insert(name.to_owned(), content);
    }
    for file in aside.iter().filter(|file| file.path.exists()) {
        files.insert(file.name.clone(), copy_file(&file.path, &to.join(&file.name))?);
    }
    let (journal, site) = prove(to)?;
    let manifest = Manifest {
        made: format!("{made:.3}"),
        host: host.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        site,
        entries: journal.entries,
        head: journal.head.hash,
        files,
    };
    write_manifest(to, &manifest).map_err(|error| BackupError::failed(&to.join(MANIFEST_FILE), error))?;
    Ok(manifest)
}

/// What the copy in `dir` says of itself.
pub(super) fn read_manifest(dir: &Path) -> Result<Manifest, BackupError> {
    let path = dir.join(MANIFEST_FILE);
    let mut text = Vec::new();
    match File::open(&path).and_then(|file| file.take(MANIFEST_BYTES_MAX).read_to_end(&mut text)) {
        Ok(_) => serde_json::from_slice(&text).map_err(|error| BackupError::damaged(&path, error)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Err(BackupError::Missing {
            path,
            advice: "name a directory that `siskin backup` has filled; without this file a copy is not finished",
        }),
        Err(error) => Err(BackupError::failed(&path, error)),
    }
}

/// Recomputes the chain of a copy's journal; tells its end, and the site that was recorded last.
pub(super) fn prove(dir: &Path) -> Result<(Verified, String), BackupError> {
    let path = dir.join(JOURNAL_FILE);
    let mut site = None;
    let take = &mut |text: &str, _: &str| {
        if let Ok(entry) = parse_entry(text, String::new())
            && entry.kind == EventKind::Started.word()
        {
            site = Some(entry.subject);
        }
        Ok(())
    };
    let verified = verify_each(dir, None, take).map_err(|stopped| match stopped {
        Stopped::Not(error @ VerifyError::Broken { .. }) => BackupError::damaged(&path, error),
        Stopped::Not(VerifyError::Unreadable(error)) => BackupError::damaged(&error.path, &error.cause),
        Stopped::ByTaker(error) => BackupError::failed(&path, error),
    })?;
    let site = site.ok_or_else(|| BackupError::damaged(&path, "no daemon has ever recorded here"))?;
    Ok((verified, site))
}

/// Copies a file, which must not be there yet, and has it on the disk. Tells what was written.
pub(super) fn copy_file(from: &Path, to: &Path) -> Result<Content, BackupError> {
    let unwritable = |error: io::Error| BackupError::failed(to, error);
    let mut source = File::open(from).map_err(|error| BackupError::failed(from, error))?;
    if let Some(dir) = to.parent() {
        DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(unwritable)?;
    }
    let mut copy =
        OpenOptions::new().write(true).create_new(true).mode(0o600).open(to).map_err(unwritable)?;
    let content = pass_on(&mut source, &mut copy).map_err(unwritable)?;
    copy.sync_all().and_then(|()| sync_directory_of(to)).map_err(unwritable)?;
    Ok(content)
}

/// What a file holds now.
pub fn content(path: &Path) -> io::Result<Content> {
    pass_on(&mut File::open(path)?, &mut io::sink())
}

fn pass_on(from: &mut impl Read, to: &mut impl Write) -> io::Result<Content> {
    let (mut hash, mut bytes, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 16]);
    loop {
        let count = from.read(&mut buffer)?;
        if count == 0 {
            return Ok(Content { bytes, sha256: hex(&hash.finalize()) });
        }
        hash.update(&buffer[..count]);
        to.write_all(&buffer[..count])?;
        bytes += u64::try_from(count).unwrap_or(u64::MAX);
    }
}

fn make_empty(to: &Path) -> Result<(), BackupError> {
    let failed = |error: io::Error| BackupError::failed(to, error);
    DirBuilder::new().recursive(true).mode(0o700).create(to).map_err(failed)?;
    match fs::read_dir(to).map_err(failed)?.next() {
        None => Ok(()),
        Some(_) => Err(BackupError::Occupied(to.to_owned())),
    }
}

fn copy_database(from: &Path, to: &Path) -> Result<(), BackupError> {
    let name = to.to_str().ok_or_else(|| BackupError::failed(to, "the name is not UTF-8"))?;
    let db = open_read_only(from).map_err(|error| BackupError::sql(from, &error))?;
    db.execute("VACUUM INTO ?1", [name]).map_err(|error| BackupError::sql(from, &error))?;
    // SQLite leaves it to the caller to have the copy on the disk.
    let on_disk = File::open(to).and_then(|copy| {
        copy.set_permissions(fs::Permissions::from_mode(0o600))?;
        copy.sync_all()?;
        sync_directory_of(to)
    });
    on_disk.map_err(|error| BackupError::failed(to, error))?;
    let looked = open_read_only(to)
        .and_then(|copy| copy.query_row("PRAGMA quick_check(1)", [], |row| row.get::<_, String>(0)));
    match looked {
        Ok(told) if told == "ok" => Ok(()),
        Ok(told) => Err(BackupError::damaged(to, told)),
        Err(error) => Err(BackupError::sql(to, &error)),
    }
}

fn write_manifest(to: &Path, manifest: &Manifest) -> io::Result<()> {
    let path = to.join(MANIFEST_FILE);
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path)?;
    file.write_all(&serde_json::to_vec_pretty(manifest)?)?;
    file.write_all(b"\n")?;
    file.sync_all()?;
    sync_directory_of(&path)
}
