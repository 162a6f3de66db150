//! The pages for people: rendered here, complete without a script, loading nothing from elsewhere.
//!
//! [`overview`] is the status page, [`detail`] the page of one signal or alarm, [`trend`] what a
//! signal has been, [`journal`] the record, [`performance`] how well the alarms serve, [`refused`] what is told
//! instead of a page that there is not. Each turns a view into rows of words, and a template lays them out. The
//! script beside them only replaces the main part when the snapshot changes, and says so when it cannot.

mod detail;
mod journal;
mod overview;
mod performance;
mod refused;
mod row;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod trend;

use std::sync::LazyLock;

use askama::Template;
use axum::Router;
use axum::extract::RawQuery;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
pub use refused::as_page;

use crate::serve::Face;
use crate::serve::cache::{ASKED_FOR_AGAIN, KEPT_BY_NOBODY, KEPT_FOR_EVER, fingerprint};
use crate::serve::problem::Problem;

/// How often a page without a script asks for itself again, in seconds.
const REFRESH_S: u64 = 5;

/// Every page and what belongs to it.
pub fn routes() -> Router<Face> {
    Router::new()
        .route("/", get(overview::page))
        .route("/signals/{id}", get(detail::signal))
        .route("/alarms/{id}", get(detail::alarm))
        .route("/journal", get(journal::page))
        .route("/performance", get(performance::page))
        .route(STYLE.path, get(|query| async { STYLE.answer(query) }))
        .route(LIVE.path, get(|query| async { LIVE.answer(query) }))
        .route(ICON.path, get(|query| async { ICON.answer(query) }))
}

/// What a page loads beside itself. It changes only with the program, and is asked for under a name that
/// changes with it: then it is kept for ever, and is never that of another version.
struct Asset {
    path: &'static str,
    content_type: &'static str,
    text: &'static str,
    version: LazyLock<String>,
}

static STYLE: Asset = Asset {
    path: "/style.css",
    content_type: "text/css; charset=utf-8",
    text: include_str!("style.css"),
    version: LazyLock::new(|| fingerprint(STYLE.text.as_bytes())),
};

static LIVE: Asset = Asset {
    path: "/live.js",
    content_type: "text/javascript; charset=utf-8",
    text: include_str!("live.js"),
    version: LazyLock::new(|| fingerprint(LIVE.text.as_bytes())),
};

static ICON: Asset = Asset {
    path: "/icon.svg",
    content_type: "image/svg+xml",
    text: include_str!("icon.svg"),
    version: LazyLock::new(|| fingerprint(ICON.text.as_bytes())),
};

impl Asset {
    /// What a page asks for.
    fn address(&self) -> String {
        format!("{}?v={}", self.path, *self.version)
    }

    fn answer(&self, RawQuery(query): RawQuery) -> Response {
        let named = query.as_deref().and_then(|query| query.strip_prefix("v="));
        let kept = if named == Some(self.version.as_str()) { KEPT_FOR_EVER } else { ASKED_FOR_AGAIN };
        ([(header::CONTENT_TYPE, self.content_type), (header::CACHE_CONTROL, kept)], self.text)
            .into_response()
    }
}

/// What every page has around its main part.
struct Frame {
    /// The window's title: the news first, then the site.
    title: String,
    site: String,
    /// When what is told was true, at the site.
    time: String,
    /// Whether the page follows the present, or shows a piece of the past that stays as it is.
    live: bool,
    refresh_s: u64,
    /// What must be said before anything else.
    warnings: Vec<String>,
    style: String,
    script: String,
    icon: String,
}

impl Frame {
    fn new(face: &Face, news: &str, live: bool) -> Frame {
        let (snapshot, health) = (face.handle.snapshot(), face.health());
        Frame {
            title: format!("{news} · {}", snapshot.site_name),
            site: snapshot.site_name.clone(),
            time: crate::view::words::date_and_time(health.time, &face.settings.time_zone),
            live,
            refresh_s: REFRESH_S,
            warnings: health.reasons,
            style: STYLE.address(),
            script: LIVE.address(),
            icon: ICON.address(),
        }
    }
}

fn rendered(template: &impl Template) -> Result<Response, Problem> {
    let failed = |why: askama::Error| Problem::unavailable(format!("the page cannot be rendered: {why}"));
    let page = template.render().map_err(failed)?;
    Ok(([(header::CACHE_CONTROL, KEPT_BY_NOBODY)], Html(page)).into_response())
}
