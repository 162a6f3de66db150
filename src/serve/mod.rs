//! The HTTP face: JSON for machines, one page for people. It tells and never changes anything.
//!
//! [`start`] binds, and returns once it is listening. [`listener`] takes connections in and keeps
//! their number and their patience bounded; [`access`] knows who may read, and [`gate`] refuses them and what
//! no page may ask; [`cache`] says what may be kept of an answer; [`endpoints`] lists what machines may ask,
//! and describes it; [`api`], [`history`], [`performance`],
//! [`stream`], [`metrics`] and [`page`] answer; [`problem`] is the shape of every refusal. All knowledge comes
//! from the [`Handle`], in the shapes of [`crate::view`].

mod access;
mod api;
mod cache;
mod endpoints;
mod gate;
mod history;
mod listener;
mod metrics;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod odd_tests;
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
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod unit_tests;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use jiff::tz::TimeZone;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::daemon::Handle;
use crate::serve::gate::Gate;
use crate::serve::problem::Problem;

pub use access::{Access, AccessError, AccessFiles};

/// The most readers of the stream at one time.
pub const STREAM_READERS_MAX: usize = 2_304;
/// The most connections at one time, of which one in nine is kept from the stream; for a further one,
/// whoever has been silent for longest gives way.
pub const CONNECTIONS_MAX: usize = STREAM_READERS_MAX / 8 * 9;
/// The open files that are left for all else: lines, masters, operators, the record.
pub const FILES_KEPT_FREE_MIN: usize = 512;
/// However few files the system allows, so many connections are tried.
const CONNECTIONS_MIN: usize = 64;
/// The most reads of the journal at one time.
pub const JOURNAL_READS_MAX: usize = 4;
/// How long a request may wait for the journal.
pub const JOURNAL_WAIT_MAX: Duration = Duration::from_secs(5);

/// What the HTTP face must be told.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The zone in which the page tells time.
    pub time_zone: TimeZone,
    /// The least time between two events of the stream.
    pub stream_every: Duration,
    /// How many are served, and how long they may take.
    pub limits: Limits,
}

/// How many are served at one time, and how long they may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Connections.
    pub connections: usize,
    /// Of these, readers of the stream.
    pub streams: usize,
    /// How long the head of a request may take, and how long a connection may stay silent.
    pub head_max: Duration,
    /// How long an answer may take to leave.
    pub answer_max: Duration,
}

impl Limits {
    /// Where the system allows enough open files.
    pub const USUAL: Limits = Limits {
        connections: CONNECTIONS_MAX,
        streams: STREAM_READERS_MAX,
        head_max: Duration::from_secs(listener::HEAD_S_MAX),
        answer_max: Duration::from_secs(patience::ANSWER_S_MAX),
    };

    /// Where this process may open so many files, one for each connection: fewer, before a crowd of readers
    /// takes the files that lines and the record need.
    pub fn within(files_max: u64) -> Limits {
        let files = usize::try_from(files_max).unwrap_or(usize::MAX);
        let connections = files.saturating_sub(FILES_KEPT_FREE_MIN).clamp(CONNECTIONS_MIN, CONNECTIONS_MAX);
        Limits { connections, streams: connections / 9 * 8, ..Limits::USUAL }
    }
}

/// The HTTP face, listening.
#[derive(Debug)]
pub struct Bound {
    /// Where it listens; the port is the real one when 0 was asked for.
    pub address: SocketAddr,
    /// Takes who may read from now on, and by which certificate: files change, certificates run out.
    pub access: watch::Sender<Access>,
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
    access: Access,
    stop: CancellationToken,
) -> Result<Bound, ServeError> {
    Face::new(handle, settings, stop).listen(listen, access)
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
    broadcast: Arc<stream::Broadcast>,
    stop: CancellationToken,
}

impl Face {
    fn new(handle: Handle, settings: Settings, stop: CancellationToken) -> Face {
        Face {
            handle,
            journal_reads: Arc::new(Semaphore::new(JOURNAL_READS_MAX)),
            history_reads: Arc::new(Semaphore::new(history::READS_MAX)),
            broadcast: Arc::new(stream::Broadcast::new(settings.limits.streams)),
            settings,
            stop,
        }
    }

    fn listen(self, listen: SocketAddr, access: Access) -> Result<Bound, ServeError> {
        let refused =
            |source: io::Error| ServeError { address: listen, advice: advice(source.kind()), source };
        let listener = listener::bind(listen).map_err(refused)?;
        let address = listener.local_addr().map_err(refused)?;
        let (limits, stop) = (self.settings.limits, self.stop.clone());
        let events = stream::make_events(self.clone());
        let (access, access_seen) = watch::channel(access);
        let router = self.router(Gate::on(address, access_seen.clone()));
        let task = tokio::spawn(async move {
            tokio::join!(listener::run(listener, access_seen, router, limits, stop), events);
        });
        Ok(Bound { address, access, task })
    }

    fn router(self, gate: Gate) -> Router {
        Router::new()
            .merge(endpoints::routes())
            .merge(page::routes())
            .fallback(|| async { Problem::not_found("there is no such page here") })
            .with_state(self.clone())
            .layer(axum::middleware::from_fn_with_state(self, page::as_page))
            .layer(axum::middleware::from_fn(cache::keep))
            .layer(axum::middleware::from_fn_with_state(gate, gate::guard))
    }
}
