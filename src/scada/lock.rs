//! The file that keeps the numbers of the SCADA map: `scada-map.lock`, beside the site file, since
//! it belongs to the site and not to the box: whoever copies a site to a new box copies both.
//!
//! It is replaced as a whole, so that a power cut leaves the old one or the new one.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::monitor::Snapshot;
use crate::scada::Numbers;
use crate::scada::numbers::NumbersError;

/// The file's name.
pub const LOCK_FILE: &str = "scada-map.lock";

/// The longest lock file, in bytes: all numbers there are, with the longest ids, take less.
const LOCK_BYTES_MAX: u64 = 4 << 20;

/// The numbers of a site, and what became of the file.
#[derive(Debug)]
pub struct Opened {
    /// The numbers.
    pub numbers: Numbers,
    /// Where they are kept.
    pub path: PathBuf,
    /// How many were given just now.
    pub given: usize,
}

/// Why there are no numbers.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// The file cannot be read or written.
    #[error("cannot {operation} {path}: {source}: {advice}")]
    Io {
        /// What was tried.
        operation: &'static str,
        /// The file.
        path: PathBuf,
        /// What the operating system said.
        source: io::Error,
        /// What the person can do.
        advice: &'static str,
    },
    /// What it holds is no use.
    #[error("{path}: {source}: restore it from a copy; without it every address may move")]
    Content {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        source: NumbersError,
    },
}

impl LockError {
    /// Whether the file was there, and is wrong.
    pub fn is_content(&self) -> bool {
        matches!(self, LockError::Content { .. })
    }
}

/// The numbers of the site whose site file is `site_file`. What has none yet is given one, and the
/// file is written anew.
///
/// # Errors
/// When the file is wrong, or cannot be read or written: a number that is not kept must not be told.
pub fn open(site_file: &Path, snapshot: &Snapshot) -> Result<Opened, LockError> {
    let Opened { mut numbers, path, .. } = read(site_file)?;
    let given =
        numbers.complete(snapshot).map_err(|source| LockError::Content { path: path.clone(), source })?;
    if given > 0 {
        replace(&path, &numbers.to_text()).map_err(|source| LockError::Io {
            operation: "write",
            path: path.clone(),
            source,
            advice: "run `siskin map` once as somebody who may write beside the site file",
        })?;
    }
    Ok(Opened { numbers, path, given })
}

/// The numbers that have been given so far; none when there is no file.
///
/// # Errors
/// When the file is wrong or cannot be read.
pub fn read(site_file: &Path) -> Result<Opened, LockError> {
    let path = site_file.with_file_name(LOCK_FILE);
    let numbers = match text(&path) {
        Ok(text) => {
            Numbers::parse(&text).map_err(|source| LockError::Content { path: path.clone(), source })?
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => Numbers::default(),
        Err(source) => {
            let advice = "it keeps the addresses of the SCADA map: make it readable";
            return Err(LockError::Io { operation: "read", path, source, advice });
        }
    };
    Ok(Opened { numbers, path, given: 0 })
}

fn text(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    File::open(path)?.take(LOCK_BYTES_MAX).read_to_string(&mut text)?;
    Ok(text)
}

fn replace(path: &Path, text: &str) -> io::Result<()> {
    let new = path.with_extension("lock.new");
    let mut file = File::create(&new)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&new, path)?;
    let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    File::open(directory.unwrap_or(Path::new(".")))?.sync_all()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::view::story::story;

    #[test]
    fn the_file_is_made_once_and_then_only_read() {
        let dir = tempfile::tempdir().unwrap();
        let site_file = dir.path().join("site.toml");
        let first = open(&site_file, &story()).unwrap();
        assert_eq!(first.given, 17);
        let written = std::fs::read_to_string(&first.path).unwrap();
        let again = open(&site_file, &story()).unwrap();
        assert_eq!((again.numbers, again.given), (first.numbers, 0));
        assert_eq!(std::fs::read_to_string(&first.path).unwrap(), written);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "nothing is left beside it");
    }

    #[test]
    fn a_file_that_is_wrong_is_refused_and_left_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let site_file = dir.path().join("site.toml");
        let path = open(&site_file, &story()).unwrap().path;
        let wrong = std::fs::read_to_string(&path).unwrap().replace("\"annex\" = 1", "\"annex\" = 0");
        std::fs::write(&path, &wrong).unwrap();
        let refused = open(&site_file, &story()).unwrap_err();
        assert!(refused.is_content());
        let told = refused.to_string();
        assert!(told.contains("scada-map.lock: lines \"annex\" and \"east\" both have number 0"), "{told}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), wrong);
    }

    #[test]
    fn a_file_that_cannot_be_written_is_told_with_what_to_do() {
        let nowhere = Path::new("/nonexistent/site.toml");
        let told = open(nowhere, &story()).unwrap_err().to_string();
        assert!(told.starts_with("cannot write /nonexistent/scada-map.lock: No such file"), "{told}");
        assert!(told.ends_with("run `siskin map` once as somebody who may write beside the site file"));
    }
}
