//! A snapshot with a story to tell, for the tests of every face: a meter building with one thing of
//! each kind.

use std::time::Duration;

use crate::alarm::{Kind, Life, Limit, Priority, Withheld};
use crate::calibration::{Exposure, Point, SensorCare, Stage, Wear};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{
    AlarmStatus, BlockReport, ClockStatus, ClockStep, Counters, Decision, DeviceReport, DeviceState,
    DeviceStatus, DiskUse, Fitted, LineReport, LineState, LineStatus, Recorded, SensorStatus, SignalStatus,
    Snapshot, Spread, Who,
};
use crate::signal::{DeviceIndex, LineIndex, Reason, Sample, SignalIndex, Value};
use crate::units::{Circumstances, GasReference, Substance};

/// The wall clock when the monotonic clock began.
const BEGIN: &str = "2026-03-02T15:00:00Z";

/// The moment `ms` after the clocks began.
pub fn at_ms(ms: u64) -> Moment {
    let begin: Wall = BEGIN.parse().unwrap();
    Moment { mono: Mono::from_millis(ms), wall: begin + Duration::from_millis(ms) }
}

/// 60 °F and 14.73 psia, as the site file has it when it says nothing.
const COUNTED_AT: GasReference =
    GasReference { temperature_k: 519.67 / 1.8, pressure_pa: 14.73 * 6_894.757_293_168_361 };

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
        clock: ClockStatus {
            synchronized: Some(false),
            stepped: Some((at_ms(60_000).wall, ClockStep { ms: -2_500 })),
            recorded_until: None,
        },
        disk: Some(disk()),
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

/// A hundred days of record on a card with room for more, measured a minute ago.
fn disk() -> DiskUse {
    let at = at_ms(NOW_MS - 60_000);
    let begun: Wall = "2025-11-22T15:00:00Z".parse().unwrap();
    DiskUse {
        at,
        journal_bytes: 6 << 20,
        journal_since: Some(begun),
        history_bytes: 420 << 20,
        history_used_bytes: 400 << 20,
        history_bytes_max: 8 << 30,
        samples: Some((begun, at.wall)),
        keep: Duration::from_secs(3 * 365 * 86_400),
        free_bytes: Some(20 << 30),
        free_bytes_min: 256 << 20,
        written_bytes: Some(1_234_567),
    }
}

/// The same building on a quiet day.
pub fn quiet_story() -> Snapshot {
    let mut snapshot = story();
    snapshot.clock = ClockStatus { synchronized: Some(true), ..ClockStatus::default() };
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
    concentration.circumstances.substance = Some(Substance::HydrogenSulfide);
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
        circumstances: Circumstances { reference: COUNTED_AT, substance: None, ambient_pa: None },
        state: None,
        sample,
        read: (!sample.reasons().contains(Reason::NotYetRead)).then_some(sample.at),
        last_answer: sample.value().map(|value| (value, sample.at)),
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
        shelved_once: false,
        withheld_by: None,
        first_out_group: None,
        first_out: false,
        active: Some(false),
        pending: false,
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
        lateness: Some(Spread {
            min: Duration::from_millis(1),
            p50: Duration::from_millis(2),
            p90: Duration::from_millis(9),
            p99: Duration::from_millis(64),
        }),
        noisy: Some(false),
        hints: vec!["the port waits 16 ms before it hands on what has come".to_owned()],
        counters,
        devices: Vec::new(),
    }
}

fn wall(time: &str) -> Wall {
    time.parse().unwrap()
}

/// Zero and span as left, this morning.
fn calibrations() -> Vec<Recorded> {
    let left = |point, standard, standard_id: &str, reading, error_pct| Recorded {
        signal: "h2s-1.concentration".to_owned(),
        point,
        stage: Stage::AsLeft,
        at: wall("2026-03-02T14:20:00Z"),
        session: Some(wall("2026-03-02T14:05:00Z")),
        by: Who { user: "tech".to_owned(), name: Some("Kim Example".to_owned()) },
        standard,
        standard_id: standard_id.to_owned(),
        expires: Some(jiff::civil::date(2027, 3, 31)),
        reading,
        error_pct,
        tolerance_pct: 2.0,
        drift_pct: None,
        doubts: Vec::new(),
    };
    vec![left(Point::Zero, 0.0, "N2-0032", 0.05, 0.25), left(Point::Span, 16.0, "CYL-0417", 15.9, -0.5)]
}

/// A sensor in the middle of its life.
fn sensor() -> SensorStatus {
    let hour = Duration::from_secs(3600);
    let since = wall("2025-09-02T14:00:00Z");
    SensorStatus {
        signal: "h2s-1.concentration".to_owned(),
        unit: Some("ppmv".to_owned()),
        care: SensorCare {
            signal: SignalIndex(0),
            life: Some(17_520 * hour),
            exposure_max: Some(20_000.0),
            warn_left_pct: 10.0,
            settle: 2 * hour,
            due_alarm: true,
        },
        fitted: Some(Fitted {
            serial: "S-4711".to_owned(),
            since,
            at: since,
            by: Who { user: "tech".to_owned(), name: Some("Kim Example".to_owned()) },
            open_to_air: Some(hour / 12),
            settles_until: None,
        }),
        settling: false,
        exposure: Some(Exposure::of(Some(2.5), 4_200 * hour, 4_345 * hour)),
        wear: Wear::Fresh,
        found: vec![Recorded { stage: Stage::AsFound, drift_pct: Some(-1.25), ..calibrations().remove(1) }],
    }
}

fn device(id: &str, name: &str, line: &str, unit_id: u8, index: usize, state: DeviceState) -> DeviceStatus {
    let response = Some(Spread {
        min: Duration::from_millis(15),
        p50: Duration::from_millis(18),
        p90: Duration::from_millis(22),
        p99: Duration::from_millis(41),
    });
    let mut counters =
        Counters { requests: 240, answers: 236, timeouts: 1, gateway_exceptions: 3, ..Counters::default() };
    counters.exceptions_by_code[0x0B] = 3;
    let block = |block: &str, period_s| BlockReport {
        block: block.to_owned(),
        period: Duration::from_secs(period_s),
        response,
        counters: Counters { requests: 120, answers: 120, ..Counters::default() },
    };
    let report = DeviceReport {
        device: DeviceIndex(index),
        state,
        last_response: Some(at_ms(if state == DeviceState::Lost { 63_000 } else { 245_010 })),
        response,
        refused: Vec::new(),
        counters,
        blocks: vec![block("input 0–9", 1), block("holding 100–101", 10)],
    };
    DeviceStatus {
        id: id.to_owned(),
        name: name.to_owned(),
        line: line.to_owned(),
        unit_id,
        report: Some(report),
        function_check: None,
        function_check_overrun: false,
        calibrations: if index == 0 { calibrations() } else { Vec::new() },
        calibration_due: (index == 0).then(|| wall("2026-04-01T14:20:00Z")),
        sensor: (index == 0).then(sensor),
    }
}
