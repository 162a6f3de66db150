//! `/api/v1/performance`: how well the alarms served their operator between two times.
//!
//! The figures are counted out of the journal, from its beginning: each question takes one of the
//! journal's few places, and nothing asks it by itself.

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use schemars::JsonSchema;
use serde::Deserialize;

use crate::moment::Wall;
use crate::serve::history::between;
use crate::serve::problem::Problem;
use crate::serve::{Face, JOURNAL_WAIT_MAX};
use crate::view::{Instant, Performance};

/// How many days are told when no time is asked for.
pub const DAYS_USUAL: u64 = 7;

/// What may be asked.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PerformanceQuery {
    /// Where the time begins; seven days before its end when absent.
    from: Option<Instant>,
    /// Where it ends; now when absent.
    to: Option<Instant>,
}

/// `/api/v1/performance?from=&to=`
pub async fn performance(
    State(face): State<Face>,
    query: Result<Query<PerformanceQuery>, QueryRejection>,
) -> Result<Json<Performance>, Problem> {
    let Query(query) = query.map_err(|why| Problem::in_query(&why))?;
    let (from, to) = between(query.from, query.to, face.handle.now().wall, DAYS_USUAL)?;
    Ok(Json(face.performance(from, to).await?))
}

/// The last days, of which there are as many as when no time is asked for.
pub fn between_last_days(now: Wall) -> Result<(Wall, Wall), Problem> {
    between(None, None, now, DAYS_USUAL)
}

impl Face {
    /// The alarms' performance between two times.
    pub(super) async fn performance(&self, from: Wall, to: Wall) -> Result<Performance, Problem> {
        let figures = self
            .read_journal(JOURNAL_WAIT_MAX, move |handle| async move { handle.performance(from, to).await });
        figures.await.map(Performance::from)
    }
}
