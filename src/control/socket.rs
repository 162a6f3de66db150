//! The socket's file: made, claimed and removed.
//!
//! A file left by a daemon that is gone is replaced; one behind which somebody listens is not.

use std::fs::Permissions;
use std::io;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};

use tokio::net::UnixListener;

/// Readable and writable for the daemon's user and group: who may operate is whoever is in the group.
const MODE: u32 = 0o660;

/// Why there is no control socket.
#[derive(Debug, thiserror::Error)]
pub enum ControlError {
    /// Somebody listens there.
    #[error("control socket {}: another siskin answers here: stop it, or choose another data directory", path.display())]
    InUse {
        /// The socket.
        path: PathBuf,
    },
    /// There is something else at its path.
    #[error("control socket {}: there is a file of another kind at this path; move it away", path.display())]
    NotASocket {
        /// The path.
        path: PathBuf,
    },
    /// The operating system refuses.
    #[error("control socket {}: cannot {operation}: {error}", path.display())]
    Refused {
        /// The socket.
        path: PathBuf,
        /// What was tried.
        operation: &'static str,
        /// What the system said.
        error: io::Error,
    },
}

/// A bound control socket that nobody answers yet: who connects waits. Its file goes when it is dropped.
#[derive(Debug)]
pub struct Socket {
    pub(super) listener: UnixListener,
    pub(super) file: SocketFile,
}

/// The file of a socket, removed when dropped.
#[derive(Debug)]
pub(super) struct SocketFile(PathBuf);

impl Socket {
    /// Claims `path`. To be called within a tokio runtime.
    ///
    /// # Errors
    /// When somebody listens there, or the file cannot be made.
    pub fn bind(path: &Path) -> Result<Socket, ControlError> {
        let refused =
            |operation| move |error| ControlError::Refused { path: path.to_owned(), operation, error };
        remove_abandoned(path)?;
        let listener = UnixListener::bind(path).map_err(refused("make it"))?;
        let file = SocketFile(path.to_owned());
        std::fs::set_permissions(path, Permissions::from_mode(MODE)).map_err(refused("set its mode"))?;
        Ok(Socket { listener, file })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.file.0
    }
}

impl Drop for SocketFile {
    fn drop(&mut self) {
        // What is left behind is replaced at the next start.
        let _ = std::fs::remove_file(&self.0);
    }
}

/// Removes a socket file behind which nobody listens.
fn remove_abandoned(path: &Path) -> Result<(), ControlError> {
    let refused = |operation| move |error| ControlError::Refused { path: path.to_owned(), operation, error };
    let kind = match std::fs::symlink_metadata(path) {
        Ok(metadata) => metadata.file_type(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(refused("look at it")(error)),
    };
    if !kind.is_socket() {
        return Err(ControlError::NotASocket { path: path.to_owned() });
    }
    match UnixStream::connect(path) {
        Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => {
            std::fs::remove_file(path).map_err(refused("remove the one left by an earlier run"))
        }
        Err(error) => Err(refused("find out whether it is in use")(error)),
        Ok(_) => Err(ControlError::InUse { path: path.to_owned() }),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[tokio::test]
    async fn a_file_left_by_a_dead_daemon_is_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("control.sock");
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        assert!(path.exists(), "a closed listener leaves its file");
        let socket = Socket::bind(&path).unwrap();
        assert_eq!(std::fs::metadata(socket.path()).unwrap().permissions().mode() & 0o777, 0o660);
        drop(socket);
        assert!(!path.exists());
    }

    #[tokio::test]
    async fn a_living_daemon_keeps_its_socket() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("control.sock");
        let _first = Socket::bind(&path).unwrap();
        let told = Socket::bind(&path).unwrap_err().to_string();
        assert!(told.contains("another siskin answers here"), "{told}");
        assert!(path.exists());
    }

    #[tokio::test]
    async fn a_file_of_another_kind_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("control.sock");
        std::fs::write(&path, "precious").unwrap();
        assert!(matches!(Socket::bind(&path), Err(ControlError::NotASocket { .. })));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "precious");
    }
}
