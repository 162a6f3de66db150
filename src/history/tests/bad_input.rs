//! What no site should ever hand in or ask for: it is answered, and costs nothing else anything.

use std::fs;

use super::minutes::{Bench, as_kept, tenths};
use super::*;
use crate::history::{BUCKETS_MAX, HISTORY_FILE, SampleReader};
use crate::signal::{Reason, SignalIndex};

#[test]
fn a_number_that_is_none_is_kept_as_no_measurement_and_spoils_no_other() {
    for not_finite in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let bench = Bench::new(limits().flush_every);
        bench.hand_in(0, vec![tenths(32, 0), (SignalIndex(0), number(not_finite, 1_000)), tenths(33, 2_000)]);
        bench.write(600_000);
        let read = bench.samples(H2S);
        let values: Vec<_> = read.iter().map(|sample| sample.value).collect();
        assert_eq!(values, [Some(Value::Number(3.2)), None, Some(Value::Number(3.3))]);
        assert_eq!(read[1].reasons, Reasons::one(Reason::InvalidNumber));
    }
}

#[test]
fn a_hundred_years_and_all_of_time_are_answered_from_what_there_is() {
    let bench = Bench::new(limits().flush_every);
    let samples: Vec<_> = (0..600).map(|second| tenths(32, 1_000 * second)).collect();
    bench.hand_in(600_000, samples.clone());
    bench.write(900_000);
    let reader = &bench.record().samples;
    let a_hundred_years =
        ["1976-01-01T00:00:00Z", "2076-01-01T00:00:00Z"].map(|at| at.parse::<Wall>().unwrap());
    for [from, to] in [a_hundred_years, [Wall::MIN, Wall::MAX]] {
        for points in [1, 500, 1_000_000] {
            let buckets = reader.buckets(H2S, from, to, points).unwrap();
            assert!((1..=BUCKETS_MAX.min(points)).contains(&buckets.len()), "{}", buckets.len());
            let measured: Duration = buckets.iter().map(|bucket| bucket.measured).sum();
            assert_eq!(measured, Duration::from_secs(604), "the last value holds for five seconds");
        }
        assert_eq!(reader.time_above(H2S, from, to, 3.0).unwrap(), Duration::from_secs(604));
        assert_eq!(reader.samples(H2S, from, to).unwrap(), as_kept(&samples, 0));
    }
}

#[test]
fn names_with_quotes_are_names_like_any_other() {
    let dir = tempfile::tempdir().unwrap();
    let odd = ["it's.\"odd\"", "x'); DROP TABLE minute; --.y", "%_\\\u{1f426}.\n"];
    let signals = odd.iter().map(|name| KeptSignal::of(&signal(name, ValueType::U16))).collect();
    let kept = open_with(dir.path(), &Kept { signals, ..kept() }, clock(), limits()).unwrap();
    kept.recorder.samples(
        (0..3_u32)
            .map(|index| (SignalIndex(usize::try_from(index).unwrap()), number(f64::from(index), 0)))
            .collect(),
    );
    record(&kept, vec![alarm(EventKind::AlarmRaised, "it's \"high\"; DROP TABLE event")]);
    kept.recorder.close();
    let reader = SampleReader::new(dir.path());
    for (index, name) in (0..3_u32).zip(odd) {
        let read = reader.samples(name, Wall::MIN, Wall::MAX).unwrap();
        assert_eq!(read.len(), 1, "{name}");
        assert_eq!(read[0].value, Some(Value::Number(f64::from(index))));
        assert_eq!(
            reader.buckets(name, moment(0).wall, moment(1_000).wall, 1).unwrap()[0].max,
            Some(f64::from(index))
        );
    }
    let names: Vec<String> = odd.iter().map(|name| (*name).to_owned()).collect();
    assert_eq!(reader.replay(&names, Wall::MIN, Wall::MAX).unwrap().count(), 3);
    assert_eq!(kept.journal.read(0, 1).unwrap()[0].subject, "it's \"high\"; DROP TABLE event");
}

/// Who reads for hours, as an export of years does, keeps no snapshot meanwhile: else the log could not be
/// begun anew, and would take all that is written.
#[test]
fn a_reader_in_the_middle_of_a_long_read_does_not_make_the_log_grow() {
    let bench = Bench::new(limits().flush_every);
    let jumping = |ms: u64| f64::from(u32::try_from(ms * 7_919 % 60_007).unwrap()).sqrt();
    let minute = |minute: u64| {
        let of_minute = (minute * 60_000..(minute + 1) * 60_000).step_by(100);
        of_minute.map(|ms| (SignalIndex(0), number(jumping(ms), ms))).collect::<Vec<_>>()
    };
    bench.hand_in(0, minute(0));
    bench.write(180_000);
    let names = [H2S.to_owned()];
    let mut replay = bench.record().samples.replay(&names, Wall::MIN, Wall::MAX).unwrap();
    assert!(replay.next().is_some());
    let log = bench.dir.path().join(format!("{HISTORY_FILE}-wal"));
    let mut log_bytes_max = 0;
    for nth in 1..400 {
        bench.hand_in(nth * 60_000, minute(nth));
        bench.write((nth + 3) * 60_000);
        log_bytes_max = log_bytes_max.max(fs::metadata(&log).unwrap().len());
    }
    let written = fs::metadata(bench.dir.path().join(HISTORY_FILE)).unwrap().len();
    assert!(written > 1_500_000, "{written} bytes: too little to tell");
    // SQLite begins anew after a thousand pages of a kilobyte; the last commit comes on top.
    assert!(log_bytes_max < 1_300_000, "{log_bytes_max} bytes");
    assert_eq!(replay.count() + 1, 400 * 600);
}
