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

use crate::alarm::performance::{Count, Performance};
use crate::alarm::{Kind, Life, Limit, Priority, Withheld};
use crate::daemon::{Handle, Health, JournalSource, Request};
use crate::history::JournalEntry;
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{
    AlarmStatus, Counters, Decision, DeviceReport, DeviceState, DeviceStatus, LineReport, LineState,
    LineStatus, SignalStatus, Snapshot, Spread, Who,
};
use crate::serve::{Bound, ServeError, Settings, start};
use crate::signal::{DeviceIndex, LineIndex, Reason, Sample, SignalIndex, Value};

/// The wall clock when the monotonic clock began.
const BEGIN: &str = "2026-03-02T15:00:00Z";

/// The daemon's ends of the channels, and the server in front of them.
pub struct Rig {
    pub address: SocketAddr,
    pub snapshots: watch::Sender<Arc<Snapshot>>,
    pub health: watch::Sender<Health>,
    pub stop: CancellationToken,
    pub bound: Bound,
    handle: Handle,
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
        self.0.lock().unwrap().clone().map(|_| Count::new(from, to).finish())
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

    pub async fn with_journal(snapshot: Snapshot, entries: Result<Vec<JournalEntry>, String>) -> Rig {
        let now_ms = Arc::new(AtomicU64::new(millis(snapshot.at.mono)));
        let clock = {
            let now_ms = Arc::clone(&now_ms);
            Arc::new(move || at_ms(now_ms.load(Ordering::Relaxed)))
        };
        let (snapshots, snapshots_out) = watch::channel(Arc::new(snapshot));
        let (health, health_out) = watch::channel(Health::default());
        let (requests, requests_in) = mpsc::channel(1);
        let journal = Arc::new(Journal(Mutex::new(entries)));
        let handle = Handle::new(clock, snapshots_out, health_out, requests, journal);
        let stop = CancellationToken::new();
        let anywhere = "127.0.0.1:0".parse().unwrap();
        let bound = start(anywhere, handle.clone(), settings(), stop.clone()).await.unwrap();
        Rig { handle, address: bound.address, snapshots, health, stop, bound, now_ms, _requests: requests_in }
    }

    /// A second server on the address of the first.
    pub async fn start_another(&self) -> Result<Bound, ServeError> {
        start(self.address, self.handle.clone(), settings(), self.stop.clone()).await
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

fn settings() -> Settings {
    Settings { time_zone: TimeZone::get("America/Chicago").unwrap(), stream_every: Duration::from_millis(20) }
}

fn millis(mono: Mono) -> u64 {
    u64::try_from(mono.since_start().as_millis()).unwrap()
}

/// The moment `ms` after the clocks began.
pub fn at_ms(ms: u64) -> Moment {
    let begin: Wall = BEGIN.parse().unwrap();
    Moment { mono: Mono::from_millis(ms), wall: begin + Duration::from_millis(ms) }
}

/// When the story is told: four minutes and five seconds after the clocks began.
const NOW_MS: u64 = 245_120;

/// A meter building with one thing of each kind: a good reading, one to be used with care, one that
/// is not measured, one that was never read; alarms in several states; a line that is down.
pub fn story() -> Snapshot {
    Snapshot {
        at: at_ms(NOW_MS),
        seq: 245,
        site_id: "willow-bend".to_owned(),
        site_name: "Willow Bend Interconnect".to_owned(),
        time_zone: "America/Chicago".to_owned(),
        lines: vec![
            LineStatus { id: "east".to_owned(), report: Some(line_report(0, LineState::Up)) },
            LineStatus {
                id: "annex".to_owned(),
                report: Some(line_report(
                    1,
                    LineState::Down("192.0.2.10:4001: connection refused".to_owned()),
                )),
            },
            LineStatus { id: "spare".to_owned(), report: None },
        ],
        devices: vec![
            device("h2s-1", "Trace hydrogen sulfide", "east", 1, 0, DeviceState::Online),
            device("h2o-1", "Water vapor", "east", 2, 1, DeviceState::Degraded),
            device("btu-1", "Heating value", "annex", 1, 2, DeviceState::Lost),
        ],
        signals: signals(),
        alarms: alarms(),
    }
}

/// The same building on a quiet day.
pub fn quiet_story() -> Snapshot {
    let mut snapshot = story();
    snapshot.lines.truncate(1);
    snapshot.devices.truncate(1);
    snapshot.signals.truncate(3);
    snapshot.alarms.retain(|alarm| alarm.id == "h2s-high");
    for signal in &mut snapshot.signals {
        signal.since = at_ms(1_000);
    }
    for alarm in &mut snapshot.alarms {
        (alarm.life, alarm.active) = (Life::Normal, Some(false));
        (alarm.since, alarm.raised, alarm.cleared, alarm.acknowledged) = (None, None, None, None);
    }
    snapshot.signals[0].sample =
        Sample::new(Some(Value::Number(3.21)), [].into_iter().collect(), at_ms(245_010));
    snapshot
}

fn signals() -> Vec<SignalStatus> {
    let read = at_ms(245_010);
    let good = |value| Sample::new(Some(value), [].into_iter().collect(), read);
    let mut concentration = signal("h2s-1.concentration", good(Value::Number(4.312)), Some("ppmv"));
    concentration.tag = Some("AIT-1101".to_owned());
    concentration.name = Some("H2S".to_owned());
    let mut flow = signal("h2s-1.flow", good(Value::Number(1.84)), Some("L/min"));
    flow.name = Some("Sample flow".to_owned());
    let mut calibrating = signal("h2s-1.calibrating", good(Value::Flag(false)), None);
    calibrating.state = Some("measuring".to_owned());
    let noisy = Sample::new(Some(Value::Number(6.9)), [Reason::AboveRange].into_iter().collect(), read);
    let mut water = signal("h2o-1.content", noisy, Some("lb/MMscf"));
    water.name = Some("Water content".to_owned());
    water.last_good = Some((Value::Number(6.1), at_ms(200_000)));
    let mut heating =
        signal("btu-1.heating", Sample::absent(Reason::CommunicationLost, at_ms(63_000)), Some("Btu/scf"));
    heating.name = Some("Heating value".to_owned());
    heating.tag = Some("AIT-1301".to_owned());
    heating.last_good = Some((Value::Number(1034.72), at_ms(63_000)));
    heating.since = at_ms(66_000);
    let mut wobbe = signal("btu-1.wobbe", Sample::absent(Reason::NotYetRead, at_ms(0)), Some("Btu/scf"));
    (wobbe.last_good, wobbe.since) = (None, at_ms(0));
    vec![concentration, flow, calibrating, water, heating, wobbe]
}

fn signal(id: &str, sample: Sample, unit: Option<&str>) -> SignalStatus {
    SignalStatus {
        id: id.to_owned(),
        name: None,
        tag: None,
        unit: unit.map(str::to_owned),
        state: None,
        sample,
        last_good: sample.value().map(|value| (value, sample.at)),
        since: at_ms(30_000),
    }
}

fn alarms() -> Vec<AlarmStatus> {
    let high = |setpoint, deadband| Kind::High(Limit { setpoint, deadband });
    let mut h2s = alarm("h2s-high", "H2S above contract limit", 0, high(4.0, 0.2), Priority::High);
    (h2s.life, h2s.active) = (Life::Unacknowledged, Some(true));
    (h2s.since, h2s.raised) = (Some(at_ms(60_000).wall), Some(at_ms(60_000).wall));
    h2s.consequence = Some("Gas out of contract reaches the line.".to_owned());
    h2s.action = Some("Confirm with a stain tube, then call gas control.".to_owned());
    let mut water = alarm("h2o-high", "Water above contract limit", 3, high(7.0, 0.3), Priority::Medium);
    water.active = Some(false);
    let mut heating = alarm(
        "btu-low",
        "Heating value below contract limit",
        4,
        Kind::Low(Limit { setpoint: 967.0, deadband: 5.0 }),
        Priority::Medium,
    );
    (heating.life, heating.active) = (Life::LatchedAcknowledged, None);
    (heating.since, heating.raised) = (Some(at_ms(50_000).wall), Some(at_ms(20_000).wall));
    (heating.cleared, heating.acknowledged) = (Some(at_ms(50_000).wall), Some(at_ms(40_000).wall));
    let mut lost = alarm("btu-1.heating.lost", "Heating value not measured", 4, Kind::Lost, Priority::Medium);
    (lost.life, lost.active, lost.latching) = (Life::Acknowledged, Some(true), false);
    (lost.since, lost.raised) = (Some(at_ms(90_000).wall), Some(at_ms(76_000).wall));
    lost.acknowledged = Some(at_ms(90_000).wall);
    lost.action = Some("Look at the line first: is its converter powered?".to_owned());
    let mut flow = alarm(
        "flow-low",
        "Sample flow low",
        1,
        Kind::Low(Limit { setpoint: 0.5, deadband: 0.1 }),
        Priority::Low,
    );
    flow.withheld = Some(Withheld::Shelved);
    let who = Who { user: "operator".to_owned(), name: Some("night shift".to_owned()) };
    flow.withheld_by = Some(Decision { who, remark: Some("filter is being changed".to_owned()) });
    (flow.shelved_until, flow.since) = (Some(at_ms(3_600_000).wall), Some(at_ms(120_000).wall));
    vec![h2s, water, heating, lost, flow]
}

fn alarm(id: &str, name: &str, signal: usize, kind: Kind, priority: Priority) -> AlarmStatus {
    AlarmStatus {
        id: id.to_owned(),
        name: name.to_owned(),
        signal: Some(SignalIndex(signal)),
        limits_gas: kind.limit().is_some(),
        kind,
        priority,
        life: Life::Normal,
        withheld: None,
        shelved_until: None,
        withheld_by: None,
        first_out_group: None,
        first_out: false,
        active: Some(false),
        latching: true,
        since: None,
        raised: None,
        cleared: None,
        acknowledged: None,
        cause: None,
        consequence: None,
        action: None,
        time_to_respond: None,
    }
}

fn line_report(line: usize, state: LineState) -> LineReport {
    let counters = Counters { requests: 812, answers: 809, timeouts: 3, retries: 3, ..Counters::default() };
    LineReport {
        line: LineIndex(line),
        state,
        load: 0.41,
        demand: 0.44,
        lateness: None,
        noisy: false,
        hints: Vec::new(),
        counters,
        devices: Vec::new(),
    }
}

fn device(id: &str, name: &str, line: &str, unit_id: u8, index: usize, state: DeviceState) -> DeviceStatus {
    let report = DeviceReport {
        device: DeviceIndex(index),
        state,
        last_response: Some(at_ms(if state == DeviceState::Lost { 63_000 } else { 245_010 })),
        response: Some(Spread {
            p50: Duration::from_millis(18),
            p90: Duration::from_millis(22),
            p99: Duration::from_millis(41),
        }),
        refused: Vec::new(),
        counters: Counters { requests: 240, answers: 239, timeouts: 1, ..Counters::default() },
        blocks: Vec::new(),
    };
    DeviceStatus {
        id: id.to_owned(),
        name: name.to_owned(),
        line: line.to_owned(),
        unit_id,
        report: Some(report),
    }
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
