//! Taking over a copied record where there is none yet, so that the journal's chain goes on.
//!
//! The copy is checked against its manifest while it is read, proven, and only then put in place; an event
//! at the end of the chain says that it was taken over. It never writes over a record and merges none. That
//! nobody goes on with the old one as well, no program can see: two would then follow one head.

use std::fs::{self, DirBuilder};
use std::io;
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::Path;
use std::sync::Arc;

use crate::history::backup::{BackupError, DATABASES, Manifest, copy_file, prove, read_manifest};
use crate::history::file::{length, refusal, sync_directory_of};
use crate::history::journal::{JOURNAL_FILE, Journal};
use crate::history::recorder::take_lock;
use crate::history::{Verified, verify};
use crate::moment::Wall;
use crate::monitor::Event;

/// Where a record lies in the data directory until it is whole.
const STAGE: &str = "restoring";

/// Proves the copy in `from`, and puts it in place in the data directory `data`, where there may be no
/// record yet and no daemon; with it those of the files `aside` that are in it. `taken_over` makes the
/// event with which the chain goes on. Returns what the copy says of itself, and the chain as it is now.
///
/// # Errors
/// [`BackupError`]; there is no record in `data` then, as before.
pub fn restore(
    from: &Path,
    data: &Path,
    aside: &[&str],
    now: Wall,
    taken_over: impl FnOnce(&Manifest) -> Event,
) -> Result<(Manifest, Verified), BackupError> {
    let manifest = read_manifest(from)?;
    let owner = fs::metadata(data).map_or(None, |metadata| Some(metadata.uid()));
    if let Some(owner) = owner.filter(|owner| *owner != rustix::process::geteuid().as_raw()) {
        return Err(BackupError::Owner { path: data.to_owned(), owner });
    }
    let _lock = take_lock(data)?;
    let names: Vec<&str> = DATABASES
        .into_iter()
        .chain(aside.iter().copied().filter(|it| manifest.files.contains_key(*it)))
        .collect();
    if let Some(taken) = DATABASES.iter().map(|name| data.join(name)).find(|path| path.exists()) {
        return Err(BackupError::Occupied(taken));
    }
    let stage = data.join(STAGE);
    clear(&stage)?;
    let staged = take_in(from, &stage, &names, &manifest)
        .and_then(|()| append(&stage.join(JOURNAL_FILE), now, taken_over(&manifest)));
    if let Err(error) = staged {
        let _ = clear(&stage); // what is wrong has to be told, not this
        return Err(error);
    }
    for name in names {
        let place = data.join(name);
        fs::rename(stage.join(name), &place).map_err(|error| BackupError::failed(&place, error))?;
    }
    sync_directory_of(&data.join(JOURNAL_FILE)).map_err(|error| BackupError::failed(data, error))?;
    clear(&stage)?;
    let journal = verify(data, Some(&manifest.head)).map_err(|error| BackupError::damaged(data, error))?;
    Ok((manifest, journal))
}

/// Copies these files into `stage`, each byte held to the manifest, and proves the chain.
fn take_in(from: &Path, stage: &Path, names: &[&str], manifest: &Manifest) -> Result<(), BackupError> {
    DirBuilder::new().mode(0o700).create(stage).map_err(|error| BackupError::failed(stage, error))?;
    for name in names {
        let path = from.join(name);
        let should = manifest.files.get(*name);
        let is = copy_file(&path, &stage.join(name))?;
        if should != Some(&is) {
            let should = should.map_or("nothing", |should| &should.sha256);
            let what = format!("its SHA-256 should be {should}, and is {}: take another copy", is.sha256);
            return Err(BackupError::damaged(&path, what));
        }
    }
    let (journal, _) = prove(stage)?;
    if journal.head.hash != manifest.head {
        return Err(BackupError::damaged(
            &from.join(JOURNAL_FILE),
            "its chain ends elsewhere than the copy says",
        ));
    }
    Ok(())
}

/// Takes away what an earlier restore has left behind.
fn clear(stage: &Path) -> Result<(), BackupError> {
    match fs::remove_dir_all(stage) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(BackupError::failed(stage, error)),
        Ok(()) | Err(_) => Ok(()),
    }
}

/// Appends to a journal that is not in place yet, and leaves no log beside it.
fn append(path: &Path, now: Wall, event: Event) -> Result<(), BackupError> {
    let (mut journal, damaged) = Journal::open(path, now)?;
    if let Some(damaged) = damaged {
        return Err(BackupError::damaged(path, damaged.cause));
    }
    journal.append(&[Arc::from([event])]).map_err(|flaw| refusal(path, flaw))?;
    drop(journal);
    let log = path.with_extension("db-wal");
    if length(&log) > 0 { Err(BackupError::failed(&log, "the log was not taken in")) } else { Ok(()) }
}
