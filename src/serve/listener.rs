//! Takes connections in: so many and no more, and none that can wear the others out.
//!
//! Each limit here has a name. A connection that sends nothing, half a request, or reads nothing is
//! closed after its time; an error of the operating system (no file left, for one) is waited out.

use std::convert::Infallible;
use std::io;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use crate::serve::CONNECTIONS_MAX;
use crate::serve::patience::{ANSWER_S_MAX, Patient};

/// How long the head of a request may take, and how long a connection may stay silent, in seconds.
pub const HEAD_S_MAX: u64 = 10;
/// The most bytes of a request's head.
pub const HEAD_BYTES_MAX: usize = 16 * 1024;
/// The most header lines of a request.
pub const HEADERS_MAX: usize = 64;
/// How long connections may take to end in good order when the daemon stops, in seconds.
pub const STOP_S_MAX: u64 = 2;

const PAUSE_AFTER_ERROR_MS: u64 = 200;
const LOG_EVERY_S: u64 = 60;

/// The times that a connection is bounded by.
#[derive(Debug, Clone, Copy)]
struct Patience {
    head_max: Duration,
    answer_max: Duration,
}

impl Patience {
    const USUAL: Patience =
        Patience { head_max: Duration::from_secs(HEAD_S_MAX), answer_max: Duration::from_secs(ANSWER_S_MAX) };
}

/// Serves connections until `stop` is cancelled, then lets those under way come to an end.
pub async fn run(listener: TcpListener, router: Router, stop: CancellationToken) {
    serve(listener, router, Patience::USUAL, stop).await;
}

/// Where connections come from.
trait Accept {
    fn accept(&self) -> impl Future<Output = io::Result<TcpStream>> + Send;
}

impl Accept for TcpListener {
    async fn accept(&self) -> io::Result<TcpStream> {
        TcpListener::accept(self).await.map(|(stream, _)| stream)
    }
}

async fn serve(listener: impl Accept, router: Router, patience: Patience, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let connections = TaskTracker::new();
    let mut complaint = Complaint::default();
    while let Some(place) = free_place(&places, &stop).await {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok(stream) => {
                connections.spawn(connection(stream, place, router.clone(), patience, stop.clone()));
            }
            Err(error) => {
                complaint.log(&error);
                sleep(Duration::from_millis(PAUSE_AFTER_ERROR_MS)).await;
            }
        }
    }
    connections.close();
    if timeout(Duration::from_secs(STOP_S_MAX), connections.wait()).await.is_err() {
        tracing::info!(open = connections.len(), "HTTP connections were cut off");
    }
}

async fn free_place(places: &Arc<Semaphore>, stop: &CancellationToken) -> Option<OwnedSemaphorePermit> {
    tokio::select! {
        () = stop.cancelled() => None,
        place = Arc::clone(places).acquire_owned() => place.ok(),
    }
}

/// Serves one connection; its `place` is free again when this returns.
async fn connection(
    stream: TcpStream,
    _place: OwnedSemaphorePermit,
    router: Router,
    patience: Patience,
    stop: CancellationToken,
) {
    let service = service_fn(move |request: Request<Incoming>| {
        let router = router.clone();
        async move { Ok::<_, Infallible>(answer(router, request.map(Body::new)).await) }
    });
    let io = TokioIo::new(Patient::new(stream, patience.answer_max));
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(patience.head_max)
        .max_buf_size(HEAD_BYTES_MAX)
        .max_headers(HEADERS_MAX)
        .serve_connection(io, service);
    tokio::pin!(connection);
    let outcome = tokio::select! {
        outcome = connection.as_mut() => outcome,
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = outcome {
        tracing::debug!(%error, "an HTTP connection ended early");
    }
}

async fn answer(router: Router, request: Request<Body>) -> axum::response::Response {
    router.oneshot(request).await.unwrap_or_else(|never| match never {})
}

/// Says at most once a minute that connections cannot be taken in.
#[derive(Default)]
struct Complaint {
    last: Option<Instant>,
}

impl Complaint {
    fn log(&mut self, error: &io::Error) {
        let due = self.last.is_none_or(|last| last.elapsed() >= Duration::from_secs(LOG_EVERY_S));
        if due {
            tracing::warn!(%error, "HTTP cannot take connections in; it goes on trying");
            self.last = Some(Instant::now());
        }
    }
}
