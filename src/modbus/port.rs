//! A port that bytes go through, whatever stands behind it: a serial adapter or a TCP connection.
//!
//! Opening only; what travels on it is for [`rtu`](super::rtu) and [`tcp`](super::tcp). An
//! [`OpenError`] is one line that says what a person can do.

use std::io;
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

/// How long a connection may take to come about.
pub(super) const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);
/// A silent connection is probed after this time, and again at each [`KEEPALIVE_EVERY`].
const KEEPALIVE_AFTER: Duration = Duration::from_secs(10);
const KEEPALIVE_EVERY: Duration = Duration::from_secs(5);

/// Bytes in, bytes out.
pub(super) trait Io: AsyncRead + AsyncWrite + Unpin + Send {}

impl<T: AsyncRead + AsyncWrite + Unpin + Send> Io for T {}

/// Why a port cannot be opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// There is no such device file.
    #[error("{path}: no such port; is the adapter plugged in?")]
    Missing {
        /// Its path.
        path: String,
    },
    /// The device file may not be opened by this user.
    #[error("{path}: not allowed to open it; {remedy}")]
    Forbidden {
        /// Its path.
        path: String,
        /// Which group it belongs to, and what to do.
        remedy: String,
    },
    /// Another program has it open.
    #[error("{path}: in use by {holder}; a line bears only one master")]
    Busy {
        /// Its path.
        path: String,
        /// Name and process id, as far as they can be seen.
        holder: String,
    },
    /// Anything else about the device file.
    #[error("{path}: cannot open the port: {cause}; is it a serial port?")]
    Serial {
        /// Its path.
        path: String,
        /// What the system says.
        cause: String,
    },
    /// The connection cannot be made.
    #[error("{address}: cannot connect: {cause}")]
    Connect {
        /// Host and port.
        address: String,
        /// What the system says.
        cause: String,
    },
}

/// Connects to `address` (`host:port`), with small packets sent at once and dead peers noticed.
///
/// # Errors
/// [`OpenError::Connect`].
pub(super) async fn connect(address: &str) -> Result<TcpStream, OpenError> {
    let failed = |cause: String| OpenError::Connect { address: address.to_owned(), cause };
    let stream = tokio::time::timeout(CONNECT_TIMEOUT, TcpStream::connect(address))
        .await
        .map_err(|_| failed(format!("no answer within {} s", CONNECT_TIMEOUT.as_secs())))?
        .map_err(|error| failed(error.to_string()))?;
    keep_alive(&stream).map_err(|error| failed(error.to_string()))?;
    Ok(stream)
}

fn keep_alive(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let probes = TcpKeepalive::new().with_time(KEEPALIVE_AFTER).with_interval(KEEPALIVE_EVERY);
    SockRef::from(stream).set_tcp_keepalive(&probes)
}
