//! `/api/v1/signals/{id}/history`: what a signal has been, in as many pieces as are asked for.

use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use schemars::JsonSchema;
use serde::Deserialize;
use tokio::time::timeout;

use crate::moment::Wall;
use crate::serve::Face;
use crate::serve::problem::{Named, Problem};
use crate::view::{Bucket, Conversion, History, Instant};

/// The most pieces that a time is told in.
pub const POINTS_MAX: usize = 2_000;
/// The longest time that is told at once: ten years.
pub const RANGE_MAX: Duration = Duration::from_secs(3_653 * DAY_S);
/// The most reads of the history at one time.
pub const READS_MAX: usize = 2;
/// How long a request may wait for the history.
pub const WAIT_MAX: Duration = Duration::from_secs(10);

const DAY_S: u64 = 24 * 3600;
const POINTS_USUAL: usize = 500;
const DAYS_USUAL: u64 = 1;

/// What may be asked of the history.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HistoryQuery {
    /// Where the time begins; a day before its end when absent.
    from: Option<Instant>,
    /// Where it ends; now when absent.
    to: Option<Instant>,
    /// In how many pieces it is told, at most 2000; 500 when absent.
    #[schemars(range(min = 1, max = 2000))]
    points: Option<usize>,
    /// The unit of its values; that of the site file when absent.
    unit: Option<String>,
}

/// `/api/v1/signals/{id}/history?from=&to=&points=&unit=`
pub async fn history(
    State(face): State<Face>,
    Named(id): Named,
    query: Result<Query<HistoryQuery>, QueryRejection>,
) -> Result<Json<History>, Problem> {
    let Query(query) = query.map_err(|why| Problem::in_query(&why))?;
    let (from, to, points) = limits(&query, face.handle.now().wall)?;
    let snapshot = face.handle.snapshot();
    let found = snapshot.signals.iter().find(|signal| signal.id == id);
    let unknown =
        || Problem::unknown("signal", &id, snapshot.signals.iter().map(|signal| signal.id.as_str()));
    let found = found.ok_or_else(unknown)?;
    let conversion = query.unit.map(|asked| Conversion::of(found, &asked)).transpose();
    let conversion = conversion.map_err(Problem::in_no_such_unit)?;
    let unit = found.unit.clone();
    let buckets = face.buckets(&id, from, to, points).await?;
    let history = History { signal: id, unit, from: from.into(), to: to.into(), buckets, conversion: None };
    Ok(Json(match conversion {
        Some((conversion, unit)) => history.converted(conversion, unit),
        None => history,
    }))
}

/// The time that is asked for, and in how many pieces.
fn limits(query: &HistoryQuery, now: Wall) -> Result<(Wall, Wall, usize), Problem> {
    let (from, to) = between(query.from, query.to, now, DAYS_USUAL)?;
    let points = query.points.unwrap_or(POINTS_USUAL);
    if !(1..=POINTS_MAX).contains(&points) {
        return Err(Problem::bad_request(format!("points must be from 1 to {POINTS_MAX}")));
    }
    if Duration::try_from(to.duration_since(from)).is_ok_and(|range| range > RANGE_MAX) {
        let days = RANGE_MAX.as_secs() / DAY_S;
        return Err(Problem::bad_request(format!(
            "at most {days} days are told at once: ask in several turns"
        )));
    }
    Ok((from, to, points))
}

/// The time that is asked for: it ends now when nothing is said of its end, and takes so many days when
/// nothing is said of its beginning.
pub(super) fn between(
    from: Option<Instant>,
    to: Option<Instant>,
    now: Wall,
    days_usual: u64,
) -> Result<(Wall, Wall), Problem> {
    let to = to.map_or(now, |to| to.0);
    let earlier = || to.checked_sub(Duration::from_secs(days_usual * DAY_S));
    let too_early = |_| Problem::bad_request("`to` is too early");
    let from = from.map_or_else(|| earlier().map_err(too_early), |from| Ok(from.0))?;
    if from < to { Ok((from, to)) } else { Err(Problem::bad_request("`from` must be earlier than `to`")) }
}

impl Face {
    /// What is known of the signal `id` between two times. As with the journal, a read holds its place
    /// until it ends.
    pub(super) async fn buckets(
        &self,
        id: &str,
        from: Wall,
        to: Wall,
        points: usize,
    ) -> Result<Vec<Bucket>, Problem> {
        let (handle, places, id) = (self.handle.clone(), Arc::clone(&self.history_reads), id.to_owned());
        let read = async move {
            let place = places.acquire_owned().await;
            let read = async move {
                let _place = place;
                handle.buckets(id, from, to, points).await
            };
            tokio::spawn(read).await
        };
        match timeout(WAIT_MAX, read).await {
            Ok(Ok(Ok(buckets))) => Ok(buckets.into_iter().map(Bucket::from).collect()),
            Ok(Ok(Err(why))) => Err(Problem::unavailable(format!("the history cannot be read: {why}"))),
            Ok(Err(_)) => Err(Problem::unavailable("the daemon is stopping")),
            Err(_) => Err(Problem::unavailable(format!("the history did not answer within {WAIT_MAX:?}"))),
        }
    }
}
