//! The data directory, claimed for one daemon.
//!
//! Two daemons on one directory would ask the same lines at the same time, and each would take answers
//! meant for the other. The claim is a lock that goes with the process, however that ends.

use std::fs::{DirBuilder, File, TryLockError};
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};

use crate::cli::CliError;

/// For the daemon and its group: who is in the group may reach the control socket.
const MODE: u32 = 0o750;

/// A data directory that no other daemon can claim while this value lives.
#[derive(Debug)]
pub struct DataDirectory {
    /// Where it is.
    pub path: PathBuf,
    _claim: File,
}

impl DataDirectory {
    /// Makes the directory if it is missing, and claims it.
    ///
    /// # Errors
    /// [`CliError::Unreachable`] when it cannot be made or opened, or another daemon has claimed it.
    pub fn claim(path: &Path) -> Result<DataDirectory, CliError> {
        let unreachable = |operation: &str, error: io::Error| {
            let path = path.display();
            CliError::Unreachable(format!("data directory {path}: cannot {operation}: {error}"))
        };
        DirBuilder::new()
            .recursive(true)
            .mode(MODE)
            .create(path)
            .map_err(|error| unreachable("make it", error))?;
        let claim = File::open(path).map_err(|error| unreachable("open it", error))?;
        match claim.try_lock() {
            Ok(()) => Ok(DataDirectory { path: path.to_owned(), _claim: claim }),
            Err(TryLockError::WouldBlock) => Err(CliError::Unreachable(format!(
                "data directory {}: another siskin runs on this data directory",
                path.display()
            ))),
            Err(TryLockError::Error(error)) => Err(unreachable("claim it", error)),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_directory_belongs_to_one_daemon_as_long_as_that_lives() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("new/data");
        let first = DataDirectory::claim(&path).unwrap();
        let told = DataDirectory::claim(&path).unwrap_err().to_string();
        assert!(told.ends_with("another siskin runs on this data directory"), "{told}");
        drop(first);
        DataDirectory::claim(&path).unwrap();
    }

    #[test]
    fn a_path_that_is_no_directory_is_told_with_its_name() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let told = DataDirectory::claim(file.path()).unwrap_err().to_string();
        assert!(told.contains(&file.path().display().to_string()), "{told}");
    }
}
