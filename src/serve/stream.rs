//! `/api/v1/stream`: the snapshot as server-sent events, each time it changes.
//!
//! Every event is the whole status: nothing is to be pieced together; or, for whoever only wants to know when
//! to look, its number and time (`?brief=true`, as the page asks). It is put into bytes once, and all
//! who listen get the same bytes; while nobody listens nothing is put into bytes at all. A reader that
//! falls behind skips to the newest, and a comment in its stream says what it has missed; one that does
//! not read is closed ([`crate::serve::patience`]). When the snapshot stops changing, an event still goes
//! out after [`SILENCE_S_MAX`], so that everybody hears of its growing old.

use std::convert::Infallible;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::body::Body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures_util::stream::unfold;
use hyper::body::Bytes;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, watch};
use tokio::time::{Instant, sleep_until, timeout};

use crate::monitor::Snapshot;
use crate::serve::Face;
use crate::serve::cache::ASKED_FOR_AGAIN;
use crate::serve::problem::Problem;
use crate::view;

/// How long nothing may change before the same is told again, in seconds.
pub const SILENCE_S_MAX: u64 = 2;
/// What all events together may take of the network, in bytes a second: with more readers than that, each
/// gets fewer events, see [`PACE_MS_MAX`].
pub const STREAM_BYTES_PER_S_MAX: u64 = 20_000_000;
/// However many listen, the least time between two events is never made longer than this, in ms.
pub const PACE_MS_MAX: u64 = 4_000;

pub(super) const CONTENT_TYPE: &str = "text/event-stream";

/// What may be asked of the stream.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StreamQuery {
    /// Whether only to tell *that* something has changed: events `changed` with number and time.
    #[serde(default)]
    brief: bool,
}

/// `/api/v1/stream?brief=`
pub async fn stream(
    State(face): State<Face>,
    query: Result<Query<StreamQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(StreamQuery { brief }) = query.map_err(|why| Problem::in_query(&why))?;
    let place = Arc::clone(&face.broadcast.places).try_acquire_owned().map_err(|_| {
        Problem::unavailable("the stream has as many readers as it serves; read /api/v1/status instead")
    })?;
    let events = face.broadcast.events.subscribe();
    face.broadcast.somebody_listens.notify_one();
    let seen = events.borrow().number;
    let ready = Some(face.broadcast.newest(&face).told(brief));
    face.broadcast.whole_readers.fetch_add(usize::from(!brief), Ordering::Relaxed);
    let reader = Reader { face, events, seen, ready, brief, _place: place };
    let headers = [(header::CONTENT_TYPE, CONTENT_TYPE), (header::CACHE_CONTROL, ASKED_FOR_AGAIN)];
    Ok((headers, Body::from_stream(unfold(reader, Reader::next))).into_response())
}

/// What all who listen have in common.
pub(super) struct Broadcast {
    events: watch::Sender<Event>,
    /// The last event and when it was made, for those who come between two.
    newest: Mutex<Option<(Instant, Told)>>,
    /// How many get the whole status.
    whole_readers: AtomicUsize,
    somebody_listens: Notify,
    places: Arc<Semaphore>,
}

/// One event, as it goes over the wire.
#[derive(Clone, Default)]
struct Event {
    /// Counts them.
    number: u64,
    told: Told,
}

/// What an event says, whole and in brief.
#[derive(Clone, Default)]
struct Told {
    whole: Bytes,
    brief: Bytes,
}

impl Told {
    fn told(self, brief: bool) -> Bytes {
        if brief { self.brief } else { self.whole }
    }
}

impl Broadcast {
    /// A stream with room for so many readers.
    pub(super) fn new(readers_max: usize) -> Broadcast {
        Broadcast {
            events: watch::Sender::default(),
            newest: Mutex::default(),
            whole_readers: AtomicUsize::new(0),
            somebody_listens: Notify::new(),
            places: Arc::new(Semaphore::new(readers_max)),
        }
    }

    /// The newest event, made now unless one was just made.
    fn newest(&self, face: &Face) -> Told {
        let mut newest = self.newest.lock().unwrap_or_else(PoisonError::into_inner);
        match &*newest {
            Some((made, told)) if made.elapsed() < face.settings.stream_every => told.clone(),
            Some(_) | None => newest.insert((Instant::now(), event(face))).1.clone(),
        }
    }

    /// Tells everybody what is known now; returns how long to leave them in peace.
    fn tell(&self, face: &Face) -> Duration {
        let told = event(face);
        *self.newest.lock().unwrap_or_else(PoisonError::into_inner) = Some((Instant::now(), told.clone()));
        let whole_readers = self.whole_readers.load(Ordering::Relaxed);
        let pace = pace(whole_readers, told.whole.len()).max(face.settings.stream_every);
        self.events.send_modify(|event| *event = Event { number: event.number + 1, told });
        pace
    }

    async fn somebody_listens(&self) {
        while self.events.receiver_count() == 0 {
            self.somebody_listens.notified().await;
        }
    }
}

/// Makes the events until the daemon stops.
pub(super) async fn make_events(face: Face) {
    let work = async {
        let mut snapshots = face.handle.snapshots();
        loop {
            face.broadcast.somebody_listens().await;
            changed(&mut snapshots).await;
            let next = Instant::now() + face.broadcast.tell(&face);
            sleep_until(next).await;
        }
    };
    tokio::select! {
        () = face.stop.cancelled() => (),
        () = work => (),
    }
}

/// Waits for another snapshot, but not too long.
async fn changed(snapshots: &mut watch::Receiver<Arc<Snapshot>>) {
    let silence_max = Duration::from_secs(SILENCE_S_MAX);
    if let Ok(Err(_gone)) = timeout(silence_max, snapshots.changed()).await {
        sleep_until(Instant::now() + silence_max).await;
    }
}

/// How far apart events of so many bytes are for so many readers.
fn pace(readers: usize, bytes: usize) -> Duration {
    let all = u64::try_from(readers.saturating_mul(bytes)).unwrap_or(u64::MAX);
    Duration::from_millis((all / (STREAM_BYTES_PER_S_MAX / 1000)).min(PACE_MS_MAX))
}

/// What is known now, as one event.
fn event(face: &Face) -> Told {
    let status = face.status();
    let changed = Changed { seq: status.seq, time: status.time, stale: status.stale };
    Told { whole: bytes("status", &status), brief: bytes("changed", &changed) }
}

/// What is told in brief.
#[derive(Serialize)]
struct Changed {
    seq: u64,
    time: view::Instant,
    stale: bool,
}

fn bytes(name: &str, data: &impl Serialize) -> Bytes {
    let mut bytes = format!("event: {name}\ndata: ").into_bytes();
    // What is known is plain data: it has no way not to become JSON, which has no line breaks of its own.
    if serde_json::to_writer(&mut bytes, data).is_err() {
        return Bytes::from_static(b": what is known could not be told\n\n");
    }
    bytes.extend_from_slice(b"\n\n");
    Bytes::from(bytes)
}

/// One who listens.
struct Reader {
    face: Face,
    events: watch::Receiver<Event>,
    /// The number of the last event that it was given.
    seen: u64,
    /// What it gets next, without waiting.
    ready: Option<Bytes>,
    brief: bool,
    _place: OwnedSemaphorePermit,
}

impl Reader {
    /// The next piece of the stream; none once the daemon stops. It is asked for only when the last one
    /// has left, so that a reader who is behind holds one event and no more.
    async fn next(mut self) -> Option<(Result<Bytes, Infallible>, Reader)> {
        if let Some(ready) = self.ready.take() {
            return Some((Ok(ready), self));
        }
        tokio::select! {
            () = self.face.stop.cancelled() => return None,
            changed = self.events.changed() => changed.ok()?,
        }
        let Event { number, told } = self.events.borrow_and_update().clone();
        let bytes = told.told(self.brief);
        let missed = number.saturating_sub(self.seen + 1);
        self.seen = number;
        if missed == 0 {
            return Some((Ok(bytes), self));
        }
        self.ready = Some(bytes);
        Some((
            Ok(Bytes::from(format!(": {missed} events were skipped, because this reader was behind\n\n"))),
            self,
        ))
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.face.broadcast.whole_readers.fetch_sub(usize::from(!self.brief), Ordering::Relaxed);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::{TcpSocket, TcpStream};

    use super::*;
    use crate::serve::Limits;
    use crate::serve::rig::Rig;
    use crate::view::story::story;

    /// A story that takes more room than the kernel keeps for a reader.
    fn long_story() -> Snapshot {
        let mut snapshot = story();
        snapshot.signals[0].name = Some("x".repeat(512 * 1024));
        snapshot
    }

    /// The kernel keeps little for it, so that an event does not fit in.
    async fn listening(rig: &Rig) -> TcpStream {
        let socket = TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(16 * 1024).unwrap();
        let mut stream = socket.connect(rig.address).await.unwrap();
        stream.write_all(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        stream
    }

    /// Reads on until `words` have come.
    async fn until(stream: &mut TcpStream, words: &str) {
        let mut told = Vec::new();
        let mut some = [0; 64 * 1024];
        loop {
            let count = stream.read(&mut some).await.unwrap();
            assert!(count > 0, "the stream ended without {words:?}");
            told.extend_from_slice(&some[..count]);
            if told.windows(words.len()).any(|window| window == words.as_bytes()) {
                return;
            }
            told.drain(..told.len().saturating_sub(words.len() - 1));
        }
    }

    fn renamed(rig: &Rig, name: &str) {
        rig.snapshots.send_modify(|snapshot| Arc::make_mut(snapshot).site_name = name.to_owned());
    }

    #[tokio::test]
    async fn readers_that_never_read_hold_nobody_up() {
        let rig = Rig::telling(long_story()).await;
        let mut asleep = Vec::new();
        for _ in 0..6 {
            asleep.push(listening(&rig).await);
        }
        let mut awake = listening(&rig).await;
        for round in 0..3 {
            let name = format!("round {round} is over");
            renamed(&rig, &name);
            until(&mut awake, &name).await;
        }
        assert_eq!(rig.get("/health").await.status, 200);
    }

    #[tokio::test]
    async fn a_reader_that_was_behind_is_told_what_it_missed_and_then_the_newest() {
        let rig = Rig::telling(long_story()).await;
        let (mut behind, mut awake) = (listening(&rig).await, listening(&rig).await);
        for round in 0..6 {
            let name = format!("round {round} is over");
            renamed(&rig, &name);
            until(&mut awake, &name).await;
        }
        until(&mut behind, " events were skipped, because this reader was behind\n\n").await;
        renamed(&rig, "the end");
        until(&mut behind, "the end").await;
    }

    #[tokio::test]
    async fn a_reader_that_does_not_read_is_closed_after_its_time() {
        let hasty = Limits { answer_max: Duration::from_millis(100), ..Limits::USUAL };
        let rig = Rig::limited(long_story(), hasty).await;
        let mut asleep = listening(&rig).await;
        // It is given up when its place is free again; until then nobody reads here.
        let places = &rig.face.broadcast.places;
        while places.available_permits() == hasty.streams {
            tokio::task::yield_now().await;
        }
        while places.available_permits() < hasty.streams {
            tokio::task::yield_now().await;
        }
        let mut rest = Vec::new();
        let _a_reset_is_an_end_too = asleep.read_to_end(&mut rest).await;
    }

    #[tokio::test]
    async fn nothing_is_made_while_nobody_listens_and_everybody_gets_the_same_bytes() {
        let rig = Rig::telling(story()).await;
        let made = || rig.face.broadcast.events.borrow().number;
        assert_eq!(made(), 0);
        let mut readers = Vec::new();
        for _ in 0..10 {
            readers.push(listening(&rig).await);
        }
        for reader in &mut readers {
            until(reader, "\n\n").await;
        }
        renamed(&rig, "for all of them");
        for reader in &mut readers {
            until(reader, "for all of them").await;
        }
        assert!(made() < 10, "{} events were made for ten readers", made());
    }

    #[tokio::test]
    async fn who_asks_for_it_is_told_only_that_something_changed() {
        let rig = Rig::telling(long_story()).await;
        let mut stream = TcpStream::connect(rig.address).await.unwrap();
        let request = "GET /api/v1/stream?brief=true HTTP/1.1\r\nHost: localhost\r\n\r\n";
        stream.write_all(request.as_bytes()).await.unwrap();
        let changed =
            "event: changed\ndata: {\"seq\":245,\"time\":\"2026-03-02T15:04:05.120Z\",\"stale\":false}\n\n";
        until(&mut stream, changed).await;
        rig.snapshots.send_modify(|snapshot| Arc::make_mut(snapshot).seq = 246);
        until(&mut stream, "{\"seq\":246,").await;
        assert_eq!(rig.face.broadcast.whole_readers.load(Ordering::Relaxed), 0);
        assert_eq!(rig.get("/api/v1/stream?brief=perhaps").await.status, 400);
    }

    #[test]
    fn many_readers_get_fewer_events_but_never_none() {
        assert_eq!(pace(0, 40_000), Duration::ZERO);
        assert_eq!(pace(100, 40_000), Duration::from_millis(200));
        assert_eq!(pace(2_000, 40_000), Duration::from_millis(4_000));
        assert_eq!(pace(2_000, 1_000_000), Duration::from_millis(PACE_MS_MAX));
        assert_eq!(pace(usize::MAX, usize::MAX), Duration::from_millis(PACE_MS_MAX));
    }
}
