//! The HTTP contract, through real sockets.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::daemon::Health;
use crate::serve::rig::{Answer, Rig};
use crate::serve::{CONNECTIONS_MAX, FILES_KEPT_FREE_MIN, Limits, STREAM_READERS_MAX};
use crate::view::story::{at_ms, story};

/// Holds an answer's JSON against its golden file.
fn golden(name: &str, answer: &Answer) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("golden");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    let pretty = serde_json::to_string_pretty(&answer.json()).unwrap();
    settings.bind(|| insta::assert_snapshot!(name, pretty));
}

#[tokio::test]
async fn every_answer_has_the_shape_of_its_golden_file() {
    let rig = Rig::telling(story()).await;
    golden("status", &rig.get("/api/v1/status").await);
    golden("signal", &rig.get("/api/v1/signals/btu-1.heating").await);
    golden("alarms", &rig.get("/api/v1/alarms").await);
    golden("alarm", &rig.get("/api/v1/alarms/h2s-high").await);
    golden("journal", &rig.get("/api/v1/journal?after=1&limit=2").await);
    golden("performance", &rig.get("/api/v1/performance").await);
    golden("health", &rig.get("/health").await);
    golden("unknown_signal", &rig.get("/api/v1/signals/h2s-1.concentratoin").await);
}

#[tokio::test]
async fn the_lists_hold_what_the_status_holds() {
    let rig = Rig::telling(story()).await;
    let status = rig.get("/api/v1/status").await.json();
    assert_eq!(rig.get("/api/v1/signals").await.json()["signals"], status["signals"]);
    assert_eq!(rig.get("/api/v1/alarms").await.json()["alarms"], status["alarms"]);
}

#[tokio::test]
async fn a_signal_that_is_not_measured_has_no_value_and_its_past_is_told_as_the_past() {
    let rig = Rig::telling(story()).await;
    let signal = rig.get("/api/v1/signals/btu-1.heating").await.json();
    assert_eq!(signal["value"], Value::Null);
    assert_eq!(signal["quality"], "bad");
    assert_eq!(signal["reasons"], json!(["communication_lost"]));
    assert_eq!(signal["last_good"]["value"], 1034.72);
    let never = rig.get("/api/v1/signals/btu-1.wobbe").await.json();
    assert_eq!(
        (&never["value"], &never["time"], &never["age_s"]),
        (&Value::Null, &Value::Null, &Value::Null)
    );
    assert_eq!(never["last_good"], Value::Null);
}

#[tokio::test]
async fn a_line_and_its_devices_tell_how_late_and_how_slow_they_are() {
    let status = Rig::telling(story()).await.get("/api/v1/status").await.json();
    assert_eq!(
        status["lines"][0]["lateness"],
        json!({"min_ms": 1.0, "p50_ms": 2.0, "p90_ms": 9.0, "p99_ms": 64.0})
    );
    assert_eq!(status["lines"][2]["lateness"], Value::Null, "nothing is known before the first report");
    let device = &status["devices"][0];
    assert_eq!(device["response"], json!({"min_ms": 15.0, "p50_ms": 18.0, "p90_ms": 22.0, "p99_ms": 41.0}));
    assert_eq!(device["counters"]["gateway_exceptions"], 3);
    let block = &device["blocks"][1];
    assert_eq!((&block["block"], &block["period_s"]), (&json!("holding 100–101"), &json!(10.0)));
}

#[tokio::test]
async fn an_age_is_counted_to_the_moment_of_the_answer() {
    let rig = Rig::telling(story()).await;
    rig.pass(Duration::from_millis(1_500));
    assert_eq!(rig.get("/api/v1/signals/h2s-1.flow").await.json()["age_s"], 1.61);
}

#[tokio::test]
async fn an_old_snapshot_is_never_told_as_the_present() {
    let rig = Rig::telling(story()).await;
    rig.pass(Duration::from_millis(5_000));
    assert_eq!(rig.get("/api/v1/status").await.json()["stale"], false);
    assert_eq!(rig.get("/health").await.status, 200);

    rig.pass(Duration::from_millis(1));
    let status = rig.get("/api/v1/status").await.json();
    assert_eq!(status["stale"], true);
    assert_eq!(status["gas"]["verdict"], "not_known");
    for signal in status["signals"].as_array().unwrap() {
        assert_eq!((&signal["value"], &signal["quality"]), (&Value::Null, &json!("bad")));
        assert_eq!(signal["reasons"], json!(["stale"]));
    }
    for alarm in status["alarms"].as_array().unwrap() {
        assert_eq!(alarm["active"], Value::Null);
    }
    assert_eq!(status["summary"]["signals_good"], 0);
    assert_eq!(status["summary"]["alarms_unacknowledged"], 1, "what was known of an alarm stands");
    let health = rig.get("/health").await;
    assert_eq!(health.status, 503);
    assert_eq!(health.json()["reasons"], json!(["what is known is 5 s old: nothing here is the present"]));
}

#[tokio::test]
async fn health_tells_every_promise_that_is_not_kept() {
    let rig = Rig::telling(story()).await;
    rig.health.send_replace(Health::failing("disk full"));
    let health = rig.get("/health").await;
    assert_eq!(health.status, 503);
    assert_eq!(health.json()["reasons"], json!(["the record cannot be written: disk full"]));
}

#[tokio::test]
async fn the_journal_is_read_page_by_page_to_its_end() {
    let rig = Rig::telling(story()).await;
    let (mut after, mut seen) = (json!(0), Vec::new());
    loop {
        let page = rig.get(&format!("/api/v1/journal?after={after}&limit=2")).await.json();
        seen.extend(page["events"].as_array().unwrap().iter().map(|event| event["seq"].as_u64().unwrap()));
        after = page["next_after"].clone();
        if page["more"] == false {
            break;
        }
    }
    assert_eq!(seen, [1, 2, 3, 4, 5]);
    let beyond = rig.get("/api/v1/journal?after=5").await.json();
    assert_eq!(beyond, json!({"events": [], "next_after": 5, "more": false}));
}

#[tokio::test]
async fn a_journal_that_cannot_be_read_is_said_so() {
    let rig = Rig::with_journal(story(), Err("journal.db: disk I/O error".to_owned())).await;
    let answer = rig.get("/api/v1/journal").await;
    assert_eq!(answer.status, 503);
    assert_eq!(answer.json()["detail"], "the journal cannot be read: journal.db: disk I/O error");
    assert_eq!(rig.get("/api/v1/status").await.status, 200);
}

#[tokio::test]
async fn the_alarms_performance_is_told_over_the_time_asked_for() {
    let rig = Rig::telling(story()).await;
    let told = |query: &str| {
        let path = format!("/api/v1/performance?{query}");
        let rig = &rig;
        async move { rig.get(&path).await }
    };
    let week = told("").await.json();
    assert_eq!(week["from"], "2026-02-23T15:04:05.120Z", "seven days up to now");
    assert_eq!((&week["calls"], &week["watched_s"]), (&json!(2), &json!(245.12)));
    let first = told("to=2026-03-02T15:01:10Z").await.json();
    assert_eq!((&first["calls"], &first["to"]), (&json!(1), &json!("2026-03-02T15:01:10.000Z")));
    let backwards = told("from=2026-03-02T15:00:00Z&to=2026-03-02T15:00:00Z").await;
    assert_eq!(backwards.status, 400);
    assert_eq!(backwards.json()["detail"], "`from` must be earlier than `to`");
    let broken = Rig::with_journal(story(), Err("journal.db: disk I/O error".to_owned())).await;
    assert_eq!(broken.get("/api/v1/performance").await.status, 503);
}

#[tokio::test]
async fn a_question_that_is_not_well_put_is_refused_with_what_was_wrong() {
    let rig = Rig::telling(story()).await;
    for (query, word) in
        [("after=x", "after"), ("limit=0", "limit"), ("limit=-1", "limit"), ("afer=3", "afer")]
    {
        let answer = rig.get(&format!("/api/v1/journal?{query}")).await;
        assert_eq!(answer.status, 400, "{query}");
        assert!(answer.head.contains("content-type: application/problem+json"), "{query}");
        assert!(answer.json()["detail"].as_str().unwrap().contains(word), "{}", answer.body);
    }
}

#[tokio::test]
async fn a_limit_beyond_the_greatest_is_the_greatest() {
    let entry = story_entry();
    let many = (1..=1_200).map(|seq| crate::history::JournalEntry { seq, ..entry.clone() }).collect();
    let rig = Rig::with_journal(story(), Ok(many)).await;
    let page = rig.get("/api/v1/journal?limit=999999").await.json();
    assert_eq!(page["events"].as_array().unwrap().len(), super::api::JOURNAL_LIMIT_MAX);
    assert_eq!((&page["next_after"], &page["more"]), (&json!(1000), &json!(true)));
}

fn story_entry() -> crate::history::JournalEntry {
    crate::history::JournalEntry {
        seq: 1,
        time: at_ms(0).wall,
        mono_ms: 0,
        kind: "started".to_owned(),
        subject: "willow-bend".to_owned(),
        user: None,
        name: None,
        detail: serde_json::Map::new(),
        hash: String::new(),
    }
}

#[tokio::test]
async fn every_method_but_get_and_head_is_refused_everywhere() {
    let rig = Rig::telling(story()).await;
    for method in ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PROPFIND"] {
        for path in ["/", "/api/v1/status", "/api/v1/alarms/h2s-high", "/nowhere"] {
            if method == "CONNECT" && path != "/" {
                continue;
            }
            let target = if method == "CONNECT" { "localhost:80" } else { path };
            let answer = rig.ask(method, target).await;
            assert_eq!(answer.status, 405, "{method} {path}");
            assert!(answer.head.contains("\r\nallow: get, head\r\n"), "{method} {path}: {}", answer.head);
        }
    }
}

#[tokio::test]
async fn head_gets_the_head_of_get_and_no_body() {
    let rig = Rig::telling(story()).await;
    for path in ["/api/v1/status", "/health", "/api/v1/nothing"] {
        let (head, get) = (rig.ask("HEAD", path).await, rig.get(path).await);
        assert_eq!(head.body, "");
        assert_eq!(without_date(&head.head), without_date(&get.head), "{path}");
    }
    let stream = rig.ask("HEAD", "/api/v1/stream").await;
    assert_eq!((stream.status, stream.body.as_str()), (200, ""));
}

fn without_date(head: &str) -> Vec<&str> {
    head.lines().filter(|line| !line.starts_with("date:")).collect()
}

#[tokio::test]
async fn an_unknown_path_is_a_problem_and_not_a_page() {
    let rig = Rig::telling(story()).await;
    for path in ["/nowhere", "/api/v1", "/api/v1/signals/", "/api/v2/status", "/../../etc/passwd", "/%00"] {
        let answer = rig.get(path).await;
        assert_eq!(answer.status, 404, "{path}");
        assert!(answer.head.contains("content-type: application/problem+json"), "{path}");
    }
}

#[tokio::test]
async fn every_answer_forbids_what_it_does_not_need() {
    let rig = Rig::telling(story()).await;
    for path in ["/api/v1/status", "/nowhere", "/health"] {
        let head = rig.get(path).await.head;
        for header in [
            "content-security-policy: default-src 'none';",
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "cache-control: no-",
        ] {
            assert!(head.contains(header), "{path} lacks {header}");
        }
        for word in ["frame-ancestors 'none'", "base-uri 'none'", "form-action 'none'"] {
            assert!(head.contains(word), "{path} lacks {word}");
        }
        assert!(!head.contains("unsafe"));
    }
}

#[tokio::test]
async fn on_a_loopback_address_only_loopback_names_are_answered() {
    let rig = Rig::telling(story()).await;
    for host in ["localhost", "localhost:8485", "127.0.0.1:1", "[::1]:8485"] {
        assert_eq!(rig.ask_as(host, "GET", "/api/v1/status").await.status, 200, "{host}");
    }
    for host in ["rebound.example", "rebound.example:8485", "localhost.rebound.example", "192.0.2.7"] {
        let answer = rig.ask_as(host, "GET", "/api/v1/status").await;
        assert_eq!(answer.status, 421, "{host}");
        assert!(!answer.body.contains("willow"), "{host}");
    }
    for hosts in ["", "Host: localhost\r\nHost: localhost\r\n", "Host: \u{1F426}\r\n"] {
        let answer = rig.exchange(&format!("GET / HTTP/1.1\r\n{hosts}Connection: close\r\n\r\n")).await;
        assert_eq!(Answer::parse(&answer).status, 400, "{hosts:?}");
    }
    let absolute =
        "GET http://rebound.example/health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    assert_eq!(Answer::parse(&rig.exchange(absolute).await).status, 421);
}

#[tokio::test]
async fn a_request_with_a_body_is_refused() {
    let rig = Rig::telling(story()).await;
    for framing in
        ["Content-Length: 4\r\n\r\nabcd", "Transfer-Encoding: chunked\r\n\r\n4\r\nabcd\r\n0\r\n\r\n"]
    {
        let request = format!("GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{framing}");
        assert_eq!(Answer::parse(&rig.exchange(&request).await).status, 413, "{framing}");
    }
}

#[tokio::test]
async fn a_head_too_large_is_refused() {
    let rig = Rig::telling(story()).await;
    let path = "x".repeat(super::listener::HEAD_BYTES_MAX);
    let answer = rig.exchange(&format!("GET /{path} HTTP/1.1\r\nHost: localhost\r\n\r\n")).await;
    assert!([414, 431].contains(&Answer::parse(&answer).status), "{answer}");
    let headers = "X: y\r\n".repeat(super::listener::HEADERS_MAX + 1);
    let answer = rig.exchange(&format!("GET / HTTP/1.1\r\nHost: localhost\r\n{headers}\r\n")).await;
    assert_eq!(Answer::parse(&answer).status, 431, "{answer}");
}

#[tokio::test]
async fn what_is_not_http_is_refused_and_the_next_client_is_served() {
    let rig = Rig::telling(story()).await;
    let answer = rig.exchange("\u{1}\u{3}\u{0}\u{0} rubbish\r\n\r\n").await;
    assert_eq!(Answer::parse(&answer).status, 400);
    assert_eq!(rig.get("/health").await.status, 200);
}

/// Reads one event of a stream.
pub async fn event(stream: &mut TcpStream) -> Value {
    let mut bytes = Vec::new();
    while !bytes.ends_with(b"\n\n") {
        bytes.push(stream.read_u8().await.unwrap());
    }
    let text = String::from_utf8(bytes).unwrap();
    let data = text.lines().find_map(|line| line.strip_prefix("data: ")).unwrap();
    serde_json::from_str(data).unwrap()
}

pub async fn stream(rig: &Rig) -> TcpStream {
    let mut stream = TcpStream::connect(rig.address).await.unwrap();
    stream.write_all(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
    stream
}

#[tokio::test]
async fn the_stream_tells_the_present_at_once_and_then_each_change() {
    let rig = Rig::telling(story()).await;
    let mut stream = stream(&rig).await;
    let first = event(&mut stream).await;
    assert_eq!(first, rig.get("/api/v1/status").await.json());
    let mut changed = story();
    changed.site_name = "Another name".to_owned();
    rig.snapshots.send_replace(changed.into());
    assert_eq!(event(&mut stream).await["site"]["name"], "Another name");
}

#[tokio::test]
async fn the_stream_tells_that_nothing_changes_any_more() {
    let rig = Rig::telling(story()).await;
    let mut stream = stream(&rig).await;
    assert_eq!(event(&mut stream).await["stale"], false);
    rig.pass(Duration::from_secs(6));
    assert_eq!(event(&mut stream).await["stale"], true);
}

#[tokio::test]
async fn the_stream_takes_so_many_readers_and_no_more_and_hinders_no_other_request() {
    let rig = Rig::limited(story(), Limits { connections: 18, streams: 16, ..Limits::USUAL }).await;
    let mut readers = Vec::new();
    for _ in 0..16 {
        let mut reader = stream(&rig).await;
        event(&mut reader).await;
        readers.push(reader);
    }
    assert_eq!(rig.get("/api/v1/stream").await.status, 503);
    assert_eq!(rig.get("/api/v1/status").await.status, 200);
    drop(readers.pop());
    while rig.ask("HEAD", "/api/v1/stream").await.status != 200 {}
}

#[test]
fn where_few_files_may_be_opened_fewer_connections_are_taken_in() {
    assert_eq!(STREAM_READERS_MAX, 2_304, "docs/integrator.md and docs/security.md say so");
    let enough = u64::try_from(CONNECTIONS_MAX + FILES_KEPT_FREE_MIN).unwrap();
    assert_eq!(Limits::within(enough), Limits::USUAL);
    assert_eq!(Limits::within(u64::MAX), Limits::USUAL);
    let usual_of_a_shell = Limits::within(1024);
    assert_eq!((usual_of_a_shell.connections, usual_of_a_shell.streams), (512, 448));
    for few in [0, 100, 512, 513] {
        let Limits { connections, streams, .. } = Limits::within(few);
        assert!(streams > 0 && streams < connections, "{few}: {streams} of {connections}");
    }
}

#[tokio::test]
async fn a_stop_ends_streams_and_silent_connections() {
    let rig = Rig::telling(story()).await;
    let mut streaming = stream(&rig).await;
    event(&mut streaming).await;
    let mut silent = TcpStream::connect(rig.address).await.unwrap();
    rig.stop.cancel();
    rig.bound.task.await.unwrap();
    streaming.read_to_end(&mut Vec::new()).await.unwrap();
    assert_eq!(silent.read_to_end(&mut Vec::new()).await.unwrap_or(0), 0);
}

#[tokio::test]
async fn an_address_in_use_is_told_with_what_to_do() {
    let rig = Rig::telling(story()).await;
    let told = rig.start_another().await.unwrap_err().to_string();
    assert!(told.starts_with(&format!("HTTP cannot listen on {}: ", rig.address)), "{told}");
    assert!(told.contains("another program holds this port"), "{told}");
}
