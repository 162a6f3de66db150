//! `/api/v1/stream`: the snapshot as server-sent events, each time it changes.
//!
//! Every event is the whole status: nothing is to be pieced together, and a client that falls
//! behind skips to the newest. When the snapshot stops changing, an event still goes out at the
//! latest every [`SILENCE_S_MAX`], so that the client hears of its growing old.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::response::Sse;
use axum::response::sse::Event;
use futures_util::Stream;
use futures_util::stream::unfold;
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::time::{Instant, sleep_until, timeout};

use crate::monitor::Snapshot;
use crate::serve::Face;
use crate::serve::problem::Problem;

/// The longest time between two events of a stream, in seconds.
pub const SILENCE_S_MAX: u64 = 2;

/// `/api/v1/stream`
pub async fn stream(
    State(face): State<Face>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let place = Arc::clone(&face.stream_clients).try_acquire_owned().map_err(|_| {
        Problem::unavailable("the stream has as many clients as it serves; read /api/v1/status instead")
    })?;
    let mut snapshots = face.handle.snapshots();
    snapshots.mark_changed();
    let client = Client { snapshots, face, next: Instant::now(), _place: place };
    Ok(Sse::new(unfold(client, Client::next)))
}

struct Client {
    face: Face,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    /// Not before this, so that a fast poll does not flood the client.
    next: Instant,
    _place: OwnedSemaphorePermit,
}

impl Client {
    /// The next event; none once the daemon stops.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Client)> {
        let stop = self.face.stop.clone();
        tokio::select! {
            () = stop.cancelled() => return None,
            () = self.due() => (),
        }
        let status = self.face.status();
        let event = Event::default().event("status").json_data(&status).ok()?;
        Some((Ok(event), self))
    }

    async fn due(&mut self) {
        sleep_until(self.next).await;
        let changed = timeout(Duration::from_secs(SILENCE_S_MAX), self.snapshots.changed());
        if let Ok(Err(_gone)) = changed.await {
            sleep_until(Instant::now() + Duration::from_secs(SILENCE_S_MAX)).await;
        }
        self.next = Instant::now() + self.face.settings.stream_every;
    }
}
