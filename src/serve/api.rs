//! The JSON answers. Each is a view of the present snapshot, or a page of the journal.

use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Deserialize;
use tokio::time::timeout;

use crate::daemon::Handle;
use crate::history::JournalEntry;
use crate::serve::problem::{Named, Problem};
use crate::serve::{Face, JOURNAL_WAIT_MAX};
use crate::view::{self, Alarm, Alarms, Conversion, Elapsed, Journal, Signal, Signals, Status};

/// The most events in one page of the journal; more are not refused, but not given either.
pub const JOURNAL_LIMIT_MAX: usize = 1000;
const JOURNAL_LIMIT_USUAL: usize = 100;

/// `/api/v1/status`
pub async fn status(State(face): State<Face>) -> Json<Status> {
    Json(face.status())
}

/// `/api/v1/signals`
pub async fn signals(State(face): State<Face>) -> Json<Signals> {
    Json(Signals::of(&face.handle.snapshot(), face.handle.now()))
}

/// What may be asked of a signal.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SignalQuery {
    /// The unit of its values; that of the site file when absent.
    unit: Option<String>,
}

/// `/api/v1/signals/{id}?unit=`
pub async fn signal(
    State(face): State<Face>,
    Named(id): Named,
    query: Result<Query<SignalQuery>, QueryRejection>,
) -> Result<Json<Signal>, Problem> {
    let Query(SignalQuery { unit }) = query.map_err(|why| Problem::in_query(&why))?;
    let snapshot = face.handle.snapshot();
    let found = snapshot.signals.iter().find(|signal| signal.id == id);
    let unknown =
        || Problem::unknown("signal", &id, snapshot.signals.iter().map(|signal| signal.id.as_str()));
    let found = found.ok_or_else(unknown)?;
    let signal = Signal::of(found, &snapshot, face.handle.now());
    let Some(asked) = unit else { return Ok(Json(signal)) };
    let (conversion, unit) = Conversion::of(found, &asked).map_err(Problem::in_no_such_unit)?;
    Ok(Json(signal.converted(conversion, unit)))
}

/// `/api/v1/alarms`
pub async fn alarms(State(face): State<Face>) -> Json<Alarms> {
    Json(Alarms::of(&face.handle.snapshot(), face.handle.now()))
}

/// `/api/v1/alarms/{id}`
pub async fn alarm(State(face): State<Face>, Named(id): Named) -> Result<Json<Alarm>, Problem> {
    let snapshot = face.handle.snapshot();
    let found = snapshot.alarms.iter().find(|alarm| alarm.id == id);
    let unknown = || Problem::unknown("alarm", &id, snapshot.alarms.iter().map(|alarm| alarm.id.as_str()));
    let alarm = found.ok_or_else(unknown)?;
    Ok(Json(Alarm::of(alarm, &snapshot, face.handle.now())))
}

/// What may be asked of the journal.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct JournalQuery {
    /// Events with a greater number than this.
    #[serde(default)]
    after: u64,
    /// So many at most; more than 1000 are not given. 100 when absent.
    #[schemars(range(min = 1))]
    limit: Option<usize>,
}

/// `/api/v1/journal?after=&limit=`
pub async fn journal(
    State(face): State<Face>,
    query: Result<Query<JournalQuery>, QueryRejection>,
) -> Result<Json<Journal>, Problem> {
    let Query(JournalQuery { after, limit }) = query.map_err(|why| Problem::in_query(&why))?;
    let limit = limit.unwrap_or(JOURNAL_LIMIT_USUAL);
    if limit == 0 {
        return Err(Problem::bad_request("limit must be at least 1"));
    }
    let limit = limit.min(JOURNAL_LIMIT_MAX);
    let entries = face.journal(JournalPage::After(after), limit, JOURNAL_WAIT_MAX).await?;
    Ok(Json(Journal::of(entries, after, limit)))
}

/// `/health`: 200 while the daemon keeps its promises, 503 with the reasons when it does not.
pub async fn health(State(face): State<Face>) -> Response {
    let health = face.health();
    let code = if health.healthy { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (code, Json(health)).into_response()
}

/// Which page of the journal.
#[derive(Debug, Clone, Copy)]
pub enum JournalPage {
    /// The events after this number.
    After(u64),
    /// The last events.
    Last,
}

impl Face {
    /// The present snapshot, seen now.
    pub(super) fn status(&self) -> Status {
        Status::of(&self.handle.snapshot(), self.handle.now())
    }

    /// Whether the daemon keeps its promises; an old snapshot breaks one of them.
    pub(super) fn health(&self) -> view::Health {
        let (snapshot, now) = (self.handle.snapshot(), self.handle.now());
        let Signals { time, stale, .. } = Signals::of(&snapshot, now);
        let age = Elapsed::between(snapshot.at, now);
        let mut reasons = self.handle.health().reasons(now.mono);
        if stale {
            let age = view::words::duration(age.0);
            reasons.push(format!("what is known is {age} old: nothing here is the present"));
        }
        view::Health { healthy: reasons.is_empty(), reasons, time, age_s: age, stale }
    }

    /// A page of the journal.
    pub(super) async fn journal(
        &self,
        page: JournalPage,
        limit: usize,
        wait_max: Duration,
    ) -> Result<Vec<JournalEntry>, Problem> {
        let read = move |handle: Handle| async move {
            match page {
                JournalPage::After(after) => handle.journal(after, limit).await,
                JournalPage::Last => handle.journal_last(limit).await,
            }
        };
        self.read_journal(wait_max, read).await
    }

    /// What `read` finds in the journal. It holds its place until it ends, even when nobody waits for
    /// it any more: a disk that hangs takes [`crate::serve::JOURNAL_READS_MAX`] threads and no more.
    pub(super) async fn read_journal<T, R>(
        &self,
        wait_max: Duration,
        read: impl FnOnce(Handle) -> R,
    ) -> Result<T, Problem>
    where
        T: Send + 'static,
        R: Future<Output = Result<T, String>> + Send + 'static,
    {
        let (read, places) = (read(self.handle.clone()), Arc::clone(&self.journal_reads));
        let placed = async move {
            let place = places.acquire_owned().await;
            let read = async move {
                let _place = place;
                read.await
            };
            tokio::spawn(read).await
        };
        match timeout(wait_max, placed).await {
            Ok(Ok(Ok(found))) => Ok(found),
            Ok(Ok(Err(why))) => Err(Problem::unavailable(format!("the journal cannot be read: {why}"))),
            Ok(Err(_)) => Err(Problem::unavailable("the daemon is stopping")),
            Err(_) => Err(Problem::unavailable(format!("the journal did not answer within {wait_max:?}"))),
        }
    }
}
