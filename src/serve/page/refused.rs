//! What a person sees whose browser asked for something that is not there, or not so: the same as machines are
//! told, with ways back.

use askama::Template;
use axum::extract::{Request, State};
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::serve::Face;
use crate::serve::page::{Frame, rendered};
use crate::serve::problem::Problem;

/// What machines ask for lies below this; they are told in their own way even in a browser.
const FOR_MACHINES: &str = "/api/";

#[derive(Template)]
#[template(path = "refused.html", config = "src/serve/page/askama.toml")]
struct Page {
    frame: Frame,
    title: String,
    detail: String,
    /// A page that was perhaps meant.
    meant: Option<String>,
}

/// Tells a refusal as a page, where a page was asked for.
pub async fn as_page(State(face): State<Face>, request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let wants_page = !path.starts_with(FOR_MACHINES)
        && [Method::GET, Method::HEAD].contains(request.method())
        && request.headers().get_all(header::ACCEPT).iter().any(takes_html);
    let mut response = next.run(request).await;
    let Some(problem) = response.extensions_mut().remove::<Problem>().filter(|_| wants_page) else {
        return response;
    };
    let status = response.status();
    let mut page = page(&face, &path, problem).unwrap_or_else(IntoResponse::into_response);
    if page.status() == StatusCode::OK {
        *page.status_mut() = status;
    }
    page.headers_mut().append(header::VARY, HeaderValue::from_static("accept"));
    page
}

fn page(face: &Face, path: &str, problem: Problem) -> Result<Response, Problem> {
    // A name in a path comes last: the nearest one stands in its place.
    let within = path.rsplit_once('/').map(|(within, _)| within);
    let meant = problem.nearest.filter(|_| problem.status == StatusCode::NOT_FOUND.as_u16());
    rendered(&Page {
        frame: Frame::new(face, &problem.title, false),
        title: problem.title,
        detail: problem.detail,
        meant: within.zip(meant).map(|(within, nearest)| format!("{within}/{nearest}")),
    })
}

/// Whether whoever asks names pages among what it takes; a bare `*/*` is a program's.
fn takes_html(accepted: &HeaderValue) -> bool {
    let accepted = accepted.to_str().unwrap_or_default().to_ascii_lowercase();
    accepted.split(',').any(|range| range.split(';').next().is_some_and(|range| range.trim() == "text/html"))
}
