//! What a reader may keep of an answer, and how it asks whether that still holds (RFC 9110, sections 8.8
//! and 13; RFC 9111), with answers packed for whoever can unpack them.
//!
//! Three sorts of answers: a page for people is kept by nobody, so that no *Back* shows the past under the
//! present's name; what machines are told may be kept, and is asked for again each time; style, script and
//! icon are named by what they hold and are kept for ever. An entity tag stands for the answer as it was
//! before it was packed, to the last byte, and is therefore a weak one: it never stands for a value that
//! has changed, nor for an age that has grown. An answer that has no end, the stream, passes untouched.

use std::io::Write;

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use flate2::Compression;
use flate2::write::GzEncoder;
use hyper::body::{Body as _, Bytes};
use sha2::{Digest, Sha256};

use crate::serve::problem::Problem;

/// What is shorter than this is not packed: it would fit into one packet anyway.
pub const PACKED_BYTES_MIN: usize = 1024;

/// Bytes of a tag: two answers that differ have the same once in 2^64 pairs.
const TAG_BYTES: usize = 8;

/// What a page for people says of being kept.
pub const KEPT_BY_NOBODY: &str = "no-store";
/// What may be kept, but not shown again before it was asked for again.
pub const ASKED_FOR_AGAIN: &str = "no-cache";
/// What never changes under its name.
pub const KEPT_FOR_EVER: &str = "public, max-age=31536000, immutable";

/// Gives an answer its tag, leaves out what its reader still has, and packs the rest.
pub async fn keep(request: Request, next: Next) -> Response {
    let asked = Asked::by(request.headers());
    let response = next.run(request).await;
    let Some(length) = response.body().size_hint().exact() else { return response };
    let (mut head, body) = response.into_parts();
    let length = usize::try_from(length).unwrap_or(usize::MAX);
    let Ok(mut body) = to_bytes(body, length).await else {
        return Problem::unavailable("the answer could not be put together").into_response();
    };
    head.headers.append(header::VARY, HeaderValue::from_static("accept-encoding"));
    if head.status == StatusCode::OK {
        let kept = HeaderValue::from_static(ASKED_FOR_AGAIN);
        let kept = head.headers.entry(header::CACHE_CONTROL).or_insert(kept);
        if *kept != KEPT_BY_NOBODY {
            let tag = tag(&body);
            if asked.has(&tag) {
                head.status = StatusCode::NOT_MODIFIED;
                head.headers.remove(header::CONTENT_TYPE);
                body = Bytes::new();
            }
            if let Ok(tag) = HeaderValue::try_from(tag) {
                head.headers.insert(header::ETAG, tag);
            }
        }
    }
    head.headers.remove(header::CONTENT_LENGTH);
    if asked.unpacks
        && body.len() >= PACKED_BYTES_MIN
        && let Some(packed) = packed(&body)
    {
        head.headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
        body = packed;
    }
    let body = if head.status == StatusCode::NOT_MODIFIED { Body::empty() } else { Body::from(body) };
    Response::from_parts(head, body)
}

/// The name of what these bytes hold, in hex.
pub fn fingerprint(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().take(TAG_BYTES).map(|byte| format!("{byte:02x}")).collect()
}

fn tag(bytes: &[u8]) -> String {
    format!("W/\"{}\"", fingerprint(bytes))
}

fn packed(bytes: &[u8]) -> Option<Bytes> {
    let mut packer = GzEncoder::new(Vec::with_capacity(bytes.len() / 4), Compression::fast());
    packer.write_all(bytes).ok()?;
    packer.finish().ok().map(Bytes::from)
}

/// What a request says of what its reader has and can do.
struct Asked {
    /// The lists of tags of `If-None-Match`.
    tags: Vec<String>,
    unpacks: bool,
}

impl Asked {
    fn by(headers: &HeaderMap) -> Asked {
        let lists = |name| headers.get_all(name).iter().filter_map(|list: &HeaderValue| list.to_str().ok());
        Asked {
            tags: lists(header::IF_NONE_MATCH).map(str::to_owned).collect(),
            unpacks: unpacks_gzip(lists(header::ACCEPT_ENCODING).flat_map(|list| list.split(','))),
        }
    }

    /// Whether the reader has an answer with this tag; the comparison is the weak one (RFC 9110, 13.1.2).
    fn has(&self, tag: &str) -> bool {
        let opaque = |tag: &str| tag.trim().trim_start_matches("W/").to_owned();
        let same = |one: &str| one.trim() == "*" || opaque(one) == opaque(tag);
        self.tags.iter().flat_map(|list| list.split(',')).any(same)
    }
}

/// Whether a list of codings with their weights takes gzip (RFC 9110, section 12.5.3).
fn unpacks_gzip<'a>(codings: impl Iterator<Item = &'a str>) -> bool {
    let (mut named, mut any) = (None, None);
    for coding in codings {
        let (name, parameters) = coding.split_once(';').unwrap_or((coding, ""));
        let weight = parameters.trim().to_ascii_lowercase();
        let weight = weight.strip_prefix("q=").map_or(Some(1.0), |weight| weight.parse::<f64>().ok());
        let taken = weight.is_some_and(|weight| weight > 0.0);
        match name.trim().to_ascii_lowercase().as_str() {
            "gzip" | "x-gzip" => named = Some(taken),
            "*" => any = Some(taken),
            _ => {}
        }
    }
    named.or(any).unwrap_or(false)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::io::Read;

    use flate2::read::GzDecoder;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::TcpStream;

    use super::*;
    use crate::serve::rig::{Answer, Rig};
    use crate::view::story::story;

    /// Bytes of a whole answer, as they came: a packed body is no text.
    async fn bytes(rig: &Rig, method: &str, path: &str, headers: &str) -> (String, Vec<u8>) {
        let mut stream = TcpStream::connect(rig.address).await.unwrap();
        let request =
            format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{headers}\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).await.unwrap();
        let end = answer.windows(4).position(|four| four == b"\r\n\r\n").unwrap();
        let head = String::from_utf8(answer[..end].to_vec()).unwrap().to_ascii_lowercase();
        (head, answer[end + 4..].to_vec())
    }

    async fn answer(rig: &Rig, method: &str, path: &str, headers: &str) -> Answer {
        let (head, body) = bytes(rig, method, path, headers).await;
        Answer::parse(&format!("{head}\r\n\r\n{}", String::from_utf8(body).unwrap()))
    }

    fn value<'a>(head: &'a str, name: &str) -> Option<&'a str> {
        head.lines().find_map(|line| line.strip_prefix(&format!("{name}: ")))
    }

    fn unpacked(bytes: &[u8]) -> Vec<u8> {
        let mut plain = Vec::new();
        GzDecoder::new(bytes).read_to_end(&mut plain).unwrap();
        plain
    }

    const FOR_MACHINES: [&str; 9] = [
        "/api/v1/status",
        "/api/v1/signals",
        "/api/v1/signals/h2s-1.concentration",
        "/api/v1/signals/h2s-1.flow/history?from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z",
        "/api/v1/alarms",
        "/api/v1/journal",
        "/api/v1/openapi.json",
        "/metrics",
        "/style.css",
    ];

    #[tokio::test]
    async fn who_still_has_the_answer_is_told_so_without_a_body() {
        let rig = Rig::telling(story()).await;
        for path in FOR_MACHINES {
            let first = rig.get(path).await;
            assert_eq!(value(&first.head, "cache-control"), Some("no-cache"), "{path}: {}", first.head);
            let tag = value(&first.head, "etag").unwrap_or_else(|| panic!("{path}: {}", first.head));
            for method in ["GET", "HEAD"] {
                let asked = format!("If-None-Match: \"other\", {}\r\n", tag.replace("w/", "W/"));
                let again = answer(&rig, method, path, &asked).await;
                assert_eq!((again.status, again.body.as_str()), (304, ""), "{method} {path}");
                assert_eq!(value(&again.head, "etag"), Some(tag), "{path}");
                assert_eq!(value(&again.head, "vary"), Some("accept-encoding"), "{path}");
                assert_eq!(value(&again.head, "content-type"), None, "{path}");
                assert!(again.head.contains("content-security-policy"), "{path}");
            }
        }
    }

    #[tokio::test]
    async fn a_tag_never_stands_for_what_has_changed_nor_for_an_age_that_has_grown() {
        let rig = Rig::telling(story()).await;
        let tag = |head: &str| value(head, "etag").unwrap().replace("w/", "W/");
        let first = tag(&rig.get("/api/v1/status").await.head);
        rig.pass(std::time::Duration::from_millis(1));
        let asked = format!("If-None-Match: {first}\r\n");
        let later = answer(&rig, "GET", "/api/v1/status", &asked).await;
        assert_eq!(later.status, 200, "its ages are others");
        let second = tag(&later.head);
        let mut changed = story();
        changed.signals[0].name = Some("Another".to_owned());
        rig.snapshots.send_replace(changed.into());
        let asked = format!("If-None-Match: {first}, {second}\r\n");
        assert_eq!(answer(&rig, "GET", "/api/v1/status", &asked).await.status, 200);
    }

    #[tokio::test]
    async fn any_tag_at_all_is_matched_by_a_star_but_never_on_a_refusal_or_a_page_for_people() {
        let rig = Rig::telling(story()).await;
        let star = "If-None-Match: *\r\n";
        assert_eq!(answer(&rig, "GET", "/api/v1/status", star).await.status, 304);
        for (path, code) in [("/api/v1/signals/nothing", 404), ("/", 200), ("/journal", 200)] {
            let told = answer(&rig, "GET", path, star).await;
            assert_eq!(told.status, code, "{path}");
            assert_eq!(value(&told.head, "cache-control"), Some("no-store"), "{path}");
            assert_eq!(value(&told.head, "etag"), None, "{path}");
        }
        rig.health.send_replace(crate::daemon::Health::failing("disk full"));
        assert_eq!(answer(&rig, "GET", "/health", star).await.status, 503);
    }

    #[tokio::test]
    async fn a_packed_answer_is_the_plain_one_with_the_same_tag() {
        let rig = Rig::telling(story()).await;
        for path in FOR_MACHINES.into_iter().chain(["/", "/journal"]) {
            let plain = rig.get(path).await;
            let (head, body) = bytes(&rig, "GET", path, "Accept-Encoding: br, gzip;q=0.8\r\n").await;
            if plain.body.len() < PACKED_BYTES_MIN {
                assert_eq!(value(&head, "content-encoding"), None, "{path} is short");
                continue;
            }
            assert_eq!(value(&head, "content-encoding"), Some("gzip"), "{path}");
            assert_eq!(value(&head, "content-length").unwrap().parse(), Ok(body.len()), "{path}");
            assert_eq!(value(&head, "vary"), Some("accept-encoding"), "{path}");
            assert_eq!(value(&head, "etag"), value(&plain.head, "etag"), "{path}");
            assert!(body.len() < plain.body.len() / 2, "{path}: {} of {}", body.len(), plain.body.len());
            assert_eq!(unpacked(&body), plain.body.as_bytes(), "{path}");
            let (of_head, none) = bytes(&rig, "HEAD", path, "Accept-Encoding: gzip\r\n").await;
            assert_eq!(value(&of_head, "content-length"), value(&head, "content-length"), "{path}");
            assert!(none.is_empty(), "{path}");
            if let Some(tag) = value(&head, "etag") {
                let asked =
                    format!("Accept-Encoding: gzip\r\nIf-None-Match: {}\r\n", tag.replace("w/", "W/"));
                let again = answer(&rig, "GET", path, &asked).await;
                assert_eq!(again.status, 304, "{path}");
                assert_eq!(value(&again.head, "content-encoding"), None, "{path}");
            }
        }
    }

    #[tokio::test]
    async fn the_stream_is_never_packed() {
        let rig = Rig::telling(story()).await;
        let mut stream = TcpStream::connect(rig.address).await.unwrap();
        let request = "GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\n\r\n";
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut told = Vec::new();
        while !told.ends_with(b"event: status\n") {
            told.push(stream.read_u8().await.unwrap());
        }
        let head = String::from_utf8(told).unwrap().to_ascii_lowercase();
        assert!(head.contains("content-type: text/event-stream") && !head.contains("gzip"), "{head}");
        assert!(head.contains("cache-control: no-cache"), "{head}");
    }

    #[test]
    fn codings_are_weighed_as_they_are_meant() {
        for (list, takes) in [
            ("gzip", true),
            ("GZIP", true),
            ("x-gzip", true),
            ("br, gzip;q=0.5", true),
            ("*", true),
            ("br;q=1.0, *;q=0.1", true),
            ("", false),
            ("identity", false),
            ("gzip;q=0", false),
            ("gzip; q=0.000", false),
            ("gzip;q=0, *", false),
            ("*;q=0", false),
            ("gzip;q=rubbish", false),
            ("gzipped", false),
        ] {
            assert_eq!(unpacks_gzip(list.split(',')), takes, "{list}");
        }
    }

    #[test]
    fn a_tag_is_looked_for_in_lists_of_any_shape() {
        let has = |list: &str| Asked { tags: vec![list.to_owned()], unpacks: false }.has("W/\"00ff\"");
        for list in ["W/\"00ff\"", "\"00ff\"", "\"a\", \"b\",W/\"00ff\"", " * "] {
            assert!(has(list), "{list}");
        }
        for list in ["", "00ff", "\"00f\"", "\"00ff", "\"\"", ",,,", "\"**\""] {
            assert!(!has(list), "{list}");
        }
    }
}
