//! `stale_after` is changed in the site file: what was read before goes on counting by what was in force then,
//! whether an hour's sums are asked for or its samples, and whatever has happened to the file since.

use std::sync::Mutex;

use super::*;
use crate::history::{Bucket, Counted, Doubts, HISTORY_FILE, SampleReader, salvage};
use crate::signal::SignalIndex;

/// When the site file is changed: in the midst of an hour, 16:34:05.
const CHANGED_MS: u64 = 5_400_000;
const END_MS: u64 = 14_400_000;

/// A reading every twenty seconds for four hours, held for a minute in the first half, then for five seconds.
fn recorded() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let now = Arc::new(Mutex::new(moment(0)));
    for (from, to, stale_after) in [(0, CHANGED_MS, 60), (CHANGED_MS, END_MS, 5)] {
        *now.lock().unwrap() = moment(from);
        let told = Arc::clone(&now);
        let spec =
            SignalSpec { stale_after: Duration::from_secs(stale_after), ..signal(H2S, ValueType::U16) };
        let kept = Kept { signals: vec![KeptSignal::of(&spec)], ..kept() };
        let open = open_with(dir.path(), &kept, Arc::new(move || *told.lock().unwrap()), limits()).unwrap();
        for hour in (from..to).step_by(1_800_000) {
            let samples =
                (hour..hour + 1_800_000).step_by(20_000).map(|at| (SignalIndex(0), number(7.0, at)));
            *now.lock().unwrap() = moment(hour + 1_800_000);
            open.recorder.samples(samples.collect());
            record(&open, vec![alarm(EventKind::AlarmRaised, "h2s-high")]);
            wait_for(|| open.recorder.status().samples_queued == 0);
        }
        open.recorder.close();
    }
    dir
}

/// Ends of buckets of so many minutes, from 16:00 to 18:00.
fn edges(minutes: i64) -> Vec<Wall> {
    let first: Wall = "2026-03-02T16:00:00Z".parse().unwrap();
    (0..=120 / minutes).map(|nth| first + jiff::SignedDuration::from_mins(minutes * nth)).collect()
}

fn measured(buckets: &[Bucket]) -> Duration {
    buckets.iter().map(|bucket| bucket.measured).sum()
}

fn is_counted_as_it_was_then(samples: &SampleReader) {
    let hours = samples.figures(H2S, &edges(60)).unwrap();
    let tens = samples.figures(H2S, &edges(10)).unwrap();
    // Up to 16:34:05.120 without a break; then five of every twenty seconds, up to 18:00, in the midst of which
    // none is cut: the first one is read at 16:34:05.120, the last at 17:59:45.120.
    let whole = Duration::from_millis(2_045_120) + 258 * Duration::from_secs(5);
    assert_eq!(measured(&hours), whole);
    assert_eq!(measured(&tens), whole);
    for (nth, hour) in hours.iter().enumerate() {
        assert_eq!(hour.measured, measured(&tens[6 * nth..6 * nth + 6]));
    }
    for minutes in [60, 10] {
        let above = samples.times(H2S, &edges(minutes), Counted::Above(4.0)).unwrap();
        assert_eq!(above.into_iter().sum::<Duration>(), whole);
    }
    let (from, to) = (edges(120)[0], edges(120)[1]);
    let mut lapsed = Duration::ZERO;
    let lapse = |lapse: crate::history::Lapse| {
        lapsed += Duration::try_from(lapse.to.duration_since(lapse.from)).unwrap();
    };
    samples.lapses(H2S, from..to, &[], &Doubts::default(), lapse).unwrap();
    assert_eq!(whole + lapsed, Duration::from_secs(7_200));
}

#[test]
fn a_value_counts_by_the_stale_after_that_was_in_force_when_it_was_read() {
    let dir = recorded();
    is_counted_as_it_was_then(&SampleReader::new(dir.path()));
    let holds = SampleReader::new(dir.path()).holds(H2S).unwrap().unwrap();
    assert_eq!(holds.now(), Duration::from_secs(5));
    let before: Vec<_> = holds.before().collect();
    assert_eq!(before, [(moment(CHANGED_MS).wall, Duration::from_secs(60))]);
}

#[test]
fn a_salvage_knows_too_for_how_long_a_value_counted_before() {
    let dir = recorded();
    let saved = tempfile::tempdir().unwrap();
    salvage(&dir.path().join(HISTORY_FILE), saved.path(), moment(END_MS).wall).unwrap();
    is_counted_as_it_was_then(&SampleReader::new(saved.path()));
}
