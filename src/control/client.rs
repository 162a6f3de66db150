//! The operator's end of the control socket: blocking, with limits on time and size.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::fs::MetadataExt;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::io::Errno;
use rustix::net::{RecvFlags, recv};
use serde_json::value::RawValue;

use crate::control::protocol::{ANSWER_BYTES_MAX, Answer, Failure, Request};

/// How long the daemon may take for each step: longer than it allows itself.
const STEP_MAX: Duration = Duration::from_secs(12);

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// Nobody is there.
    #[error("no siskin answers at {}: is the daemon running? was it started with another --data or --config?",
            path.display())]
    NotRunning {
        /// The socket.
        path: PathBuf,
    },
    /// The socket is not for this user.
    #[error("control socket {}: permission denied; its users are those of {group}", path.display())]
    Forbidden {
        /// The socket.
        path: PathBuf,
        /// The group that may use it, in words.
        group: String,
    },
    /// The connection failed.
    #[error("control socket {}: {error}", path.display())]
    Broken {
        /// The socket.
        path: PathBuf,
        /// What the system said.
        error: io::Error,
    },
    /// What came back is not an answer.
    #[error("control socket {}: the answer cannot be understood: {cause}", path.display())]
    Unintelligible {
        /// The socket.
        path: PathBuf,
        /// What is wrong with it.
        cause: String,
    },
    /// The daemon has answered that it will not.
    #[error("the daemon says: {0}")]
    Refused(#[from] Failure),
}

/// An open connection to the daemon.
#[derive(Debug)]
pub struct Client {
    path: PathBuf,
    stream: BufReader<UnixStream>,
}

impl Client {
    /// Connects to the daemon whose control socket is at `path`.
    ///
    /// # Errors
    /// When nobody listens there, or this user may not.
    pub fn connect(path: &Path) -> Result<Client, ClientError> {
        let stream = UnixStream::connect(path).map_err(|error| cannot_connect(path, error))?;
        let limited =
            stream.set_read_timeout(Some(STEP_MAX)).and_then(|()| stream.set_write_timeout(Some(STEP_MAX)));
        limited.map_err(|error| ClientError::Broken { path: path.to_owned(), error })?;
        Ok(Client { path: path.to_owned(), stream: BufReader::new(stream) })
    }

    /// Asks, and waits for the answer.
    ///
    /// # Errors
    /// When the connection fails, takes too long, or the daemon refuses.
    pub fn ask(&mut self, request: &Request) -> Result<Box<RawValue>, ClientError> {
        let mut line = serde_json::to_vec(request).map_err(|error| self.unintelligible(error))?;
        line.push(b'\n');
        // A daemon that turns a connection away has written why before it closed: read on.
        let written = self.stream.get_mut().write_all(&line);
        let mut answer = Vec::new();
        let read = (&mut self.stream).take(ANSWER_BYTES_MAX).read_until(b'\n', &mut answer);
        if answer.is_empty() {
            written.and(read).map_err(|error| self.broken(error))?;
            return Err(self.broken(io::ErrorKind::UnexpectedEof.into()));
        }
        if answer.last() != Some(&b'\n') {
            read.map_err(|error| self.broken(error))?;
            return Err(self.unintelligible("it has no end"));
        }
        match serde_json::from_slice(&answer).map_err(|error| self.unintelligible(error))? {
            Answer::Answer(answer) => Ok(answer),
            Answer::Error(failure) => Err(failure.into()),
        }
    }

    /// Whether the daemon has closed the connection, or is gone.
    pub fn is_closed(&self) -> bool {
        let look = RecvFlags::PEEK | RecvFlags::DONTWAIT;
        match recv(self.stream.get_ref(), &mut [0_u8; 1], look) {
            Ok((_, count)) => count == 0,
            Err(Errno::AGAIN | Errno::INTR) => false,
            Err(_) => true,
        }
    }

    fn broken(&self, error: io::Error) -> ClientError {
        let kind = error.kind();
        let error = if matches!(kind, io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) {
            io::Error::new(kind, format!("no answer within {} s", STEP_MAX.as_secs()))
        } else if kind == io::ErrorKind::UnexpectedEof {
            io::Error::new(kind, "closed without an answer")
        } else {
            error
        };
        ClientError::Broken { path: self.path.clone(), error }
    }

    fn unintelligible(&self, cause: impl ToString) -> ClientError {
        ClientError::Unintelligible { path: self.path.clone(), cause: cause.to_string() }
    }
}

fn cannot_connect(path: &Path, error: io::Error) -> ClientError {
    let path = path.to_owned();
    let kind = error.kind();
    if matches!(kind, io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused) {
        ClientError::NotRunning { path }
    } else if kind == io::ErrorKind::PermissionDenied {
        let group = group_of(&path);
        ClientError::Forbidden { path, group }
    } else {
        ClientError::Broken { path, error }
    }
}

/// The group of the file, or of the nearest directory above it that may be looked at.
fn group_of(path: &Path) -> String {
    let Some(metadata) = path.ancestors().find_map(|path| std::fs::metadata(path).ok()) else {
        return "its group".to_owned();
    };
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    let name = groups.lines().find_map(|line| {
        // A line of group(5) is `name:password:gid:members`.
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(metadata.gid())).then(|| format!("group {name:?}"))
    });
    name.unwrap_or_else(|| format!("group id {}", metadata.gid()))
}
