//! How many samples a second the pure core judges, on one core, for a large site: 640 signals of 80
//! devices, 800 alarms of all common kinds. Beside it, in the same run, runs the least that any such
//! program must do: compare every value with one limit. Run with `cargo bench --bench monitor`.

#![allow(clippy::print_stdout, clippy::as_conversions, clippy::cast_precision_loss)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use siskin::alarm::{AlarmSpec, Averaging, Kind, Limit, Over};
use siskin::calibration::Care;
use siskin::moment::{Moment, Mono, Wall};
use siskin::monitor::{DeviceLabel, Input, Plan, State, snapshot, step};
use siskin::signal::{
    DeviceIndex, Guard, GuardTest, LineIndex, Place, Raw, Reading, SignalIndex, SignalSpec, Table, ValueType,
};

const DEVICES: usize = 80;
const SIGNALS_PER_DEVICE: usize = 8;
const ALARMS: usize = 800;
const SECONDS: u64 = 600;

fn main() {
    let plan = plan();
    let samples = SECONDS as f64 * (DEVICES * SIGNALS_PER_DEVICE) as f64;
    let (took, events) = run(&plan);
    let least = least();
    let per_second = samples / took.as_secs_f64();
    println!("{} signals, {} alarms, {SECONDS} s at 1 Hz, one step for each device's answer", 640, ALARMS);
    println!("core:            {:>12.0} samples/s, {events} events", per_second);
    println!("one comparison:  {:>12.0} samples/s", samples / least.as_secs_f64());
    println!("ratio:           {:>12.4}", least.as_secs_f64() / took.as_secs_f64());
    println!("snapshot:        {:>12.1} us", snapshot_us(&plan));
}

fn run(plan: &Plan) -> (Duration, usize) {
    let mut state = State::new(plan, at(0));
    let (mut events, mut took) = (0, Duration::ZERO);
    for second in 1..=SECONDS {
        let answers = answers(second);
        let start = Instant::now();
        for answer in answers {
            let output = step(plan, &mut state, Input::Readings(answer), at(second));
            events += black_box(output).events.len();
        }
        took += start.elapsed();
    }
    (took, events)
}

fn least() -> Duration {
    let (mut beyond, mut took) = (0_usize, Duration::ZERO);
    for second in 1..=SECONDS {
        let answers = answers(second);
        let start = Instant::now();
        for reading in answers.into_iter().flatten() {
            if let Ok(Raw::Number(number)) = black_box(reading).outcome {
                beyond += usize::from(number > 4.0);
            }
        }
        took += start.elapsed();
    }
    black_box(beyond);
    took
}

fn snapshot_us(plan: &Plan) -> f64 {
    let state = State::new(plan, at(0));
    let start = Instant::now();
    for _ in 0..100 {
        black_box(snapshot(plan, &state));
    }
    start.elapsed().as_secs_f64() * 1e6 / 100.0
}

/// What all devices say in one second.
fn answers(second: u64) -> Vec<Vec<Reading>> {
    (0..DEVICES).map(|device| answer(device, second)).collect()
}

/// Values that wander, and now and then pass their limits.
fn answer(device: usize, second: u64) -> Vec<Reading> {
    let reading = |index: usize| {
        let signal = device * SIGNALS_PER_DEVICE + index;
        let phase = second as f64 / 60.0 + signal as f64;
        Reading {
            signal: SignalIndex(signal),
            at: at(second),
            outcome: Ok(Raw::Number(3.0 + 1.2 * phase.sin())),
        }
    };
    (0..SIGNALS_PER_DEVICE).map(reading).collect()
}

fn at(second: u64) -> Moment {
    let since_start = Duration::from_secs(second);
    let wall = Wall::UNIX_EPOCH.checked_add(since_start).unwrap_or(Wall::UNIX_EPOCH);
    Moment { mono: Mono::new(since_start), wall }
}

fn plan() -> Plan {
    let device = |index: usize| DeviceLabel {
        id: format!("device-{index}"),
        name: String::new(),
        line: LineIndex(0),
        unit_id: 1,
        care: Care::default(),
    };
    let devices = (0..DEVICES).map(device).collect();
    let signals: Vec<SignalSpec> = (0..DEVICES * SIGNALS_PER_DEVICE).map(signal).collect();
    let alarms = (0..ALARMS).map(|index| alarm(index, signals.len())).collect();
    Plan::new(("bench".to_owned(), String::new()), vec!["line".to_owned()], devices, signals, alarms)
}

/// The first signal of each device is what the others' validity hangs on.
fn signal(index: usize) -> SignalSpec {
    let first = index - index % SIGNALS_PER_DEVICE;
    let guard = Guard { signal: SignalIndex(first), test: GuardTest::Above(0.5) };
    let place = Place::new(Table::Input, 0, ValueType::F32);
    SignalSpec {
        unit: Some("ppmv".to_owned()),
        valid_when: if index == first { Vec::new() } else { vec![guard] },
        settle: Duration::from_secs(60),
        stale_after: Duration::from_secs(3),
        ..SignalSpec::new(format!("signal-{index}"), DeviceIndex(index / SIGNALS_PER_DEVICE), place)
    }
}

/// Of ten alarms, six are limits, two watch for loss, one for a trend, one an average.
fn alarm(index: usize, signals: usize) -> AlarmSpec {
    let limit = Limit { setpoint: 4.0, deadband: 0.2 };
    let kind = match index % 10 {
        0..=3 => Kind::High(limit),
        4..=5 => Kind::Low(Limit { setpoint: 2.0, deadband: 0.2 }),
        6..=7 => Kind::Lost,
        8 => Kind::Rise(limit, Duration::from_secs(60)),
        _ => Kind::AverageHigh(
            limit,
            Averaging { over: Over::Rolling(Duration::from_secs(3600)), coverage_min: 0.75 },
        ),
    };
    let spec = AlarmSpec::new(format!("alarm-{index}"), "", Some(SignalIndex(index % signals)), kind);
    AlarmSpec { on_delay: Duration::from_secs(10), off_delay: Duration::from_secs(10), ..spec }
}
