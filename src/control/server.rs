//! The daemon's end of the control socket: connections, and what each may take of the daemon.
//!
//! Nothing that comes from the other end can do more than end its own connection: messages, time and
//! connections are limited, and an error on accepting one is waited out.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinHandle;
use tokio::time::{Instant, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::control::answer::answer;
use crate::control::caller::user_name;
use crate::control::loan::Held;
use crate::control::protocol::{
    Answer, CONNECTIONS_MAX, Failure, FailureKind, IDLE_MAX, REQUEST_BYTES_MAX, Request,
};
use crate::control::socket::{Socket, SocketFile};
use crate::daemon::Handle;

/// How long to wait after a connection could not be accepted: most likely files have run out.
const ACCEPT_PAUSE: Duration = Duration::from_secs(1);
/// The least time between two lines of the log about that.
const ACCEPT_LOG_PAUSE: Duration = Duration::from_secs(60);
/// How long connections may take to finish what they have begun, once the server is to stop.
const STOP_GRACE: Duration = Duration::from_millis(500);

/// The running server.
#[derive(Debug)]
pub struct Serving {
    accepting: JoinHandle<()>,
}

impl Serving {
    /// Waits until the server has stopped, after its token was cancelled.
    pub async fn stopped(self) {
        // A server that panicked has stopped as well.
        let _ = self.accepting.await;
    }
}

impl Socket {
    /// Answers requests from now on, until `stop` is cancelled; then the file is removed.
    pub fn serve(self, handle: Handle, stop: CancellationToken) -> Serving {
        Serving { accepting: tokio::spawn(accept(self, handle, stop)) }
    }
}

async fn accept(socket: Socket, handle: Handle, stop: CancellationToken) {
    let Socket { listener, file } = socket;
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let connections = TaskTracker::new();
    let mut logged: Option<Instant> = None;
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, _)) => match Arc::clone(&places).try_acquire_owned() {
                Ok(place) => {
                    connections.spawn(attend(stream, handle.clone(), stop.clone(), place));
                }
                Err(_) => turn_away(&stream),
            },
            Err(error) => {
                if logged.is_none_or(|at| at.elapsed() > ACCEPT_LOG_PAUSE) {
                    tracing::warn!("control socket: cannot accept a connection, trying again: {error}");
                    logged = Some(Instant::now());
                }
                tokio::select! { () = stop.cancelled() => break, () = tokio::time::sleep(ACCEPT_PAUSE) => {} }
            }
        }
    }
    finish(connections, file).await;
}

async fn finish(connections: TaskTracker, file: SocketFile) {
    drop(file);
    connections.close();
    if timeout(STOP_GRACE, connections.wait()).await.is_err() {
        tracing::debug!("control socket: {} connections cut off", connections.len());
    }
}

/// Tells a connection too many that it is one, if it fits into its buffer, and lets it go.
fn turn_away(stream: &UnixStream) {
    let message = format!("{CONNECTIONS_MAX} connections are open already; try again in a few seconds");
    let answer = Answer::Error(Failure { kind: FailureKind::Busy, message });
    let _ = stream.try_write(&line(&answer));
}

/// One connection from beginning to end.
async fn attend(stream: UnixStream, handle: Handle, stop: CancellationToken, _place: OwnedSemaphorePermit) {
    if let Err(error) = converse(stream, &handle, &stop).await {
        tracing::debug!("control socket: connection ended: {error}");
    }
}

async fn converse(mut stream: UnixStream, handle: &Handle, stop: &CancellationToken) -> io::Result<()> {
    let user = user_name(stream.peer_cred()?.uid()).await;
    let (read, mut write) = stream.split();
    let mut read = BufReader::new(read);
    let mut request = Vec::new();
    let mut held = Held::default();
    loop {
        request.clear();
        let arrived = tokio::select! {
            () = stop.cancelled() => return Ok(()),
            () = held.over() => return Ok(()),
            arrived = timeout(held.idle_max(), next_request(&mut read, &mut request)) => arrived??,
        };
        let answer = match arrived {
            Arrived::Nothing => return Ok(()),
            Arrived::TooLong => Answer::Error(too_long()),
            Arrived::Whole => match Request::parse(&request) {
                Ok(request) => answer(request, &user, handle, &mut held).await,
                Err(failure) => Answer::Error(failure),
            },
        };
        timeout(IDLE_MAX, write.write_all(&line(&answer))).await??;
        if arrived == Arrived::TooLong {
            return Ok(());
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Arrived {
    /// A line with its end.
    Whole,
    /// More than [`REQUEST_BYTES_MAX`] without an end.
    TooLong,
    /// The other end has closed, perhaps in the middle of a line.
    Nothing,
}

async fn next_request(
    read: &mut (impl AsyncBufReadExt + Unpin),
    request: &mut Vec<u8>,
) -> io::Result<Arrived> {
    let bytes_max = u64::try_from(REQUEST_BYTES_MAX).unwrap_or(u64::MAX);
    read.take(bytes_max).read_until(b'\n', request).await?;
    Ok(match request.last() {
        Some(b'\n') => Arrived::Whole,
        _ if request.len() == REQUEST_BYTES_MAX => Arrived::TooLong,
        _ => Arrived::Nothing,
    })
}

fn too_long() -> Failure {
    Failure::bad_request(format!("a request takes at most {REQUEST_BYTES_MAX} bytes, its newline included"))
}

/// An answer as it goes on the wire.
fn line(answer: &Answer) -> Vec<u8> {
    // Strings, numbers and ready-made JSON: there is nothing in an answer that has no JSON.
    let mut line = serde_json::to_vec(answer).unwrap_or_default();
    line.push(b'\n');
    line
}
