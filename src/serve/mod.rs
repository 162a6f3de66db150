//! The HTTP face: JSON for machines, one page for people. It tells and never changes anything.
//!
//! [`start`] binds, and returns once it is listening. [`listener`] takes connections in and keeps
//! their number and their patience bounded; [`gate`] refuses what no page may ask; [`endpoints`]
//! lists what machines may ask, and describes it; [`api`], [`history`], [`performance`],
//! [`stream`], [`metrics`] and [`page`] answer; [`problem`] is the shape of every refusal. All knowledge comes
//! from the [`Handle`], in the shapes of [`crate::view`].

mod api;
mod endpoints;
mod gate;
mod history;
mod listener;
mod metrics;
mod page;
mod patience;
mod performance;
mod problem;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod rig;
mod stream;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use jiff::tz::TimeZone;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::daemon::Handle;
use crate::serve::gate::Gate;
use crate::serve::problem::Problem;

/// The most connections at one time; for a further one, whoever has been silent for longest gives way.
pub const CONNECTIONS_MAX: usize = 256;
/// The most clients of the stream at one time.
pub const STREAM_CLIENTS_MAX: usize = 16;
/// The most reads of the journal at one time.
pub const JOURNAL_READS_MAX: usize = 4;
/// How long a request may wait for the journal.
pub const JOURNAL_WAIT_MAX: Duration = Duration::from_secs(5);

/// What the HTTP face must be told.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The zone in which the page tells time.
    pub time_zone: TimeZone,
    /// The least time between two events of one client's stream.
    pub stream_every: Duration,
}

/// The HTTP face, listening.
#[derive(Debug)]
pub struct Bound {
    /// Where it listens; the port is the real one when 0 was asked for.
    pub address: SocketAddr,
    /// Ends when `stop` is cancelled and every connection is closed.
    pub task: JoinHandle<()>,
}

/// Why the HTTP face cannot start.
#[derive(Debug, thiserror::Error)]
#[error("HTTP cannot listen on {address}: {source}: {advice}")]
pub struct ServeError {
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
) -> Result<Bound, ServeError> {
    let refused = |source: io::Error| ServeError { address: listen, advice: advice(source.kind()), source };
    let listener = TcpListener::bind(listen).await.map_err(refused)?;
    let address = listener.local_addr().map_err(refused)?;
    let router = router(handle, settings, Gate::on(address), stop.clone());
    let task = tokio::spawn(listener::run(listener, router, stop));
    Ok(Bound { address, task })
}

fn advice(kind: io::ErrorKind) -> &'static str {
    #[expect(clippy::wildcard_enum_match_arm, reason = "the list of kinds is open; one word serves the rest")]
    match kind {
        io::ErrorKind::AddrInUse => {
            "another program holds this port, perhaps a siskin that still runs: \
             `ss -ltnp` names it; stop it, or give [http] listen another port"
        }
        io::ErrorKind::PermissionDenied => {
            "ports below 1024 need a privilege: give [http] listen a port of 1024 or above"
        }
        io::ErrorKind::AddrNotAvailable => {
            "this machine has no such address: `ip addr` lists those it has; correct [http] listen"
        }
        _ => "check the address in [http] listen",
    }
}

/// What every answer is made from.
#[derive(Clone)]
struct Face {
    handle: Handle,
    settings: Settings,
    journal_reads: Arc<Semaphore>,
    history_reads: Arc<Semaphore>,
    stream_clients: Arc<Semaphore>,
    stop: CancellationToken,
}

fn router(handle: Handle, settings: Settings, gate: Gate, stop: CancellationToken) -> Router {
    let face = Face {
        handle,
        settings,
        journal_reads: Arc::new(Semaphore::new(JOURNAL_READS_MAX)),
        history_reads: Arc::new(Semaphore::new(history::READS_MAX)),
        stream_clients: Arc::new(Semaphore::new(STREAM_CLIENTS_MAX)),
        stop,
    };
    Router::new()
        .merge(endpoints::routes())
        .merge(page::routes())
        .fallback(|| async { Problem::not_found("there is no such page here") })
        .with_state(face)
        .layer(axum::middleware::from_fn_with_state(gate, gate::guard))
}
