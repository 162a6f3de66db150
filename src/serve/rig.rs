//! A daemon that is not there: a handle over channel ends, with a story to tell, for the tests of
//! this face.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use crate::alarm::Priority;
use crate::alarm::performance::{Change, Count, Happened, Performance};
use crate::daemon::{Handle, Health, HistorySource, JournalSource, Request};
use crate::history::{Bucket, JournalEntry};
use crate::moment::{Mono, Wall};
use crate::monitor::Snapshot;
use crate::serve::{Access, Bound, Face, Limits, ServeError, Settings};
use crate::view::story::at_ms;

/// The daemon's ends of the channels, and the server in front of them.
pub struct Rig {
    pub address: SocketAddr,
    pub snapshots: watch::Sender<Arc<Snapshot>>,
    pub health: watch::Sender<Health>,
    pub stop: CancellationToken,
    pub bound: Bound,
    pub face: Face,
    now_ms: Arc<AtomicU64>,
    _requests: mpsc::Receiver<Request>,
}

/// A journal in memory, or one that cannot be read.
struct Journal(Mutex<Result<Vec<JournalEntry>, String>>);

impl JournalSource for Journal {
    fn read(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, String> {
        let entries = self.0.lock().unwrap().clone()?;
        Ok(entries.into_iter().filter(|entry| entry.seq > after).take(limit).collect())
    }

    fn read_last(&self, limit: usize) -> Result<Vec<JournalEntry>, String> {
        let entries = self.0.lock().unwrap().clone()?;
        let skipped = entries.len().saturating_sub(limit);
        Ok(entries.into_iter().skip(skipped).collect())
    }

    fn performance(&self, from: Wall, to: Wall) -> Result<Performance, String> {
        let mut count = Count::new(from, to);
        for entry in self.0.lock().unwrap().clone()? {
            match entry.kind.as_str() {
                "started" => count.take(entry.time, Happened::Started),
                "alarm_raised" => count.take(entry.time, raised(&entry.subject)),
                _ => {}
            }
        }
        Ok(count.finish())
    }
}

fn raised(alarm: &str) -> Happened<'_> {
    let (active, priority) = (Some(true), Some(Priority::High));
    Happened::Alarm(Change { alarm, active, calls: true, withheld: false, priority })
}

/// A history in which everything rises by one with each piece, and nothing was measured in every third.
struct Waves;

impl HistorySource for Waves {
    fn buckets(&self, _signal: &str, from: Wall, to: Wall, points: usize) -> Result<Vec<Bucket>, String> {
        let whole = Duration::try_from(to.duration_since(from)).unwrap();
        let edge =
            |index: usize| from + whole * u32::try_from(index).unwrap() / u32::try_from(points).unwrap();
        let bucket = |index: usize| {
            let mean = (index % 3 != 2).then(|| f64::from(u32::try_from(index).unwrap()));
            let (min, max) = (mean.map(|mean| mean - 0.5), mean.map(|mean| mean + 0.5));
            let coverage = if mean.is_some() { 1.0 } else { 0.0 };
            let measured = (whole / u32::try_from(points).unwrap()).mul_f64(coverage);
            Bucket { from: edge(index), to: edge(index + 1), min, mean, max, coverage, measured }
        };
        Ok((0..points).map(bucket).collect())
    }
}

/// What an answer was.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Rig {
    /// A server that tells `snapshot`, at the moment it was true, with the usual journal.
    pub async fn telling(snapshot: Snapshot) -> Rig {
        Rig::with_journal(snapshot, Ok(journal())).await
    }

    /// The same, with these limits.
    pub async fn limited(snapshot: Snapshot, limits: Limits) -> Rig {
        Rig::with(snapshot, Ok(journal()), limits).await
    }

    pub async fn with_journal(snapshot: Snapshot, entries: Result<Vec<JournalEntry>, String>) -> Rig {
        Rig::with(snapshot, entries, Limits::USUAL).await
    }

    async fn with(snapshot: Snapshot, entries: Result<Vec<JournalEntry>, String>, limits: Limits) -> Rig {
        let now_ms = Arc::new(AtomicU64::new(millis(snapshot.at.mono)));
        let clock = {
            let now_ms = Arc::clone(&now_ms);
            Arc::new(move || at_ms(now_ms.load(Ordering::Relaxed)))
        };
        let (snapshots, snapshots_out) = watch::channel(Arc::new(snapshot));
        let (health, health_out) = watch::channel(Health::default());
        let (requests, requests_in) = mpsc::channel(1);
        let journal = Arc::new(Journal(Mutex::new(entries)));
        let handle =
            Handle::new(clock, snapshots_out, health_out, requests, journal).with_history(Arc::new(Waves));
        let stop = CancellationToken::new();
        let anywhere = "127.0.0.1:0".parse().unwrap();
        let face = Face::new(handle, settings(limits), stop.clone());
        let bound = face.clone().listen(anywhere, Access::default()).unwrap();
        Rig { face, address: bound.address, snapshots, health, stop, bound, now_ms, _requests: requests_in }
    }

    /// A second server on the address of the first.
    pub async fn start_another(&self) -> Result<Bound, ServeError> {
        self.face.clone().listen(self.address, Access::default())
    }

    /// Lets so much time go by.
    pub fn pass(&self, duration: Duration) {
        self.now_ms.fetch_add(u64::try_from(duration.as_millis()).unwrap(), Ordering::Relaxed);
    }

    /// Sends `bytes` on a connection of its own, and reads until the server closes it.
    pub async fn exchange(&self, bytes: &str) -> String {
        let mut stream = TcpStream::connect(self.address).await.unwrap();
        stream.write_all(bytes.as_bytes()).await.unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).await.unwrap();
        String::from_utf8(answer).unwrap()
    }

    /// The same for what may not end by itself: nothing more is sent after it.
    pub async fn exchange_whole(&self, bytes: &str) -> String {
        let mut stream = TcpStream::connect(self.address).await.unwrap();
        stream.write_all(bytes.as_bytes()).await.unwrap();
        stream.shutdown().await.unwrap();
        let mut answer = Vec::new();
        let _a_reset_is_an_end_too = stream.read_to_end(&mut answer).await;
        String::from_utf8(answer).unwrap()
    }

    pub async fn ask(&self, method: &str, path: &str) -> Answer {
        self.ask_as("localhost", method, path).await
    }

    pub async fn ask_as(&self, host: &str, method: &str, path: &str) -> Answer {
        let request = format!("{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
        Answer::parse(&self.exchange(&request).await)
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.ask("GET", path).await
    }
}

impl Answer {
    pub fn parse(text: &str) -> Answer {
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head: head.to_ascii_lowercase(), body: body.to_owned() }
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap()
    }
}

fn settings(limits: Limits) -> Settings {
    let time_zone = TimeZone::get("America/Chicago").unwrap();
    Settings { time_zone, stream_every: Duration::from_millis(20), limits }
}

fn millis(mono: Mono) -> u64 {
    u64::try_from(mono.since_start().as_millis()).unwrap()
}

fn journal() -> Vec<JournalEntry> {
    let entry = |seq: u64, ms: u64, kind: &str, subject: &str, detail: serde_json::Value| JournalEntry {
        seq,
        time: at_ms(ms).wall,
        mono_ms: ms,
        kind: kind.to_owned(),
        subject: subject.to_owned(),
        user: None,
        name: None,
        detail: detail.as_object().unwrap().clone(),
        hash: format!("{seq:064x}"),
    };
    use serde_json::json;
    let mut acknowledged = entry(
        5,
        90_000,
        "alarm_acknowledged",
        "btu-1.heating.lost",
        json!({"remark": "line crew called", "state": "acknowledged"}),
    );
    (acknowledged.user, acknowledged.name) = (Some("operator".to_owned()), Some("R. Vale".to_owned()));
    vec![
        entry(1, 0, "started", "willow-bend", json!({"version": "0.1.0"})),
        entry(
            2,
            60_000,
            "alarm_raised",
            "h2s-high",
            json!({"setpoint": 4.0, "state": "unacknowledged", "value": 4.21}),
        ),
        entry(3, 66_000, "line_down", "annex", json!({"cause": "192.0.2.10:4001: connection refused"})),
        entry(
            4,
            76_000,
            "alarm_raised",
            "btu-1.heating.lost",
            json!({"reasons": ["communication_lost"], "state": "unacknowledged"}),
        ),
        acknowledged,
    ]
}
