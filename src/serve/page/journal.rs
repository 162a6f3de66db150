//! The record, page by page, newest first.

use askama::Template;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;

use crate::serve::api::JournalPage;
use crate::serve::page::row::{EventRow, Here};
use crate::serve::page::{Frame, rendered};
use crate::serve::problem::Problem;
use crate::serve::{Face, JOURNAL_WAIT_MAX};
use crate::view::{Entry, Instant};

/// Events on one page.
const EVENTS_PER_PAGE: usize = 50;

#[derive(Template)]
#[template(path = "journal.html", config = "src/serve/page/askama.toml")]
struct Page {
    frame: Frame,
    events: Vec<EventRow>,
    /// The `after` of the page before this one in time.
    older: Option<u64>,
    /// The `after` of the page that follows in time.
    newer: Option<u64>,
}

/// What may be asked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PageQuery {
    /// Events with a greater number than this; the last events when left out.
    after: Option<u64>,
}

/// `/journal?after=`
pub async fn page(
    State(face): State<Face>,
    query: Result<Query<PageQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    let Query(PageQuery { after }) = query.map_err(|why| Problem::in_query(&why))?;
    let which = after.map_or(JournalPage::Last, JournalPage::After);
    let entries = face.journal(which, EVENTS_PER_PAGE, JOURNAL_WAIT_MAX).await?;
    let here = Here { now: Instant::from(face.handle.now()), zone: &face.settings.time_zone };
    let first = entries.first().map_or(0, |entry| entry.seq);
    let last = entries.last().map(|entry| entry.seq);
    let page_length = u64::try_from(EVENTS_PER_PAGE).unwrap_or(u64::MAX);
    rendered(&Page {
        frame: Frame::new(&face, "Journal", after.is_none()),
        older: (first > 1).then(|| (first - 1).saturating_sub(page_length)),
        newer: last.filter(|_| after.is_some() && entries.len() == EVENTS_PER_PAGE),
        events: entries.into_iter().rev().map(|entry| EventRow::of(&Entry::from(entry), here)).collect(),
    })
}
