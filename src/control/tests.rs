//! The control socket from the other end, with a daemon that is a few channels.

#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use super::client::{Client, ClientError};
use super::protocol::{
    ActKind, ActRequest, Acted, Alarms, CONNECTIONS_MAX, JournalRequest, PerformanceRequest, Request,
};
use super::{Serving, Socket};
use crate::alarm::Life;
use crate::alarm::performance::{Change, Count, Happened, Performance};
use crate::daemon::{self, Handle, Health, JournalSource};
use crate::history::JournalEntry;
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{Action, ActionResult, ClockStatus, Refusal, Snapshot};
use crate::view::{self, Instant, Journal, Status, Word};

const NOW: Moment = Moment { mono: Mono::from_millis(1000), wall: Wall::UNIX_EPOCH };

/// A served socket in a directory of its own, and the actions that reached the daemon.
struct House {
    dir: TempDir,
    serving: Serving,
    stop: CancellationToken,
    acted: mpsc::UnboundedReceiver<Action>,
    _snapshots: watch::Sender<Arc<Snapshot>>,
}

impl House {
    fn new() -> House {
        let dir = tempfile::tempdir().unwrap();
        let snapshot = Snapshot {
            at: NOW,
            seq: 0,
            site_id: "willow-bend".to_owned(),
            site_name: "Willow Bend Interconnect".to_owned(),
            time_zone: "America/Chicago".to_owned(),
            clock: ClockStatus::default(),
            disk: None,
            lines: Vec::new(),
            devices: Vec::new(),
            signals: Vec::new(),
            alarms: Vec::new(),
        };
        let (snapshots, snapshot) = watch::channel(Arc::new(snapshot));
        let (_, health) = watch::channel(Health::default());
        let (requests, asked) = mpsc::channel(4);
        let (tell, acted) = mpsc::unbounded_channel();
        tokio::spawn(act(asked, tell));
        let handle = Handle::new(Arc::new(|| NOW), snapshot, health, requests, Arc::new(Pages));
        let stop = CancellationToken::new();
        let socket = Socket::bind(&dir.path().join("control.sock")).unwrap();
        let serving = socket.serve(handle, stop.clone());
        House { dir, serving, stop, acted, _snapshots: snapshots }
    }

    fn path(&self) -> std::path::PathBuf {
        self.dir.path().join("control.sock")
    }

    async fn connect(&self) -> UnixStream {
        UnixStream::connect(self.path()).await.unwrap()
    }

    /// Asks with the client of the commands, which is a blocking one.
    async fn ask(&self, request: Request) -> Result<String, ClientError> {
        ask(&self.path(), request).await
    }

    async fn assert_alive(&self) {
        let answer = self.ask(Request::Status {}).await.unwrap();
        let status: Status = serde_json::from_str(&answer).unwrap();
        assert_eq!(status.site.id, "willow-bend");
    }
}

async fn ask(path: &Path, request: Request) -> Result<String, ClientError> {
    let path = path.to_owned();
    let asking = move || Client::connect(&path)?.ask(&request).map(|answer| answer.get().to_owned());
    tokio::task::spawn_blocking(asking).await.unwrap()
}

/// Knows one alarm, `h2s-high`, that can be acknowledged.
async fn act(mut asked: mpsc::Receiver<daemon::Request>, tell: mpsc::UnboundedSender<Action>) {
    while let Some(request) = asked.recv().await {
        let daemon::Request::Act(action, answer) = request else { continue };
        let crate::monitor::Targets::These(alarms) = &action.targets else { continue };
        let result = |alarm: &String| ActionResult {
            alarm: alarm.clone(),
            result: if alarm == "h2s-high" {
                Ok(Life::Acknowledged)
            } else {
                Err(Refusal::UnknownAlarm { nearest: Some("h2s-high".to_owned()) })
            },
            indeterminate: false,
        };
        let results = alarms.iter().map(result).collect();
        tell.send(action).unwrap();
        answer.send(Ok(results)).unwrap();
    }
}

/// A journal of 500 entries.
struct Pages;

impl JournalSource for Pages {
    fn read(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, String> {
        Ok((after + 1..=500).take(limit).map(entry).collect())
    }

    fn read_last(&self, limit: usize) -> Result<Vec<JournalEntry>, String> {
        self.read(500 - u64::try_from(limit).unwrap(), limit)
    }

    fn performance(&self, from: Wall, to: Wall) -> Result<Performance, String> {
        let mut count = Count::new(from, to);
        let change =
            Change { alarm: "h2s-high", active: Some(true), calls: true, withheld: false, priority: None };
        count.take(from, Happened::Alarm(change));
        Ok(count.finish())
    }
}

fn entry(seq: u64) -> JournalEntry {
    JournalEntry {
        seq,
        time: NOW.wall,
        mono_ms: 0,
        kind: "started".to_owned(),
        subject: "willow-bend".to_owned(),
        user: None,
        name: None,
        detail: serde_json::Map::new(),
        hash: String::new(),
    }
}

async fn read_line(stream: &mut BufReader<UnixStream>) -> String {
    let mut line = String::new();
    stream.read_line(&mut line).await.unwrap();
    line
}

#[tokio::test]
async fn an_action_carries_the_user_that_the_kernel_names() {
    let mut house = House::new();
    let alarms = Alarms::These(vec!["h2s-high".to_owned(), "h2s-hihg".to_owned()]);
    let request = ActRequest {
        seen: Some(245),
        name: Some("night shift".to_owned()),
        remark: Some("called gas control".to_owned()),
        ..ActRequest::new(ActKind::Acknowledge, alarms)
    };
    let answer = house.ask(Request::Act(request)).await.unwrap();
    let answer: Vec<Acted> = serde_json::from_str(&answer).unwrap();
    assert_eq!((answer[0].done, answer[0].state), (true, Some(Word(Life::Acknowledged))));
    assert_eq!(answer[1].refused.as_deref(), Some("unknown_alarm"));
    assert_eq!(answer[1].nearest.as_deref(), Some("h2s-high"));

    let action = house.acted.recv().await.unwrap();
    let whoami = std::process::Command::new("id").arg("-un").output().unwrap().stdout;
    assert_eq!(action.who.user, String::from_utf8(whoami).unwrap().trim());
    assert_eq!(action.who.name.as_deref(), Some("night shift"));
    assert_eq!((action.remark.as_deref(), action.seen), (Some("called gas control"), Some(245)));
}

#[tokio::test]
async fn the_journal_is_given_by_pages_and_by_its_end() {
    let house = House::new();
    let page = async |request| -> Journal {
        serde_json::from_str(&house.ask(Request::Journal(request)).await.unwrap()).unwrap()
    };
    let numbers = |journal: &Journal| journal.events.iter().map(|event| event.seq).collect::<Vec<_>>();

    let after = page(JournalRequest { after: Some(7), limit: Some(2), last: None }).await;
    assert_eq!((numbers(&after), after.next_after, after.more), (vec![8, 9], 9, true));
    let last = page(JournalRequest { last: Some(3), ..JournalRequest::default() }).await;
    assert_eq!((numbers(&last), last.next_after, last.more), (vec![498, 499, 500], 500, false));
}

#[tokio::test]
async fn the_alarms_performance_is_told_over_the_time_asked_for() {
    let house = House::new();
    let at = |hour: i64| Instant(Wall::from_second(hour * 3600).unwrap());
    let request = Request::Performance(PerformanceRequest { from: at(1), to: at(3) });
    let told: view::Performance = serde_json::from_str(&house.ask(request).await.unwrap()).unwrap();
    assert_eq!((told.from, told.to, told.calls, told.calls_per_hour), (at(1), at(3), 1, Some(0.5)));

    let backwards = Request::Performance(PerformanceRequest { from: at(3), to: at(3) });
    let refused = house.ask(backwards).await.unwrap_err().to_string();
    assert!(refused.contains("`from` must be earlier than `to`"), "{refused}");
}

#[tokio::test]
async fn one_connection_may_ask_many_times_and_err_in_between() {
    let house = House::new();
    let mut stream = BufReader::new(house.connect().await);
    for (request, expected) in [
        ("{\"ask\":\"alarms\"}\n", "{\"answer\":{"),
        ("garbage\n", "{\"error\":{\"kind\":\"bad_request\""),
        ("\n", "{\"error\":{\"kind\":\"bad_request\""),
        ("{\"ask\":\"status\"}\n", "{\"answer\":{"),
    ] {
        stream.write_all(request.as_bytes()).await.unwrap();
        let answer = read_line(&mut stream).await;
        assert!(answer.starts_with(expected), "{request:?}: {answer}");
    }
}

#[tokio::test]
async fn bytes_that_are_no_text_harm_nobody() {
    let house = House::new();
    let mut stream = BufReader::new(house.connect().await);
    stream.write_all(&[0, 0xFF, 0xFE, 0x80, b'\n']).await.unwrap();
    assert!(read_line(&mut stream).await.contains("bad_request"));
    house.assert_alive().await;
}

#[tokio::test]
async fn half_a_request_is_not_carried_out() {
    let mut house = House::new();
    let mut stream = house.connect().await;
    let request = br#"{"ask":"act","kind":"acknowledge","alarms":["h2s-high"]}"#;
    stream.write_all(request).await.unwrap();
    stream.shutdown().await.unwrap();
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).await.unwrap();
    assert!(rest.is_empty());
    assert!(house.acted.try_recv().is_err(), "a line without its end was taken for a request");
}

#[tokio::test]
async fn a_megabyte_without_an_end_is_refused_at_the_limit() {
    let house = House::new();
    let (read, mut write) = house.connect().await.into_split();
    let flood = tokio::spawn(async move { write.write_all(&vec![b'x'; 1024 * 1024]).await });
    let mut answer = String::new();
    // The refusal comes before the connection is reset under the unread rest.
    let _ = BufReader::new(read).read_line(&mut answer).await;
    assert!(answer.contains("at most 65536 bytes"), "{answer}");
    assert!(flood.await.unwrap().is_err(), "all of it was taken");
    house.assert_alive().await;
}

#[tokio::test(start_paused = true)]
async fn who_connects_and_says_nothing_is_let_go() {
    let house = House::new();
    let mut silent = house.connect().await;
    let mut rest = Vec::new();
    tokio::time::timeout(Duration::from_secs(11), silent.read_to_end(&mut rest)).await.unwrap().unwrap();
    assert!(rest.is_empty());
}

#[tokio::test(start_paused = true)]
async fn one_byte_now_and_then_does_not_hold_a_connection() {
    let house = House::new();
    let (mut read, mut write) = house.connect().await.into_split();
    tokio::spawn(async move {
        while write.write_all(b"x").await.is_ok() {
            tokio::time::sleep(Duration::from_secs(3)).await;
        }
    });
    let mut rest = Vec::new();
    let closed = tokio::time::timeout(Duration::from_secs(11), read.read_to_end(&mut rest)).await;
    assert!(closed.is_ok(), "still open after 11 s");
}

#[tokio::test]
async fn one_connection_too_many_is_told_so_and_the_next_is_welcome() {
    let house = House::new();
    let mut open = Vec::new();
    for _ in 0..CONNECTIONS_MAX {
        let mut stream = BufReader::new(house.connect().await);
        stream.write_all(b"{\"ask\":\"alarms\"}\n").await.unwrap();
        read_line(&mut stream).await;
        open.push(stream);
    }
    let told = house.ask(Request::Status {}).await.unwrap_err().to_string();
    assert!(told.contains("32 connections are open already"), "{told}");

    open.pop();
    while house.ask(Request::Status {}).await.is_err() {
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn stopping_removes_the_file_and_ends_connections() {
    let house = House::new();
    let mut stream = house.connect().await;
    house.assert_alive().await;
    house.stop.cancel();
    house.serving.stopped().await;
    assert!(!house.dir.path().join("control.sock").exists());
    let mut rest = Vec::new();
    assert_eq!(stream.read_to_end(&mut rest).await.unwrap_or(0), 0);
    let told = ask(&house.dir.path().join("control.sock"), Request::Status {}).await.unwrap_err();
    assert!(matches!(told, ClientError::NotRunning { .. }), "{told}");
}
