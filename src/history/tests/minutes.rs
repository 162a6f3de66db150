//! The layout of the history: what the minutes, hours and staged parts of a run come to, in each of the
//! ways they can be asked for.

use std::ops::Range;
use std::sync::Mutex;

use proptest::prelude::*;
use rusqlite::Connection;

use super::*;
use crate::history::{Bucket, Counted, HISTORY_FILE, KeptSample, Lapse, SampleReader};
use crate::signal::{Quality, Reason, Scale, SignalIndex};

pub(super) const FLOAT: &str = "h2o-1.dew_point";

/// A record whose clock stands where the test puts it.
pub(super) struct Bench {
    pub(super) dir: tempfile::TempDir,
    now: Arc<Mutex<Moment>>,
    record: Option<Record>,
}

impl Bench {
    pub(super) fn new(flush_every: Duration) -> Self {
        Bench::beside(tempfile::tempdir().unwrap(), 0, flush_every)
    }

    /// With what lies in a directory, opened when the clock stands at `after_ms`.
    pub(super) fn beside(dir: tempfile::TempDir, after_ms: u64, flush_every: Duration) -> Self {
        let now = Arc::new(Mutex::new(moment(after_ms)));
        let mut bench = Bench { dir, now, record: None };
        bench.open(flush_every);
        bench
    }

    fn open(&mut self, flush_every: Duration) {
        let now = Arc::clone(&self.now);
        let clock: Clock = Arc::new(move || *now.lock().unwrap());
        let tenths = SignalSpec {
            scale: Some(Scale { from: [0.0, 10.0], to: [0.0, 1.0] }),
            ..signal(H2S, ValueType::U16)
        };
        let signals = [tenths, signal(DOOR, ValueType::Bool), signal(FLOAT, ValueType::F32)];
        let kept = Kept { signals: signals.iter().map(KeptSignal::of).collect(), ..kept() };
        let limits = Limits { flush_every, ..limits() };
        self.record = Some(open_with(self.dir.path(), &kept, clock, limits).unwrap());
    }

    pub(super) fn record(&self) -> &Record {
        self.record.as_ref().unwrap()
    }

    /// Hands samples in when the clock stands at `after_ms`.
    pub(super) fn hand_in(&self, after_ms: u64, samples: Vec<(SignalIndex, Sample)>) {
        *self.now.lock().unwrap() = moment(after_ms);
        self.record().recorder.samples(samples);
    }

    /// Writes what waits as it stands at `after_ms`: an alarm has it done at once.
    pub(super) fn write(&self, after_ms: u64) {
        *self.now.lock().unwrap() = moment(after_ms);
        record(self.record(), vec![alarm(EventKind::AlarmRaised, "h2s-high")]);
        wait_for(|| self.record().recorder.status().samples_queued == 0);
    }

    /// Closes the record, and hands its directory out.
    pub(super) fn closed(mut self) -> tempfile::TempDir {
        self.record.take().unwrap().recorder.close();
        self.dir
    }

    /// Closes the record, and opens it again as it stands at `after_ms`.
    pub(super) fn restart(&mut self, after_ms: u64) {
        self.record.take().unwrap().recorder.close();
        *self.now.lock().unwrap() = moment(after_ms);
        self.open(limits().flush_every);
    }

    pub(super) fn samples(&self, signal: &str) -> Vec<KeptSample> {
        self.record().samples.samples(signal, Wall::MIN, Wall::MAX).unwrap()
    }

    fn buckets(&self, from_ms: u64, to_ms: u64, points: usize) -> Vec<Bucket> {
        self.record().samples.buckets(H2S, moment(from_ms).wall, moment(to_ms).wall, points).unwrap()
    }

    pub(super) fn count(&self, sql: &str) -> i64 {
        let db = Connection::open(self.dir.path().join(HISTORY_FILE)).unwrap();
        db.query_row(sql, [], |row| row.get(0)).unwrap()
    }
}

/// Tenths, as a 16-bit register would give them.
pub(super) fn tenths(tenths: u16, after_ms: u64) -> (SignalIndex, Sample) {
    (SignalIndex(0), number(f64::from(tenths) / 10.0, after_ms))
}

pub(super) fn as_kept(samples: &[(SignalIndex, Sample)], signal: usize) -> Vec<KeptSample> {
    let mut kept: Vec<KeptSample> = samples
        .iter()
        .filter(|(of, _)| of.0 == signal)
        .map(|(_, sample)| KeptSample {
            time: sample.at.wall,
            value: sample.value(),
            reasons: sample.reasons(),
        })
        .collect();
    kept.sort_by_key(|sample| sample.time);
    kept
}

/// A decimal fraction as a device sends it that has nothing but binary32.
#[expect(clippy::as_conversions, reason = "the nearest binary32 is what a device sends")]
fn decimal(steps: i16, places: i32) -> Value {
    Value::Number(f64::from((f64::from(steps) / 10_f64.powi(places)) as f32))
}

/// The values to the last bit: to the eye of a comparison -0 is 0.
pub(super) fn bits(samples: &[KeptSample]) -> Vec<Option<u64>> {
    let bits = |value: Value| value.number().map(f64::to_bits);
    samples.iter().map(|sample| sample.value.and_then(bits)).collect()
}

/// Any sample of one of the bench's signals within five minutes, good or not.
fn any_sample() -> impl Strategy<Value = (SignalIndex, Sample)> {
    let value = prop_oneof![
        any::<u16>().prop_map(|tenths| (0, Value::Number(f64::from(tenths) / 10.0))),
        any::<f64>()
            .prop_filter("finite", |number| number.is_finite())
            .prop_map(|any| (0, Value::Number(any))),
        any::<bool>().prop_map(|flag| (1, Value::Flag(flag))),
        any::<f32>()
            .prop_filter("finite", |number| number.is_finite())
            .prop_map(|single| (2, Value::Number(f64::from(single)))),
        (any::<i16>(), 0..=6_i32).prop_map(|(steps, places)| (2, decimal(steps, places))),
        prop::sample::select(vec![-0.0, 0.0, f64::MIN_POSITIVE / 8.0, -f64::MIN_POSITIVE / 8.0, f64::MAX])
            .prop_map(|edge| (0, Value::Number(edge))),
    ];
    let reasons = prop_oneof![
        4 => Just(Reasons::NONE),
        1 => (0..Reason::ALL.len()).prop_map(|reason| Reasons::one(Reason::ALL[reason])),
        1 => (0..1_u32 << Reason::ALL.len()).prop_map(Reasons::from_bits),
    ];
    (value, reasons, 0..300_000_u64).prop_map(|((signal, value), reasons, after_ms)| {
        (SignalIndex(signal), Sample::new(Some(value), reasons, moment(after_ms)))
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_recorded_reads_back_as_it_was(
        batches in prop::collection::vec(prop::collection::vec(any_sample(), 1..80), 1..5)
    ) {
        let mut bench = Bench::new(limits().flush_every);
        for (batch, samples) in batches.iter().enumerate() {
            // The clock stands within the five minutes, so that some are staged and others written.
            let now = 60_000 * u64::try_from(batch).unwrap();
            bench.hand_in(now, samples.clone());
            bench.write(now);
        }
        let all = batches.concat();
        for (index, signal) in [H2S, DOOR, FLOAT].into_iter().enumerate() {
            let (read, kept) = (bench.samples(signal), as_kept(&all, index));
            prop_assert_eq!(bits(&read), bits(&kept));
            prop_assert_eq!(read, kept);
        }
        bench.restart(3_600_000);
        bench.write(3_600_000);
        for (index, signal) in [H2S, DOOR, FLOAT].into_iter().enumerate() {
            prop_assert_eq!(bench.samples(signal), as_kept(&all, index));
        }
        let names = [FLOAT, DOOR, H2S].map(str::to_owned);
        let replayed = bench.record().samples.replay(&names, Wall::MIN, Wall::MAX).unwrap();
        let replayed: Vec<_> = replayed.map(|sample| sample.unwrap()).collect();
        prop_assert!(replayed.is_sorted_by_key(|(signal, sample)| (sample.at.wall, *signal)));
        prop_assert_eq!(as_kept(&replayed, 2), as_kept(&all, 0));
        prop_assert_eq!(replayed.len(), all.len());
    }
}

#[test]
fn a_minute_is_written_once_it_is_over_and_staged_before_that() {
    let bench = Bench::new(Duration::from_secs(5));
    // 15:04:05.120 and on.
    bench.hand_in(0, (0..10).map(|second| tenths(32, 1_000 * second)).collect());
    bench.write(10_000);
    let (minutes, staged) = ("SELECT count(*) FROM minute", "SELECT sum(samples) FROM staged");
    assert_eq!((bench.count(minutes), bench.count(staged)), (0, 10));
    assert_eq!(bench.samples(H2S).len(), 10);
    bench.hand_in(60_000, vec![tenths(33, 60_000)]);
    bench.write(60_000);
    assert_eq!((bench.count(minutes), bench.count(staged)), (1, 1));
    assert_eq!(bench.samples(H2S).len(), 11);
}

/// What is kept open is the file, not the state that it was in at the first question.
#[test]
fn a_reader_that_keeps_the_file_open_sees_what_is_written_meanwhile() {
    let bench = Bench::new(Duration::from_secs(5));
    let reader = SampleReader::kept_open(bench.dir.path());
    let read = |signal| reader.samples(signal, Wall::MIN, Wall::MAX).unwrap().len();
    bench.hand_in(0, vec![tenths(32, 0)]);
    bench.write(10_000);
    assert_eq!((read(H2S), read(DOOR)), (1, 0));
    bench.hand_in(60_000, vec![tenths(33, 60_000)]);
    bench.write(60_000);
    assert_eq!(read(H2S), 2);
    assert_eq!(reader.signals().unwrap(), bench.record().samples.signals().unwrap());
    // And not another file either, once that has its name.
    let dir = bench.closed();
    let history = dir.path().join(HISTORY_FILE);
    std::fs::rename(&history, dir.path().join("moved-aside.db")).unwrap();
    assert!(reader.signals().is_err(), "a file that is gone is not read on");
    let bench = Bench::beside(dir, 120_000, Duration::from_secs(5));
    bench.hand_in(120_000, vec![tenths(34, 120_000)]);
    bench.write(130_000);
    let values = |reader: &SampleReader| -> Vec<Option<Value>> {
        reader.samples(H2S, Wall::MIN, Wall::MAX).unwrap().iter().map(|sample| sample.value).collect()
    };
    assert_eq!(values(&reader), [Some(Value::Number(3.4))]);
}

#[test]
fn a_minute_waits_for_its_end_when_nothing_asks_for_more() {
    let bench = Bench::new(Duration::from_secs(60));
    bench.hand_in(0, vec![tenths(32, 0)]);
    record(bench.record(), vec![event(1)]);
    assert_eq!(bench.record().recorder.status().samples_queued, 1);
    assert_eq!(bench.count("SELECT count(*) FROM staged"), 0);
}

#[test]
fn samples_of_a_clock_that_was_set_back_find_their_place() {
    let mut bench = Bench::new(limits().flush_every);
    bench.hand_in(3_600_000, (0..3_600).map(|second| tenths(10, 1_000 * second)).collect());
    bench.write(3_700_000);
    // Back by 50 minutes: they fall between those of an hour that has been summed up.
    let again: Vec<_> = (0..60).map(|second| tenths(90, 600_500 + 1_000 * second)).collect();
    bench.hand_in(600_000, again);
    bench.write(600_000);
    bench.restart(7_200_000);
    bench.write(7_200_000);
    let samples = bench.samples(H2S);
    assert_eq!(samples.len(), 3_660);
    assert!(samples.is_sorted_by_key(|sample| sample.time));
    let bucket = &bench.buckets(0, 3_600_000, 1)[0];
    assert_eq!(bucket.max, Some(9.0));
    // The 90s hold from each half second to the full one, and the last for no longer.
    assert!((bucket.mean.unwrap() - (1.0 + 8.0 * 0.5 * 60.0 / 3_600.0)).abs() < 1e-9, "{bucket:?}");
}

/// Hours, minutes and samples must tell the same: each bucket from any source is that from all samples.
#[test]
fn a_bucket_is_the_same_from_hours_as_from_samples() {
    let mut bench = Bench::new(limits().flush_every);
    let mut samples = Vec::new();
    let mut state = 1_u64;
    for second in 0..6 * 3_600_u64 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let value = u16::try_from(state >> 56).unwrap();
        let at = 1_000 * second + state % 700;
        match (second / 600) % 7 {
            5 => samples.push((SignalIndex(0), Sample::absent(Reason::CommunicationLost, moment(at)))),
            3 if second % 600 > 30 => {}
            _ => samples.push(tenths(value, at)),
        }
    }
    let plain = samples.clone();
    for part in samples.chunks(3_000) {
        bench.hand_in(7 * 3_600_000, part.to_vec());
        bench.write(7 * 3_600_000);
    }
    bench.restart(7 * 3_600_000);
    (0..10).for_each(|_| bench.write(7 * 3_600_000));
    assert_eq!(bench.count("SELECT count(*) FROM open_hour"), 0, "every hour is summed up");
    assert_eq!(bench.count("SELECT count(*) FROM hour"), 7);
    let plain_value = plain[0].1.value().unwrap().number().unwrap();
    let ends =
        [(0, 6 * 3_600_000, 3), (0, 6 * 3_600_000, 100), (17, 21_000_001, 5), (1_234_567, 9_876_543, 11)];
    for (from_ms, to_ms, points) in ends {
        let buckets = bench.buckets(from_ms, to_ms, points);
        assert!(buckets.len() <= points);
        assert_eq!((buckets[0].from, buckets.last().unwrap().to), (moment(from_ms).wall, moment(to_ms).wall));
        for bucket in buckets {
            let expected = by_hand(&plain, bucket.from, bucket.to);
            assert!(same(&bucket, &expected), "{bucket:?}\n{expected:?}");
        }
        let (limit, from, to) = (17.3, moment(from_ms).wall, moment(to_ms).wall);
        let above = bench.record().samples.time_above(H2S, from, to, limit);
        assert_eq!(above.unwrap().as_millis(), time_by_hand(&plain, from..to, |value| value > limit));
        let edges = [from, from + Duration::from_millis(3_599_999), from + Duration::from_millis(7_200_123)];
        let times = |counted| bench.record().samples.times(H2S, &edges, counted).unwrap();
        for (nth, pair) in edges.windows(2).enumerate() {
            let by_hand = |counts: &dyn Fn(f64) -> bool| time_by_hand(&plain, pair[0]..pair[1], counts);
            let below = times(Counted::Below(limit))[nth].as_millis();
            assert_eq!(below, by_hand(&|value| value < limit));
            let equal = times(Counted::Equal(plain_value))[nth].as_millis();
            assert_eq!(equal, by_hand(&|value| value == plain_value));
        }
        for bucket in bench.record().samples.figures(H2S, &edges).unwrap() {
            assert!(same(&bucket, &by_hand(&plain, bucket.from, bucket.to)), "{bucket:?}");
        }
        let lapses = lapses(&bench, from, to, &[]);
        let lost_for = |reasons| lapses.iter().filter(|lapse| lapse.reasons == reasons).map(length_ms).sum();
        let lost = Some(Reasons::one(Reason::CommunicationLost));
        assert_eq!(lost_by_hand(&plain, from..to), lost_for(lost));
        let measured: i64 = held(&plain, from, to).iter().map(|(_, ms)| ms).sum();
        let unsaid: i64 = lost_for(None);
        assert_eq!(
            measured + lost_by_hand(&plain, from..to) + unsaid,
            to.as_millisecond() - from.as_millisecond()
        );
        let last = plain.iter().rfind(|(_, sample)| sample.at.wall < to).unwrap();
        let found = bench.record().samples.last_before(H2S, to).unwrap().unwrap();
        assert_eq!((found.time, found.value), (last.1.at.wall, last.1.value()));
    }
    let long_after = moment(1_000 * 3_600_000).wall;
    let found = bench.record().samples.last_before(H2S, long_after).unwrap().unwrap();
    assert_eq!(found.time, plain.last().unwrap().1.at.wall);
    assert_eq!(bench.record().samples.last_before(H2S, moment(0).wall).unwrap(), None);
}

/// The definition, millisecond arithmetic and nothing else: each value from its sample to the next.
fn held(samples: &[(SignalIndex, Sample)], from: Wall, to: Wall) -> Vec<(f64, i64)> {
    let next = samples.iter().skip(1).map(|(_, sample)| sample.at.wall).chain([Wall::MAX]);
    let pieces = samples.iter().zip(next).filter_map(|((_, sample), next)| {
        let value = sample.value()?.number()?;
        let begin = sample.at.wall.max(from);
        let end = next.min(sample.at.wall + jiff::SignedDuration::from_secs(5)).min(to);
        (begin < end).then(|| (value, end.as_millisecond() - begin.as_millisecond()))
    });
    pieces.collect()
}

fn by_hand(samples: &[(SignalIndex, Sample)], from: Wall, to: Wall) -> Bucket {
    let held = held(samples, from, to);
    let values = || held.iter().map(|(value, _)| *value);
    let ms: i64 = held.iter().map(|(_, ms)| ms).sum();
    let sum: f64 = held.iter().map(|(value, ms)| value * as_f64(*ms)).sum();
    Bucket {
        from,
        to,
        min: values().reduce(f64::min),
        mean: (ms > 0).then(|| sum / as_f64(ms)),
        max: values().reduce(f64::max),
        coverage: as_f64(ms) / as_f64(to.as_millisecond() - from.as_millisecond()),
        measured: Duration::from_millis(u64::try_from(ms).unwrap()),
    }
}

fn as_f64(ms: i64) -> f64 {
    f64::from(i32::try_from(ms).unwrap())
}

fn time_by_hand(samples: &[(SignalIndex, Sample)], span: Range<Wall>, counts: impl Fn(f64) -> bool) -> u128 {
    let held = held(samples, span.start, span.end);
    held.iter().filter(|(value, _)| counts(*value)).map(|(_, ms)| u128::try_from(*ms).unwrap()).sum()
}

/// How long samples that are none say so.
fn lost_by_hand(samples: &[(SignalIndex, Sample)], span: Range<Wall>) -> i64 {
    let next = samples.iter().skip(1).map(|(_, sample)| sample.at.wall).chain([Wall::MAX]);
    let lost = samples.iter().zip(next).filter(|((_, sample), _)| sample.value().is_none());
    let clipped = lost.map(|((_, sample), next)| (sample.at.wall.max(span.start), next.min(span.end)));
    clipped.map(|(from, to)| (to.as_millisecond() - from.as_millisecond()).max(0)).sum()
}

fn lapses(bench: &Bench, from: Wall, to: Wall, breaks: &[Wall]) -> Vec<Lapse> {
    let mut lapses = Vec::new();
    let reader = &bench.record().samples;
    let doubts = reader.doubts(from..to).unwrap();
    reader.lapses(H2S, from..to, breaks, &doubts, |lapse| lapses.push(lapse)).unwrap();
    assert!(lapses.iter().all(|lapse| !lapse.is_measured), "every value is good");
    for pair in lapses.windows(2) {
        assert!(
            pair[0].to <= pair[1].from && (pair[0].to < pair[1].from || pair[0].reasons != pair[1].reasons)
        );
    }
    lapses
}

fn length_ms(lapse: &Lapse) -> i64 {
    lapse.to.as_millisecond() - lapse.from.as_millisecond()
}

/// A device is lost for hours, with one sample that says so; then the daemon ends; then it is back.
#[test]
fn what_no_sample_speaks_for_is_a_lapse_without_a_reason() {
    const HOUR_MS: u64 = 3_600_000;
    let bench = Bench::new(limits().flush_every);
    let lost = Sample::absent(Reason::CommunicationLost, moment(10_000));
    bench.hand_in(HOUR_MS, vec![tenths(10, 2_000), (SignalIndex(0), lost), tenths(10, 5 * HOUR_MS)]);
    bench.write(9 * HOUR_MS);
    let told = |from_ms, to_ms, breaks: &[Wall]| -> Vec<(u64, u64, Option<Reasons>)> {
        let since = |at: Wall| u64::try_from(at.as_millisecond() - moment(0).wall.as_millisecond()).unwrap();
        let lapses = lapses(&bench, moment(from_ms).wall, moment(to_ms).wall, breaks);
        lapses.iter().map(|lapse| (since(lapse.from), since(lapse.to), lapse.reasons)).collect()
    };
    let lost = Some(Reasons::one(Reason::CommunicationLost));
    let back = 5 * HOUR_MS;
    assert_eq!(
        told(0, 6 * HOUR_MS, &[moment(0).wall, moment(2 * HOUR_MS).wall]),
        [
            (0, 2_000, None),
            (7_000, 10_000, None),
            (10_000, 2 * HOUR_MS, lost),
            (2 * HOUR_MS, back, None),
            (back + 5_000, 6 * HOUR_MS, None)
        ]
    );
    assert_eq!(told(HOUR_MS, 4 * HOUR_MS, &[]), [(HOUR_MS, 4 * HOUR_MS, lost)], "said long before it begins");
    assert_eq!(told(back, back + 5_000, &[]), []);
}

fn same(one: &Bucket, other: &Bucket) -> bool {
    let near = |one: Option<f64>, other: Option<f64>| match (one, other) {
        (Some(one), Some(other)) => (one - other).abs() < 1e-9,
        (one, other) => one == other,
    };
    (one.min, one.max, one.measured) == (other.min, other.max, other.measured)
        && near(one.mean, other.mean)
        && near(Some(one.coverage), Some(other.coverage))
}

#[test]
fn settling_and_bad_samples_count_for_nothing() {
    let bench = Bench::new(limits().flush_every);
    let settling = Sample::new(Some(Value::Number(99.0)), Reasons::one(Reason::Settling), moment(2_000));
    let above = Sample::new(Some(Value::Number(21.0)), Reasons::one(Reason::AboveRange), moment(4_000));
    assert_eq!(above.quality(), Quality::Uncertain);
    bench.hand_in(
        0,
        vec![
            tenths(10, 0),
            (SignalIndex(0), settling),
            (SignalIndex(0), above),
            (SignalIndex(0), Sample::absent(Reason::FunctionCheck, moment(5_000))),
        ],
    );
    bench.write(600_000);
    let bucket = bench.buckets(0, 10_000, 1)[0];
    // 1.0 for two seconds, 21.0 for one: what is above the range was measured, and must show.
    assert_eq!((bucket.min, bucket.max), (Some(1.0), Some(21.0)));
    assert_eq!((bucket.mean, bucket.coverage), (Some(23.0 / 3.0), 0.3));
}

#[test]
fn nothing_recorded_is_nothing_covered() {
    let bench = Bench::new(limits().flush_every);
    for signal in [H2S, "no.such"] {
        let samples = &bench.record().samples;
        let buckets = samples.buckets(signal, moment(0).wall, moment(10).wall, 3).unwrap();
        assert_eq!(buckets.len(), 3);
        assert!(buckets.iter().all(|bucket| bucket.coverage == 0.0 && bucket.mean.is_none()));
        assert!(samples.buckets(signal, moment(10).wall, moment(10).wall, 3).unwrap().is_empty());
        assert!(samples.samples(signal, Wall::MIN, Wall::MAX).unwrap().is_empty());
    }
}

#[test]
fn one_answer_has_no_more_buckets_than_its_limit() {
    let bench = Bench::new(limits().flush_every);
    assert_eq!(bench.buckets(0, 3_600_000, usize::MAX).len(), crate::history::BUCKETS_MAX);
}

#[test]
fn buckets_of_an_hour_or_more_begin_with_full_hours() {
    let bench = Bench::new(limits().flush_every);
    let starts: Vec<String> =
        bench.buckets(0, 4 * 3_600_000, 3).iter().map(|bucket| bucket.from.to_string()).collect();
    assert_eq!(starts, ["2026-03-02T15:04:05.12Z", "2026-03-02T16:00:00Z", "2026-03-02T17:00:00Z"]);
}

#[test]
fn a_file_of_the_first_layout_is_taken_over_whole() {
    let dir = tempfile::tempdir().unwrap();
    let db = Connection::open(dir.path().join(HISTORY_FILE)).unwrap();
    db.execute_batch(include_str!("first_layout.sql")).unwrap();
    let at = |ms: u64| moment(ms).wall.as_millisecond();
    for ms in (0..600_000_u32).step_by(1_000) {
        let (value, flag, ms) = (0.1 * f64::from(ms), ms % 2_000 == 0, u64::from(ms));
        db.execute("INSERT INTO sample VALUES (NULL, 1, ?1, ?2, 0)", (at(ms), value)).unwrap();
        db.execute("INSERT INTO sample VALUES (NULL, 2, ?1, ?2, 0)", (at(ms), flag)).unwrap();
    }
    let lost = Reasons::one(Reason::CommunicationLost);
    db.execute("INSERT INTO sample VALUES (NULL, 1, ?1, NULL, ?2)", (at(600_000), lost.bits())).unwrap();
    drop(db);
    let kept = open(dir.path());
    // No journal lies beside it, which is told; the history itself is not begun anew.
    assert!(kept.replaced.iter().all(crate::history::Replaced::is_journal));
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!(samples.len(), 601);
    assert_eq!(samples[7].value, Some(Value::Number(0.1 * 7_000.0)));
    assert_eq!(samples[600], KeptSample { time: moment(600_000).wall, value: None, reasons: lost });
    let doors = kept.samples.samples(DOOR, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!((doors.len(), doors[1].value), (600, Some(Value::Flag(false))));
    kept.recorder.close();
    open(dir.path());
}
