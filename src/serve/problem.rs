//! Every refusal, as problem details (RFC 9457).

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{FromRequestParts, Path};
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;

use crate::view::UnitRefused;

/// What the standard library says of a number that cannot be read, and what it means to whoever wrote it.
const IN_PLAIN_WORDS: [(&str, &str); 3] = [
    ("invalid digit found in string", "a whole number is wanted, from 0 on"),
    ("number too large to fit in target type", "the number is too large"),
    ("cannot parse integer from empty string", "a number is wanted, and there is none"),
];

/// A refusal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Problem {
    /// The HTTP status again.
    pub status: u16,
    /// What the status means.
    pub title: String,
    /// What went wrong here, and what can be done.
    pub detail: String,
    /// The nearest name to the one that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nearest: Option<String>,
    /// What could have been asked for instead.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub possible: Option<Vec<String>>,
}

impl Problem {
    /// A refusal with this status.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Problem {
        let title = status.canonical_reason().unwrap_or("Error").to_owned();
        Problem { status: status.as_u16(), title, detail: detail.into(), nearest: None, possible: None }
    }

    /// There is nothing here.
    pub fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, detail)
    }

    /// There is no `thing` called `id`; perhaps one of `known` was meant.
    pub fn unknown<'a>(thing: &str, id: &str, known: impl Iterator<Item = &'a str>) -> Problem {
        let nearest = crate::names::nearest(id, known).map(str::to_owned);
        let detail = match &nearest {
            Some(nearest) => format!("there is no {thing} {id:?} here; did you mean {nearest:?}?"),
            None => format!("there is no {thing} {id:?} here"),
        };
        Problem { nearest, ..Problem::not_found(detail) }
    }

    /// The question is not well put.
    pub fn bad_request(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, detail)
    }

    /// The part of the question after `?` cannot be read: which part, and why.
    pub fn in_query(why: &QueryRejection) -> Problem {
        let why = why.body_text();
        let told = why.strip_prefix("Failed to deserialize query string: ").unwrap_or(&why);
        let told =
            IN_PLAIN_WORDS.iter().fold(told.to_owned(), |told, (words, plain)| told.replace(words, plain));
        Problem::bad_request(format!("what follows `?` cannot be read: {told}"))
    }

    /// It is not told in the unit that was asked for.
    pub fn in_no_such_unit(refused: UnitRefused) -> Problem {
        let UnitRefused { why, nearest, possible } = refused;
        let meant =
            nearest.as_ref().map_or_else(String::new, |nearest| format!("; did you mean {nearest:?}?"));
        let possible = (!possible.is_empty()).then_some(possible);
        Problem { nearest, possible, ..Problem::bad_request(format!("{why}{meant}")) }
    }

    /// It cannot be answered for now.
    pub fn unavailable(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    }
}

/// The name in a path, or the refusal of one that is no text; without it the refusal would be none of ours.
pub struct Named(pub String);

impl<S: Send + Sync> FromRequestParts<S> for Named {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Named, Problem> {
        match Path::from_request_parts(parts, state).await {
            Ok(Path(name)) => Ok(Named(name)),
            Err(_) => Err(Problem::bad_request("the name in the path is no text in UTF-8")),
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self.clone())).into_response();
        response.extensions_mut().insert(self);
        let problem_json = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, problem_json);
        response
    }
}
