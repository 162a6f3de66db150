//! What stands before every answer: which requests are let in, and which headers go out.
//!
//! Let in are GET and HEAD without a body, by whoever bears a token where the site asks for one. On a loopback address the `Host` must be a loopback name
//! too: else a page from elsewhere could rebind its own name to 127.0.0.1 and read what is told
//! here. The headers forbid everything that the page does not need.

use std::net::{IpAddr, SocketAddr};

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Version, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use hyper::body::Body;
use tokio::sync::watch;

use crate::serve::access::{Access, CHALLENGES};
use crate::serve::problem::Problem;

/// Style, script and live data from this server; nothing else, from nowhere else, in no frame.
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; \
     connect-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 5] = [
    (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// The rules of one listening address.
#[derive(Debug, Clone)]
pub struct Gate {
    loopback_only: bool,
    access: watch::Receiver<Access>,
}

impl Gate {
    /// The rules for a server bound to `address`.
    pub fn on(address: SocketAddr, access: watch::Receiver<Access>) -> Gate {
        Gate { loopback_only: address.ip().is_loopback(), access }
    }

    fn refusal(&self, request: &Request) -> Option<Problem> {
        if !matches!(*request.method(), Method::GET | Method::HEAD) {
            let detail = "this server only tells: GET and HEAD are the methods it knows";
            return Some(Problem::new(StatusCode::METHOD_NOT_ALLOWED, detail));
        }
        if !request.body().is_end_stream() {
            return Some(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "this server takes no request body"));
        }
        match host(request) {
            Err(problem) => Some(problem),
            Ok(Some(host)) if self.loopback_only && !is_loopback_name(host.host()) => Some(Problem::new(
                StatusCode::MISDIRECTED_REQUEST,
                "this server is reached as localhost or by its loopback address, and under no other name",
            )),
            Ok(_) if !self.access.borrow().lets_in(request.headers()) => Some(Problem::new(
                StatusCode::UNAUTHORIZED,
                "this server answers whoever sends one of its tokens: as a bearer token, or in a browser as the \
                 password beside any name",
            )),
            Ok(_) => None,
        }
    }
}

/// Lets a request through to its answer, or refuses it; either way with every header.
pub async fn guard(State(gate): State<Gate>, request: Request, next: Next) -> Response {
    let mut response = match gate.refusal(&request) {
        Some(problem) => problem.into_response(),
        None => next.run(request).await,
    };
    if response.status() == StatusCode::METHOD_NOT_ALLOWED {
        response.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET, HEAD"));
    }
    if response.status() == StatusCode::UNAUTHORIZED {
        for challenge in CHALLENGES {
            response.headers_mut().append(header::WWW_AUTHENTICATE, HeaderValue::from_static(challenge));
        }
    }
    harden(response.headers_mut());
    response
}

fn harden(headers: &mut HeaderMap) {
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

/// The host that was asked for (RFC 9112, section 3.2): exactly one, and only HTTP/1.0 may leave it out.
fn host(request: &Request) -> Result<Option<Authority>, Problem> {
    let mut hosts = request.headers().get_all(header::HOST).iter();
    let host = match (hosts.next(), hosts.next()) {
        (None, _) if request.version() < Version::HTTP_11 => None,
        (None, _) => return Err(Problem::bad_request("the Host header is missing")),
        (Some(host), None) => Some(host),
        (Some(_), Some(_)) => return Err(Problem::bad_request("there is more than one Host header")),
    };
    if let Some(authority) = request.uri().authority() {
        return Ok(Some(authority.clone()));
    }
    let authority = |host: &HeaderValue| Authority::try_from(host.as_bytes());
    host.map(authority).transpose().map_err(|_| Problem::bad_request("the Host header cannot be read"))
}

fn is_loopback_name(host: &str) -> bool {
    let address = host.trim_start_matches('[').trim_end_matches(']');
    host.eq_ignore_ascii_case("localhost")
        || address.parse().is_ok_and(|address: IpAddr| address.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_names_are_loopback_names() {
        for name in ["localhost", "LOCALHOST", "127.0.0.1", "127.8.9.1", "[::1]"] {
            assert!(is_loopback_name(name), "{name}");
        }
        for name in ["", "localhost.example", "127.0.0.1.example", "192.0.2.1", "[2001:db8::1]", "0.0.0.0"] {
            assert!(!is_loopback_name(name), "{name}");
        }
    }
}
