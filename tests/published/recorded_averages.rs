//! Averages of recorded samples, as contracts and rules have them: from samples handed to the record to
//! the figures that come out of its file.
//!
//! * Time-weighted average = sum(C·T) / sum(T), with its worked example: 29 CFR 1910.1000(d)(1).
//! * Gas days of 9:00 a.m. Central Clock Time, of 23 and 25 hours where the clocks change: interstate
//!   tariffs; the days and hours were computed with Python's zoneinfo.
//! * Held values, coverage and ramp: computed by hand from that definition, a value counting until the
//!   next one comes in.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use siskin::config::{ControlSpec, HistorySpec, Site};
use siskin::history::{Bucket, open};
use siskin::moment::{Clock, Moment, Mono, Wall};
use siskin::period::{Bounds, Period};
use siskin::signal::{
    DeviceIndex, Place, Reason, Reasons, Sample, SignalIndex, SignalSpec, Table, Value, ValueType,
};

const SIGNAL: &str = "h2s-1.concentration";

/// 29 CFR 1910.1000(d)(1)(ii): two hours at 150 ppm, two at 75, four at 50: (2·150 + 2·75 + 4·50) / 8.
#[test]
fn the_worked_example_of_the_air_contaminants_rule_comes_to_81_25_ppm() {
    let exposure = |minute: u32| match minute / 60 {
        0..2 => 150.0,
        2..4 => 75.0,
        _ => 50.0,
    };
    let samples: Vec<_> = (0..8 * 60).map(|minute| (60 * minute, Some(exposure(minute)))).collect();
    let average = averaged(&samples, Duration::from_secs(120), at(0), at(8 * 3_600));
    assert_eq!((average.mean, average.coverage), (Some(81.25), 1.0));
    assert_eq!((average.min, average.max), (Some(50.0), Some(150.0)));
}

#[test]
fn a_value_counts_for_as_long_as_it_is_held() {
    let samples = [(0, Some(2.0)), (900, Some(4.0)), (1_800, Some(10.0)), (1_920, Some(3.0))];
    let average = averaged(&samples, Duration::from_secs(3_600), at(0), at(3_600));
    // (1800 + 3600 + 1200 + 5040) / 3600; the mean of the four samples would be 4.75.
    assert!((average.mean.unwrap() - 11_640.0 / 3_600.0).abs() < 1e-12, "{average:?}");
}

#[test]
fn time_that_was_not_measured_counts_for_nothing_and_lowers_the_coverage() {
    let samples = [(0, Some(4.0)), (600, None), (1_200, Some(6.0))];
    let average = averaged(&samples, Duration::from_secs(3_600), at(0), at(3_600));
    assert!((average.mean.unwrap() - 5.6).abs() < 1e-12, "{average:?}");
    assert!((average.coverage - 3_000.0 / 3_600.0).abs() < 1e-12, "{average:?}");
}

#[test]
fn a_ramp_is_held_not_drawn_from_sample_to_sample() {
    let samples: Vec<_> = (0..6).map(|step| (600 * step, Some(f64::from(step)))).collect();
    let average = averaged(&samples, Duration::from_secs(3_600), at(0), at(3_600));
    assert_eq!(average.mean, Some(2.5), "3.0 would be the trapezoids under it");
}

#[test]
fn a_value_is_held_no_longer_than_it_is_a_measurement() {
    let samples = [(0, Some(4.0)), (1_800, Some(8.0))];
    let average = averaged(&samples, Duration::from_secs(60), at(0), at(3_600));
    assert_eq!((average.mean, average.coverage), (Some(6.0), 120.0 / 3_600.0));
}

#[test]
fn a_gas_day_is_averaged_over_all_of_its_23_24_or_25_hours() {
    let central = Period::GasDay {
        zone: TimeZone::get("America/Chicago").unwrap(),
        start: jiff::civil::time(9, 0, 0, 0),
    };
    for (noon, hours) in [
        ("2026-03-07T18:00:00Z", 23),
        ("2026-03-08T18:00:00Z", 24),
        ("2026-10-31T18:00:00Z", 25),
        ("2028-11-04T18:00:00Z", 25),
    ] {
        let Bounds { start, end } = central.containing(noon.parse().unwrap());
        // The hour of the day as the value: 0 in the first hour, and so on.
        let minutes = 60 * (hours + 2);
        let samples: Vec<_> =
            (0..minutes).map(|minute| (60 * minute, Some(f64::from(minute / 60)))).collect();
        let average = averaged_from(start, &samples, Duration::from_secs(120), start, end);
        assert_eq!((average.mean, average.coverage), (Some(f64::from(hours - 1) / 2.0), 1.0), "{noon}");
        assert_eq!(average.max, Some(f64::from(hours - 1)), "{noon}");
    }
}

fn beginning() -> Wall {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn at(second: u32) -> Wall {
    beginning() + Duration::from_secs(second.into())
}

fn averaged(samples: &[(u32, Option<f64>)], stale_after: Duration, from: Wall, to: Wall) -> Bucket {
    averaged_from(beginning(), samples, stale_after, from, to)
}

/// Records the samples, `(second, value)`, and asks the record for the average between two times.
fn averaged_from(
    beginning: Wall,
    samples: &[(u32, Option<f64>)],
    stale_after: Duration,
    from: Wall,
    to: Wall,
) -> Bucket {
    let dir = tempfile::tempdir().unwrap();
    let moment = move |second: u32| {
        let mono = Mono::new(Duration::from_secs(second.into()));
        Moment { mono, wall: beginning + mono.since_start() }
    };
    let clock: Clock = Arc::new(move || moment(400_000));
    let record = open(dir.path(), &site(stale_after), clock).unwrap();
    let sample = |(second, value): &(u32, Option<f64>)| {
        let sample = match value {
            Some(number) => Sample::new(Some(Value::Number(*number)), Reasons::NONE, moment(*second)),
            None => Sample::absent(Reason::CommunicationLost, moment(*second)),
        };
        (SignalIndex(0), sample)
    };
    record.recorder.samples(samples.iter().map(sample).collect());
    record.recorder.close();
    record.samples.buckets(SIGNAL, from, to, 1).unwrap()[0]
}

fn site(stale_after: Duration) -> Site {
    let place = Place::new(Table::Input, 0, ValueType::F32);
    let signal = SignalSpec { stale_after, ..SignalSpec::new(SIGNAL, DeviceIndex(0), place) };
    Site {
        id: "willow-bend".to_owned(),
        name: "Willow Bend Interconnect".to_owned(),
        time_zone: TimeZone::UTC,
        gas_day_start: jiff::civil::time(9, 0, 0, 0),
        gas_reference: siskin::units::GasReference::NORMAL,
        ambient_pa: None,
        history: HistorySpec {
            keep_samples: Duration::from_secs(100 * 365 * 86_400),
            max_size_bytes: 1 << 30,
            flush_every: Duration::from_secs(60),
        },
        http: None,
        scada: None,
        control: ControlSpec { socket: PathBuf::from("control.sock") },
        lines: Vec::new(),
        devices: Vec::new(),
        signals: vec![signal],
        substances: Vec::new(),
        alarms: Vec::new(),
        push_buttons: Vec::new(),
        shelve_max: Duration::from_secs(12 * 3600),
        sha256: String::new(),
        settings: Vec::new(),
    }
}
