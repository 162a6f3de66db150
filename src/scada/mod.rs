//! The SCADA face: a Modbus TCP server that tells and never changes anything.
//!
//! [`layout`] fixes what stands at which address; [`numbers`] gives each line, device, alarm and
//! signal its number, once, and [`lock`] keeps the numbers in a file. [`image`] is everything known
//! as registers and bits: one immutable value, so that what one request reads belongs together.
//! [`request`] answers one request out of an image, and [`frames`] takes requests off a stream;
//! both are pure. [`server`] takes connections in. [`listing`] is the map for people.
//!
//! Sources: *MODBUS Application Protocol V1.1b3* (functions, exceptions, limits) and *MODBUS
//! Messaging on TCP/IP Implementation Guide V1.0b* (header).

mod codes;
mod frames;
mod image;
mod layout;
mod listing;
mod lock;
mod numbers;
mod request;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod rig;
mod server;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use std::io;
use std::net::SocketAddr;

use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::daemon::Handle;
use crate::scada::image::Images;
use crate::signal::BadValue;

pub use frames::read_request;
pub use layout::LAYOUT;
pub use listing::{Row, listing};
pub use lock::{LOCK_FILE, LockError, Opened, open, read};
pub use numbers::Numbers;
pub use server::CONNECTIONS_MAX;

/// What the SCADA face must be told.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The number of everything that is told.
    pub numbers: Numbers,
    /// What stands for a value while its quality is bad.
    pub bad_value: BadValue,
}

/// The SCADA face, listening.
#[derive(Debug)]
pub struct Bound {
    /// Where it listens; the port is the real one when 0 was asked for.
    pub address: SocketAddr,
    /// Takes the numbers of what a new site file has brought.
    pub numbers: watch::Sender<Numbers>,
    /// Ends when `stop` is cancelled and every connection is closed.
    pub task: JoinHandle<()>,
}

/// Why the SCADA face cannot start.
#[derive(Debug, thiserror::Error)]
#[error("SCADA cannot listen on {address}: {source}: {advice}")]
pub struct ScadaError {
    /// Where it was to listen.
    pub address: SocketAddr,
    /// What the operating system said.
    pub source: io::Error,
    /// What the person can do.
    pub advice: &'static str,
}

/// Listens on `listen` until `stop` is cancelled.
///
/// # Errors
/// When the address cannot be bound; the error says what to do.
pub async fn start(
    listen: SocketAddr,
    handle: Handle,
    settings: Settings,
    stop: CancellationToken,
) -> Result<Bound, ScadaError> {
    let refused = |source: io::Error| ScadaError { address: listen, advice: advice(source.kind()), source };
    let listener = TcpListener::bind(listen).await.map_err(refused)?;
    let address = listener.local_addr().map_err(refused)?;
    let Settings { numbers, bad_value } = settings;
    let (numbers, numbers_seen) = watch::channel(numbers);
    let task = tokio::spawn(server::run(listener, Images::new(handle, numbers_seen, bad_value), stop));
    Ok(Bound { address, numbers, task })
}

fn advice(kind: io::ErrorKind) -> &'static str {
    #[expect(clippy::wildcard_enum_match_arm, reason = "the list of kinds is open; one word serves the rest")]
    match kind {
        io::ErrorKind::AddrInUse => {
            "another program holds this port: `ss -ltnp` names it; stop it, or give [scada] listen another port"
        }
        io::ErrorKind::PermissionDenied => {
            "ports below 1024, 502 among them, need a privilege: grant CAP_NET_BIND_SERVICE, \
             or give [scada] listen a port of 1024 or above"
        }
        io::ErrorKind::AddrNotAvailable => {
            "this machine has no such address: `ip addr` lists those it has; correct [scada] listen"
        }
        _ => "check the address in [scada] listen",
    }
}
