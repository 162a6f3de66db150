//! The history file as others see it: in the stock shell of SQLite, by the documented views.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use siskin::config::Site;
use siskin::history::open;
use siskin::moment::{Moment, Mono, Wall};
use siskin::signal::{
    DeviceIndex, Place, Reason, Reasons, Sample, Scale, SignalIndex, SignalSpec, Table, Value, ValueType,
};

use crate::record::{clock, site};
use crate::skip::skip;

pub const H2S: &str = "h2s-1.concentration";
const DOOR: &str = "door.open";
const DEW_POINT: &str = "h2o-1.dew_point";

/// The view is made for the stock shell, which is another build of another version than siskin has.
#[test]
fn the_stock_shell_shows_every_sample_to_the_last_bit() {
    let dir = tempfile::tempdir().unwrap();
    let samples = samples_of_every_kind();
    let record = open(dir.path(), &site_with_signals(), clock()).unwrap();
    record.recorder.samples(samples.clone());
    record.recorder.close();
    let Some(shown) = in_the_shell(
        dir.path(),
        "SELECT signal, time,
             CASE WHEN typeof(value) = 'real' THEN hex(ieee754_to_blob(value)) ELSE value END, reasons
         FROM samples",
    ) else {
        return skip("the view of the samples", "there is no sqlite3 shell");
    };
    assert_eq!(shown.lines().count(), samples.len(), "{shown}");
    for (index, signal) in [H2S, DOOR, DEW_POINT].into_iter().enumerate() {
        let of_signal = samples.iter().filter(|(of, _)| of.0 == index);
        let lines = shown.lines().filter(|line| line.starts_with(signal));
        for (line, (_, sample)) in lines.zip(of_signal) {
            let time = sample.at.wall.strftime("%Y-%m-%dT%H:%M:%S%.3fZ");
            let value = match sample.value() {
                Some(Value::Number(number)) => format!("{:016X}", number.to_bits()),
                Some(Value::Flag(flag)) => u8::from(flag).to_string(),
                None => String::new(),
            };
            let words: Vec<&str> = sample.reasons().iter().map(Reason::word).collect();
            assert_eq!(line, format!("{signal} {time} {value} {}", words.join(" ")));
        }
    }
}

/// One column after the other, a space between; `None` where there is no shell.
fn in_the_shell(data: &Path, sql: &str) -> Option<String> {
    let mut shell = Command::new("sqlite3");
    let shown =
        shell.args(["-readonly", "-separator", " "]).arg(data.join("history.db")).arg(sql).output().ok()?;
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    Some(String::from_utf8(shown.stdout).unwrap())
}

/// Every width of offset, even and uneven times, every kind of number, runs of reasons.
fn samples_of_every_kind() -> Vec<(SignalIndex, Sample)> {
    let mut samples = Vec::new();
    let mut add = |signal, after_ms, value, reasons| {
        let wall: Wall = "2026-03-02T15:04:05.120Z".parse().unwrap();
        let mono = Mono::from_millis(after_ms);
        let at = Moment { mono, wall: wall + mono.since_start() };
        samples.push((SignalIndex(signal), Sample::new(value, reasons, at)));
    };
    let number = |number| Some(Value::Number(number));
    for second in 0..300_u16 {
        add(0, 200 * u64::from(second), number(f64::from(3 * second % 700) / 10.0), Reasons::NONE);
    }
    for (ms, double) in (0..).zip([0.1, -1e300, f64::MIN_POSITIVE / 8.0, f64::MAX, 4.0, -0.0]) {
        add(0, 90_000 + 7 * ms, number(double), Reasons::NONE);
    }
    for (ms, single) in (0..).zip([0.1_f32, -0.0, 3.25, f32::MIN_POSITIVE / 4.0, f32::MAX, -17.5]) {
        add(2, ms, number(f64::from(single)), Reasons::NONE);
    }
    for second in 0..9 {
        let reasons = if second > 5 { Reasons::one(Reason::Settling) } else { Reasons::NONE };
        add(1, 1_000 * second, Some(Value::Flag(second % 3 == 0)), reasons);
    }
    add(1, 9_500, None, Reasons::one(Reason::DeviceException));
    add(1, 10_000, None, [Reason::Stale, Reason::SampleCondition].into_iter().collect());
    add(1, 11_000, Some(Value::Flag(true)), Reasons::NONE);
    samples
}

pub fn site_with_signals() -> Site {
    let tenths = Scale { from: [0.0, 10.0], to: [0.0, 1.0] };
    let signals = vec![
        SignalSpec { scale: Some(tenths), ..signal(H2S, ValueType::U16) },
        signal(DOOR, ValueType::Bool),
        signal(DEW_POINT, ValueType::F32),
    ];
    let mut site = Site { signals, ..site() };
    site.history.keep_samples = Duration::from_secs(100 * 365 * 86_400);
    site
}

fn signal(id: &str, value_type: ValueType) -> SignalSpec {
    SignalSpec::new(id, DeviceIndex(0), Place::new(Table::Input, 0, value_type))
}
