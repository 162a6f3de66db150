//! A report as a page to print or to send: one file, no script, nothing fetched from anywhere.

use askama::Template;

use crate::report::plot::{HEIGHT, WIDTH};
use crate::report::{Document, Report};

#[derive(Template)]
#[template(path = "page.html", config = "src/report/askama.toml")]
struct Page<'a> {
    document: &'a Document,
    width: f64,
    height: f64,
}

/// The report as HTML, with a drawing of each signal.
pub fn html(report: &Report, with_hours: bool) -> Result<String, askama::Error> {
    Page { document: &Document::of(report, with_hours), width: WIDTH, height: HEIGHT }.render()
}
