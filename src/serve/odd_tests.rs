//! Questions that nobody asks in good faith: each is answered or refused, and the next client is served.

use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::serve::listener::HEAD_BYTES_MAX;
use crate::serve::rig::{Answer, Rig};
use crate::serve::{Limits, tests};
use crate::view::story::story;

#[tokio::test]
async fn requests_sent_at_once_are_answered_in_their_order() {
    let rig = Rig::telling(story()).await;
    let ask = |path: &str| format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
    let last = "GET /api/v1/alarms/flow-low HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    let asked = [&ask("/health"), &ask("/api/v1/signals/h2s-1.flow"), &ask("/nowhere"), last].concat();
    let told = rig.exchange(&asked).await;
    let mut rest = told.as_str();
    for words in ["\"healthy\":true", "\"id\":\"h2s-1.flow\"", "404", "\"id\":\"flow-low\""] {
        let at = rest.find(words).unwrap_or_else(|| panic!("{words} is missing or too early: {told}"));
        rest = &rest[at..];
    }
    assert_eq!(told.matches("HTTP/1.1 ").count(), 4);
}

#[tokio::test]
async fn whoever_asks_without_end_and_never_reads_is_closed_and_costs_little() {
    let hasty = Limits { answer_max: Duration::from_millis(100), ..Limits::USUAL };
    let rig = Rig::limited(story(), hasty).await;
    let mut flood = TcpStream::connect(rig.address).await.unwrap();
    let many = "GET /api/v1/status HTTP/1.1\r\nHost: localhost\r\n\r\n".repeat(1000);
    // As long as siskin takes requests in, it holds them; the kernels of both ends hold the rest.
    let mut sent = 0;
    while flood.write_all(many.as_bytes()).await.is_ok() {
        sent += many.len();
        assert!(sent < 256 * 1024 * 1024, "requests are taken in without end");
    }
    assert_eq!(rig.get("/health").await.status, 200);
}

#[tokio::test]
async fn what_cannot_be_read_is_refused_as_every_other_thing_and_in_plain_words() {
    let rig = Rig::telling(story()).await;
    for (path, words) in [
        ("/signals/%ff%fe", "no text in UTF-8"),
        ("/alarms/%ff", "no text in UTF-8"),
        ("/api/v1/signals/%ff", "no text in UTF-8"),
        ("/api/v1/alarms/%ff", "no text in UTF-8"),
        ("/api/v1/signals/%ff/history", "no text in UTF-8"),
        ("/journal?after=-1", "what follows `?` cannot be read: after: a whole number is wanted, from 0 on"),
        ("/journal?after=", "after: a number is wanted, and there is none"),
        ("/api/v1/journal?after=99999999999999999999", "after: the number is too large"),
        (
            "/api/v1/signals/h2s-1.flow/history?from=1900-01-01",
            "from: \"1900-01-01\" is no point in time such as",
        ),
        ("/api/v1/signals/h2s-1.flow?unut=kPa", "unknown field `unut`, expected `unit`"),
    ] {
        let answer = rig.get(path).await;
        assert_eq!(answer.status, 400, "{path}");
        assert!(answer.head.contains("content-type: application/problem+json"), "{path}: {}", answer.head);
        let detail = answer.json()["detail"].as_str().unwrap().to_owned();
        assert!(detail.contains(words) && !detail.contains("eserialize"), "{path}: {detail}");
    }
}

#[tokio::test]
async fn a_path_leads_where_it_says_and_nowhere_else() {
    let rig = Rig::telling(story()).await;
    for path in [
        "/../../etc/passwd",
        "/..%2f..%2fetc%2fpasswd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/signals/..%2f..%2fhealth",
        "/signals/../health",
        "//health",
        "/health/",
        "/./health",
        "/HEALTH",
        "/health%00",
        "/health%20",
        "/health;x=1",
        "/style.css/../live.js",
        "/api/v1/signals/%ff%fe",
        "/api/v1/signals/h2s-1.flow%2fhistory",
        "/api/v1/alarms/%0d%0aX-Evil:%201",
        "/\\health",
    ] {
        let answer = rig.get(path).await;
        assert!([400, 404].contains(&answer.status), "{path}: {}", answer.status);
        assert!(!answer.head.contains("x-evil"), "{path}: {}", answer.head);
        assert!(!answer.body.contains("root:"), "{path}");
    }
    let star = rig.exchange("GET * HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").await;
    assert!([400, 404].contains(&Answer::parse(&star).status), "{star}");
}

#[tokio::test]
async fn a_query_however_odd_is_answered_or_refused() {
    let rig = Rig::telling(story()).await;
    let long = "x".repeat(HEAD_BYTES_MAX / 2);
    let many = "&limit=1".repeat(1000);
    let huge = "9".repeat(400);
    for (path, query) in [
        ("/api/v1/journal", format!("after={huge}")),
        ("/api/v1/journal", format!("after=1{many}")),
        ("/api/v1/journal", format!("limit={long}")),
        ("/api/v1/journal", "after=%ff%fe".to_owned()),
        ("/api/v1/journal", "after=%".to_owned()),
        ("/api/v1/journal", "after[]=1".to_owned()),
        ("/api/v1/journal", "after=-0&limit=+1".to_owned()),
        ("/api/v1/signals/h2s-1.flow", format!("unit={long}")),
        ("/api/v1/signals/h2s-1.flow", "unit=%00".to_owned()),
        ("/api/v1/signals/h2s-1.flow", "unit=ppmv&unit=ppbv".to_owned()),
        ("/api/v1/signals/h2s-1.flow/history", "from=-009999-01-01T00:00:00Z".to_owned()),
        ("/api/v1/signals/h2s-1.flow/history", "to=9999-12-31T23:59:59Z".to_owned()),
        ("/api/v1/signals/h2s-1.flow/history", "points=18446744073709551616".to_owned()),
        ("/api/v1/signals/h2s-1.flow/history", "points=1e3".to_owned()),
        ("/api/v1/performance", "from=9999-12-31T23:59:59Z".to_owned()),
        ("/signals/h2s-1.flow", "span=%3Cscript%3E".to_owned()),
        ("/journal", format!("after={huge}")),
    ] {
        let answer = rig.get(&format!("{path}?{query}")).await;
        assert_eq!(answer.status, 400, "{path}?{}: {}", &query[..query.len().min(60)], answer.body);
        assert!(answer.head.contains("content-type: application/problem+json"), "{path}: {}", answer.head);
        assert!(answer.body.len() < 2 * HEAD_BYTES_MAX, "{path}");
    }
    assert_eq!(rig.get("/health").await.status, 200);
}

#[tokio::test]
async fn a_head_that_means_two_things_is_refused() {
    let rig = Rig::telling(story()).await;
    for head in [
        "GET /health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\nContent-Length: 5\r\n\r\nhello",
        "GET /health HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        "GET /health HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        "GET /health HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: gzip\r\n\r\n",
        "GET /health HTTP/1.1\r\nHost: localhost\r\nX: y\r\n folded: z\r\n\r\n",
        "GET /health HTTP/1.1\r\nHost: localhost\r\nX : y\r\n\r\n",
        "GET /health\r\nHost: localhost\r\n\r\n",
        "GET /health HTTP/2.0\r\nHost: localhost\r\n\r\n",
        "GET  /health HTTP/1.1\r\nHost: localhost\r\n\r\n",
        "GET /hea lth HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ] {
        let answer = rig.exchange_whole(head).await;
        let code: u16 = Answer::parse(&answer).status;
        assert!((400..500).contains(&code) || code == 505, "{head:?}: {answer}");
    }
    assert_eq!(rig.get("/health").await.status, 200);
}

#[tokio::test]
async fn markup_in_names_stays_data_in_what_machines_read() {
    let mut snapshot = story();
    snapshot.site_name = "</script><script>alert(1)</script>".to_owned();
    snapshot.signals[0].name = Some("\n\ndata: forged\nevent: status".to_owned());
    let rig = Rig::telling(snapshot).await;
    for (path, kind) in [("/api/v1/status", "application/json"), ("/metrics", "application/openmetrics-text")]
    {
        let head = rig.get(path).await.head;
        assert!(head.contains(&format!("content-type: {kind}")), "{path}");
        assert!(head.contains("x-content-type-options: nosniff"), "{path}");
    }
    let mut stream = tests::stream(&rig).await;
    let told = tests::event(&mut stream).await;
    assert_eq!(told["site"]["name"], "</script><script>alert(1)</script>");
    assert_eq!(told["signals"][0]["name"], "\n\ndata: forged\nevent: status", "one event, not two");
}

#[tokio::test]
async fn a_stream_of_rubbish_is_closed() {
    let rig = Rig::telling(story()).await;
    let mut stream = TcpStream::connect(rig.address).await.unwrap();
    let rubbish: Vec<u8> = (0..=255).cycle().take(64 * 1024).collect();
    let _it_may_be_closed_before = stream.write_all(&rubbish).await;
    let mut rest = Vec::new();
    let _a_reset_is_an_end_too = stream.read_to_end(&mut rest).await;
    assert_eq!(rig.get("/health").await.status, 200);
}
