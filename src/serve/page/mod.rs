//! The pages for people: rendered here, complete without a script, loading nothing from elsewhere.
//!
//! [`overview`] is the status page, [`detail`] the page of one signal or alarm, [`trend`] what a
//! signal has been, [`journal`] the record, [`performance`] how well the alarms serve. Each turns a view into rows of words, and a template lays them out. The script beside
//! them only replaces the main part when the snapshot changes, and says so when it cannot.

mod detail;
mod journal;
mod overview;
mod performance;
mod row;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
mod trend;

use askama::Template;
use axum::Router;
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;

use crate::serve::Face;
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
        .route("/style.css", get(|| async { asset("text/css; charset=utf-8", include_str!("style.css")) }))
        .route("/live.js", get(|| async { asset("text/javascript; charset=utf-8", include_str!("live.js")) }))
        .route("/icon.svg", get(|| async { asset("image/svg+xml", include_str!("icon.svg")) }))
}

/// Style, script and icon change only with the program: kept, but asked for again each hour.
fn asset(content_type: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, content_type), (header::CACHE_CONTROL, "max-age=3600")], text).into_response()
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
        }
    }
}

fn rendered(template: &impl Template) -> Result<Html<String>, Problem> {
    let failed = |why: askama::Error| Problem::unavailable(format!("the page cannot be rendered: {why}"));
    template.render().map(Html).map_err(failed)
}
