//! Takes connections in: so many and no more, and none that can wear the others out.
//!
//! Each limit has a name, here or in [`Limits`]. A connection that sends nothing, half a request, or reads nothing is
//! closed after its time, and sooner when the places run out: then those that have been silent for
//! longest give way, so that a flood of them keeps nobody out. An error of the operating system (no
//! file left, for one) is waited out.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use hyper::Request;
use hyper::body::{Body as _, Incoming};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::time::{Instant, sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use crate::serve::Limits;
use crate::serve::access::Access;
use crate::serve::patience::Patient;

/// How long the head of a request may take, and how long a connection may stay silent, in seconds.
pub const HEAD_S_MAX: u64 = 10;
/// The most bytes of a request's head.
pub const HEAD_BYTES_MAX: usize = 16 * 1024;
/// The most header lines of a request.
pub const HEADERS_MAX: usize = 64;
/// What the kernel keeps for one connection on its way out, in bytes before it adds its own: a reader that
/// does not read costs no more.
pub const SEND_BUFFER_BYTES: u32 = 32 * 1024;
/// The same on the way in: requests are short.
pub const RECEIVE_BUFFER_BYTES: u32 = 32 * 1024;
/// The most connections that wait to be taken in.
const WAITING_MAX: u32 = 1024;
/// How long connections may take to end in good order when the daemon stops, in seconds.
pub const STOP_S_MAX: u64 = 2;

/// How long a connection that must give way may take to go, before the next one must too, in ms.
const GIVE_WAY_MS: u64 = 50;
const PAUSE_AFTER_ERROR_MS: u64 = 200;
const LOG_EVERY_S: u64 = 60;

/// Serves connections until `stop` is cancelled, then lets those under way come to an end.
pub async fn run(
    listener: TcpListener,
    access: watch::Receiver<Access>,
    router: Router,
    limits: Limits,
    stop: CancellationToken,
) {
    serve(listener, access, router, limits, stop).await;
}

/// Listens on `address`. Whoever comes in inherits the sizes of the kernel's buffers, which therefore are set
/// before anybody can.
pub fn bind(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    socket.set_send_buffer_size(SEND_BUFFER_BYTES)?;
    socket.set_recv_buffer_size(RECEIVE_BUFFER_BYTES)?;
    // A daemon that starts anew need not wait until the kernel has forgotten its last connections.
    socket.set_reuseaddr(true)?;
    socket.bind(address)?;
    socket.listen(WAITING_MAX)
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

async fn serve(
    listener: impl Accept,
    access: watch::Receiver<Access>,
    router: Router,
    limits: Limits,
    stop: CancellationToken,
) {
    let places = Arc::new(Semaphore::new(limits.connections));
    let silent = Arc::new(Silent::default());
    let connections = TaskTracker::new();
    let (starved, asleep) = (Complaint::default(), Arc::new(Complaint::default()));
    while let Some(place) = free_place(&places, &silent, &stop).await {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok(stream) => {
                let (spot, stop, asleep) = (Spot::taken(&silent), stop.clone(), Arc::clone(&asleep));
                let tls = access.borrow().tls.clone();
                let served = connection((stream, tls), router.clone(), limits, spot, stop);
                connections.spawn(async move {
                    let _place = place;
                    if let Err(error) = served.await {
                        told_of(&error, &asleep);
                    }
                });
            }
            Err(error) => {
                starved.log(format_args!("HTTP cannot take connections in; it goes on trying: {error}"));
                sleep(Duration::from_millis(PAUSE_AFTER_ERROR_MS)).await;
            }
        }
    }
    connections.close();
    if timeout(Duration::from_secs(STOP_S_MAX), connections.wait()).await.is_err() {
        tracing::info!(open = connections.len(), "HTTP connections were cut off");
    }
}

/// A place for one more; where there is none, who has been silent for longest gives way.
async fn free_place(
    places: &Arc<Semaphore>,
    silent: &Silent,
    stop: &CancellationToken,
) -> Option<OwnedSemaphorePermit> {
    loop {
        if places.available_permits() == 0 {
            silent.close_longest();
        }
        let place = timeout(Duration::from_millis(GIVE_WAY_MS), Arc::clone(places).acquire_owned());
        tokio::select! {
            () = stop.cancelled() => return None,
            place = place => if let Ok(place) = place { return place.ok() },
        }
    }
}

/// The connections on which nothing is being answered, each by its turn: the longest silent first.
#[derive(Default)]
struct Silent(Mutex<BTreeMap<u64, CancellationToken>>);

impl Silent {
    fn turns(&self) -> MutexGuard<'_, BTreeMap<u64, CancellationToken>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn close_longest(&self) {
        if let Some((_, close)) = self.turns().pop_first() {
            close.cancel();
        }
    }
}

/// One connection's standing among the silent.
struct Spot {
    silent: Arc<Silent>,
    turn: AtomicU64,
    close: CancellationToken,
}

impl Spot {
    fn taken(silent: &Arc<Silent>) -> Arc<Spot> {
        let (silent, close) = (Arc::clone(silent), CancellationToken::new());
        let spot = Spot { silent, turn: AtomicU64::new(0), close };
        spot.falls_silent();
        Arc::new(spot)
    }

    /// Nothing is being answered any more: from now on it may have to give way.
    fn falls_silent(&self) {
        static TURNS: AtomicU64 = AtomicU64::new(0);
        let turn = TURNS.fetch_add(1, Ordering::Relaxed);
        self.turn.store(turn, Ordering::Relaxed);
        self.silent.turns().insert(turn, self.close.clone());
    }

    fn is_answered(&self) {
        self.silent.turns().remove(&self.turn.load(Ordering::Relaxed));
    }
}

impl Drop for Spot {
    fn drop(&mut self) {
        self.is_answered();
    }
}

/// Serves one connection until it ends.
async fn connection(
    (stream, tls): (TcpStream, Option<Arc<ServerConfig>>),
    router: Router,
    limits: Limits,
    spot: Arc<Spot>,
    stop: CancellationToken,
) -> Result<(), hyper::Error> {
    let close = spot.close.clone();
    let wire = tokio::select! {
        wire = wire(stream, tls, limits.head_max) => wire,
        () = close.cancelled() => return Ok(()),
        () = stop.cancelled() => return Ok(()),
    };
    let Some(wire) = wire else { return Ok(()) };
    let service = service_fn(move |request: Request<Incoming>| {
        let (router, spot) = (router.clone(), Arc::clone(&spot));
        async move {
            spot.is_answered();
            let response = answer(router, request.map(Body::new)).await;
            // A stream, whose length nobody knows, goes on being answered.
            if response.body().size_hint().exact().is_some() {
                spot.falls_silent();
            }
            Ok::<_, Infallible>(response)
        }
    });
    let io = TokioIo::new(Patient::new(wire, limits.answer_max));
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_max)
        .max_buf_size(HEAD_BYTES_MAX)
        .max_headers(HEADERS_MAX)
        .serve_connection(io, service);
    tokio::pin!(connection);
    tokio::select! {
        outcome = connection.as_mut() => outcome,
        () = close.cancelled() => Ok(()),
        () = stop.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    }
}

/// A connection that ended early is its own affair; a reader that did not read is worth a line.
fn told_of(error: &hyper::Error, asleep: &Complaint) {
    let cause = std::error::Error::source(error).and_then(|cause| cause.downcast_ref::<io::Error>());
    if cause.is_some_and(|cause| cause.kind() == io::ErrorKind::TimedOut) {
        asleep.log(format_args!("an HTTP client did not read what it asked for, and was closed"));
    } else {
        tracing::debug!(%error, "an HTTP connection ended early");
    }
}

/// A connection, encrypted or not.
trait Wire: AsyncRead + AsyncWrite + Unpin + Send {}
impl<S: AsyncRead + AsyncWrite + Unpin + Send> Wire for S {}

/// Agrees on a key first, where there is a certificate; nothing when that fails or takes longer than a
/// request may.
async fn wire(stream: TcpStream, tls: Option<Arc<ServerConfig>>, within: Duration) -> Option<Box<dyn Wire>> {
    let Some(tls) = tls else { return Some(Box::new(stream)) };
    match timeout(within, TlsAcceptor::from(tls).accept(stream)).await {
        Ok(Ok(stream)) => Some(Box::new(stream)),
        Ok(Err(error)) => {
            tracing::debug!(%error, "a client and HTTP did not agree on a key");
            None
        }
        Err(_) => None,
    }
}

async fn answer(router: Router, request: Request<Body>) -> axum::response::Response {
    router.oneshot(request).await.unwrap_or_else(|never| match never {})
}

/// Says the same thing at most once a minute, and then how often it happened.
#[derive(Default)]
struct Complaint(Mutex<(Option<Instant>, u64)>);

impl Complaint {
    fn log(&self, what: std::fmt::Arguments<'_>) {
        let mut told = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (last, times) = &mut *told;
        *times += 1;
        if last.is_none_or(|last| last.elapsed() >= Duration::from_secs(LOG_EVERY_S)) {
            tracing::warn!(times, "{what}");
            *told = (Some(Instant::now()), 0);
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use axum::routing::get;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    const PLACES: usize = 32;
    const HASTY: Limits = Limits {
        connections: PLACES,
        streams: PLACES,
        head_max: Duration::from_millis(100),
        answer_max: Duration::from_millis(300),
    };
    /// More than the kernel takes off a server's hands for a client that does not read.
    const LARGE_BYTES: usize = 32 * 1024 * 1024;

    /// A listener whose first accepts fail for want of files.
    struct Starved {
        listener: TcpListener,
        failures_left: AtomicU32,
    }

    impl Accept for Starved {
        async fn accept(&self) -> io::Result<TcpStream> {
            if self
                .failures_left
                .fetch_update(Ordering::Relaxed, Ordering::Relaxed, |left| left.checked_sub(1))
                .is_ok()
            {
                return Err(io::Error::from_raw_os_error(libc::EMFILE));
            }
            Accept::accept(&self.listener).await
        }
    }

    async fn served_after(failures: u32) -> SocketAddr {
        served(failures, HASTY).await
    }

    async fn served(failures: u32, limits: Limits) -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let router = Router::new()
            .route("/", get(|| async { "here" }))
            .route("/large", get(|| async { vec![b'x'; LARGE_BYTES] }));
        let listener = Starved { listener, failures_left: failures.into() };
        let (_, access) = watch::channel(Access::default());
        tokio::spawn(serve(listener, access, router, limits, CancellationToken::new()));
        address
    }

    async fn connect(address: SocketAddr, bytes: &str) -> TcpStream {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(bytes.as_bytes()).await.unwrap();
        stream
    }

    async fn rest(mut stream: TcpStream) -> String {
        let mut bytes = Vec::new();
        let _reset_is_an_end_too = stream.read_to_end(&mut bytes).await;
        String::from_utf8(bytes).unwrap()
    }

    const ASK: &str = "GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";

    #[tokio::test]
    async fn a_silent_client_and_half_a_request_are_closed_after_their_time() {
        let address = served_after(0).await;
        assert_eq!(rest(connect(address, "").await).await, "");
        let half = rest(connect(address, "GET / HTTP/1.1\r\nHost: loc").await).await;
        assert!(!half.contains("200"), "{half}");
    }

    #[tokio::test]
    async fn a_client_that_trickles_its_request_is_closed_however_steadily_it_sends() {
        let mut stream = connect(served_after(0).await, "GET / HTTP/1.1\r\n").await;
        let mut sent = 0;
        while stream.write_all(b"X: y\r\n").await.is_ok() {
            sent += 1;
            assert!(sent < 1000, "the server lets a client trickle for ever");
            sleep(Duration::from_millis(10)).await;
        }
    }

    #[tokio::test]
    async fn a_kept_connection_that_falls_silent_is_closed() {
        let stream = connect(served_after(0).await, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n").await;
        assert!(rest(stream).await.ends_with("here"));
    }

    #[tokio::test]
    async fn a_client_that_does_not_read_is_given_up() {
        let mut stream =
            connect(served_after(0).await, "GET /large HTTP/1.1\r\nHost: localhost\r\n\r\n").await;
        sleep(HASTY.answer_max * 3).await;
        let mut got = Vec::new();
        let _reset_is_an_end_too = stream.read_to_end(&mut got).await;
        assert!(got.len() < LARGE_BYTES, "the whole answer came: nobody gave up");
    }

    #[tokio::test]
    async fn a_want_of_files_is_waited_out() {
        let address = served_after(3).await;
        assert!(rest(connect(address, ASK).await).await.ends_with("here"));
    }

    #[tokio::test]
    async fn a_flood_of_silent_connections_gives_way_to_one_that_asks() {
        // Nobody is closed for being slow: who comes in comes in because another gave way.
        let limits = Limits { head_max: Duration::from_secs(3_600), ..HASTY };
        let address = served(0, limits).await;
        let mut flood = Vec::new();
        for index in 0..PLACES * 2 {
            flood.push(
                connect(address, if index % 2 == 0 { "" } else { "GET / HTTP/1.1\r\nHost: loc" }).await,
            );
        }
        assert!(rest(connect(address, ASK).await).await.ends_with("here"));
        assert_eq!(rest(flood.remove(0)).await, "", "the first of them had to go");
    }

    #[tokio::test]
    async fn a_kept_connection_that_has_been_answered_may_have_to_give_way_too() {
        let limits = Limits { head_max: Duration::from_secs(3_600), ..HASTY };
        let address = served(0, limits).await;
        let mut kept = Vec::new();
        for _ in 0..PLACES * 2 {
            kept.push(connect(address, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n").await);
        }
        assert!(rest(connect(address, ASK).await).await.ends_with("here"));
    }
}
