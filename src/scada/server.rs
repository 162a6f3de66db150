//! Takes masters in: so many and no more, and none that can wear the others out.
//!
//! Each limit here has a name. A master that says nothing, sends half a request or does not read its
//! answers is closed after its time; an error of the operating system is waited out. Whoever comes when
//! every place is taken is closed at once: a master then knows, and comes again.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, sleep, timeout, timeout_at};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::scada::frames::{self, FRAME_BYTES_MAX};
use crate::scada::image::Images;

/// The most masters at one time.
pub const CONNECTIONS_MAX: usize = 128;
/// How long a master may say nothing, in seconds.
pub const IDLE_S_MAX: u64 = 120;
/// How long one request may take to arrive, in seconds.
pub const REQUEST_S_MAX: u64 = 5;
/// How long answers may take to leave, in seconds.
pub const ANSWER_S_MAX: u64 = 10;
/// How long connections may take to end in good order when the daemon stops, in seconds.
pub const STOP_S_MAX: u64 = 1;

/// Bytes of requests taken from one master at a time; no more are answered before the answers to these
/// have left.
const READ_BYTES_MAX: usize = 4 * FRAME_BYTES_MAX;

const PAUSE_AFTER_ERROR_MS: u64 = 200;
const LOG_EVERY_S: u64 = 60;

/// The times that a connection is bounded by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Patience {
    pub(super) idle_max: Duration,
    pub(super) request_max: Duration,
    pub(super) answer_max: Duration,
}

impl Patience {
    const USUAL: Patience = Patience {
        idle_max: Duration::from_secs(IDLE_S_MAX),
        request_max: Duration::from_secs(REQUEST_S_MAX),
        answer_max: Duration::from_secs(ANSWER_S_MAX),
    };
}

/// Serves masters until `stop` is cancelled.
pub(super) async fn run(listener: TcpListener, images: Images, stop: CancellationToken) {
    serve(listener, images, Patience::USUAL, stop).await;
}

/// Where connections come from.
pub(super) trait Accept {
    fn accept(&self) -> impl Future<Output = io::Result<TcpStream>> + Send;
}

impl Accept for TcpListener {
    async fn accept(&self) -> io::Result<TcpStream> {
        TcpListener::accept(self).await.map(|(stream, _)| stream)
    }
}

pub(super) async fn serve(
    listener: impl Accept,
    images: Images,
    patience: Patience,
    stop: CancellationToken,
) {
    let images = Arc::new(images);
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let connections = TaskTracker::new();
    let mut complaint = Complaint::default();
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match (accepted, Arc::clone(&places).try_acquire_owned()) {
            (Ok(stream), Ok(place)) => {
                connections.spawn(master(stream, place, Arc::clone(&images), patience, stop.clone()));
            }
            (Ok(_closed), Err(_)) => {
                complaint
                    .log(format_args!("{CONNECTIONS_MAX} masters are connected; others are turned away"));
            }
            (Err(error), _) => {
                complaint.log(format_args!("SCADA cannot take masters in and goes on trying: {error}"));
                sleep(Duration::from_millis(PAUSE_AFTER_ERROR_MS)).await;
            }
        }
    }
    connections.close();
    if timeout(Duration::from_secs(STOP_S_MAX), connections.wait()).await.is_err() {
        tracing::info!(open = connections.len(), "SCADA masters were cut off");
    }
}

/// Serves one master; its `place` is free again when this returns.
async fn master(
    mut stream: TcpStream,
    _place: OwnedSemaphorePermit,
    images: Arc<Images>,
    patience: Patience,
    stop: CancellationToken,
) {
    // Answers are small and waited for; without it they would only come later.
    let _ = stream.set_nodelay(true);
    tokio::select! {
        () = stop.cancelled() => (),
        () = converse(&mut stream, &images, patience) => (),
    }
}

/// Answers until the master has gone, or does something that ends the conversation.
async fn converse(stream: &mut TcpStream, images: &Images, patience: Patience) {
    let (mut arrived, mut answers) = (Vec::with_capacity(READ_BYTES_MAX), Vec::new());
    let mut read = [0; READ_BYTES_MAX - FRAME_BYTES_MAX];
    let mut deadline = Instant::now() + patience.idle_max;
    loop {
        let count = match timeout_at(deadline, stream.read(&mut read)).await {
            Ok(Ok(count @ 1..)) => count,
            Ok(Ok(0) | Err(_)) | Err(_) => return,
        };
        let began_before = !arrived.is_empty();
        arrived.extend(read.iter().take(count));
        let held = arrived.len();
        if frames::answer_all(&mut arrived, &images.now(), &mut answers).is_err() {
            tracing::debug!("something that is not Modbus TCP came, and was closed");
            return;
        }
        let answered = arrived.len() < held;
        if !matches!(timeout(patience.answer_max, stream.write_all(&answers)).await, Ok(Ok(()))) {
            return;
        }
        answers.clear();
        deadline = if arrived.is_empty() {
            Instant::now() + patience.idle_max
        } else if answered || !began_before {
            Instant::now() + patience.request_max
        } else {
            deadline
        };
    }
}

/// Says at most once a minute what keeps masters out.
#[derive(Default)]
struct Complaint {
    last: Option<Instant>,
}

impl Complaint {
    fn log(&mut self, what: std::fmt::Arguments<'_>) {
        let due = self.last.is_none_or(|last| last.elapsed() >= Duration::from_secs(LOG_EVERY_S));
        if due {
            tracing::warn!("{what}");
            self.last = Some(Instant::now());
        }
    }
}
