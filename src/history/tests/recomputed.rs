//! Any course of samples, through the writer and out by every question that can be asked, held against
//! the plain definition: a list of samples, each counting from its time to the next. Nothing here knows
//! of minutes, hours, stages or codings.

use std::ops::Range;

use proptest::prelude::*;

use super::minutes::{Bench, FLOAT, as_kept, bits};
use super::*;
use crate::history::{Bucket, Counted, KeptSample};
use crate::signal::{Quality, Reason, SignalIndex};

/// How long a value of the bench's signals counts when none follows it.
const HOLD_MS: i64 = 5_000;
const SIGNALS: [&str; 3] = [H2S, DOOR, FLOAT];

/// Some samples of one signal, one behind the other.
#[derive(Debug, Clone)]
struct Stretch {
    signal: usize,
    /// How far the clock goes on before it, or is set back.
    step_ms: i64,
    pace_ms: u64,
    /// What is read, and why it may not be good.
    read: Vec<(f64, Reasons)>,
    restart: bool,
}

fn any_stretch() -> impl Strategy<Value = Stretch> {
    let step_ms = prop_oneof![
        4 => 0..30_000_i64,
        3 => 0..7_200_000_i64,
        1 => prop::sample::select(vec![59_999, 60_000, 3_594_880, 3_600_000]),
        2 => -5_400_000..0_i64,
    ];
    let pace_ms = prop::sample::select(vec![0, 1, 250, 1_000, 1_003, 4_999, 5_000, 5_001, 61_000]);
    let value = prop_oneof![
        6 => (0..2_000_u16).prop_map(|tenths| f64::from(tenths) / 10.0),
        1 => prop::sample::select(vec![-0.0, 1e-310, f64::MAX, -f64::MAX, 9_007_199_254_740_994.0, 0.1 + 0.2]),
    ];
    let reasons = prop_oneof![
        5 => Just(Reasons::NONE),
        2 => prop::sample::select(Reason::ALL.to_vec()).prop_map(Reasons::one),
    ];
    let read = prop::collection::vec((value, reasons), 1..60);
    (0..SIGNALS.len(), step_ms, pace_ms, read, prop::bool::weighted(0.1)).prop_map(
        |(signal, step_ms, pace_ms, read, restart)| Stretch { signal, step_ms, pace_ms, read, restart },
    )
}

fn any_span() -> impl Strategy<Value = (u64, u64, usize)> {
    let at = || prop_oneof![3 => 0..36_000_000_u64, 1 => (0..10_u64).prop_map(|hour| 3_600_000 * hour - 245_120 * u64::from(hour > 0))];
    let points = prop::sample::select(vec![1, 2, 7, 24, 500]);
    (at(), at(), points).prop_map(|(one, other, points)| (one.min(other), one.max(other) + 1, points))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_asked_the_answer_is_that_of_the_plain_list(
        course in prop::collection::vec(any_stretch(), 1..12),
        spans in prop::collection::vec(any_span(), 1..6),
    ) {
        let mut bench = Bench::new(limits().flush_every);
        let (mut all, mut now) = (Vec::new(), 7_200_000_u64);
        for stretch in course {
            now = now.saturating_add_signed(stretch.step_ms).min(36_000_000);
            let mut samples = Vec::new();
            for (read, reasons) in stretch.read {
                let value = if stretch.signal == 1 { Value::Flag(read > 100.0) } else { Value::Number(read) };
                samples.push((SignalIndex(stretch.signal), Sample::new(Some(value), reasons, moment(now))));
                now += stretch.pace_ms;
            }
            all.extend(samples.clone());
            bench.hand_in(now, samples);
            bench.write(now);
            ask(&bench, &all, &spans)?;
            if stretch.restart {
                bench.restart(now);
                ask(&bench, &all, &spans)?;
            }
        }
    }
}

/// Registers read in a wrong order give such numbers, of both signs. Their sum is none, and a sum that is no
/// number cannot be stored: not a sample was written any more.
#[test]
fn values_whose_sum_is_no_number_hold_nothing_up() {
    let mut bench = Bench::new(limits().flush_every);
    let huge = |number, after_ms| (SignalIndex(2), self::number(number, after_ms));
    bench.hand_in(0, vec![huge(f64::MAX, 0), huge(-f64::MAX, 1_000), huge(1.0, 2_000)]);
    bench.write(2 * 3_600_000);
    bench.restart(2 * 3_600_000);
    bench.hand_in(2 * 3_600_000, vec![huge(3.0, 2 * 3_600_000)]);
    bench.write(2 * 3_600_000);
    assert_eq!(bench.count("SELECT count(*) FROM open_hour"), 0);
    let all = bench.record().samples.buckets(FLOAT, moment(0).wall, moment(3_600_000).wall, 1).unwrap();
    // None that is certain is better than one that is not.
    assert_eq!((all[0].min, all[0].mean, all[0].max), (Some(-f64::MAX), None, Some(f64::MAX)));
    let mean = |from_ms, to_ms| {
        bench.record().samples.buckets(FLOAT, moment(from_ms).wall, moment(to_ms).wall, 1).unwrap()[0].mean
    };
    assert_eq!((mean(0, 1_000), mean(2_000, 3_000)), (None, Some(1.0)));
}

/// The first minute of an hour is in no minute and no hour yet: it was left out whenever the question went
/// beyond the end of that hour.
#[test]
fn what_is_staged_in_an_hour_that_has_nothing_else_is_told() {
    let bench = Bench::new(Duration::from_secs(5));
    // 16:00:04.880 to 16:00:13.880.
    let begins = 3_600_000;
    let new = (0..10).map(|second| (SignalIndex(2), number(4.0, begins + 1_000 * second))).collect();
    bench.hand_in(begins + 10_000, new);
    bench.write(begins + 10_000);
    assert_eq!(bench.count("SELECT count(*) FROM minute"), 0);
    let (from, to) = (moment(0).wall, moment(5 * 3_600_000).wall);
    let buckets = bench.record().samples.buckets(FLOAT, from, to, 1).unwrap();
    assert_eq!((buckets[0].max, buckets[0].measured), (Some(4.0), Duration::from_secs(14)));
    assert_eq!(bench.record().samples.time_above(FLOAT, from, to, 3.0).unwrap(), Duration::from_secs(14));
}

/// However long a replay takes: what was staged when it began is in its minute when it comes there, and
/// was told twice; what is coded as nothing was then could not be read.
#[test]
fn a_replay_goes_on_while_what_it_reads_is_written() {
    let bench = Bench::new(Duration::from_secs(5));
    let sample = |value, after_ms| (SignalIndex(2), number(value, after_ms));
    let mut all = vec![sample(1.0, 0), sample(2.0, 120_000)];
    bench.hand_in(120_000, all.clone());
    bench.write(120_000);
    let mut replay = bench.record().samples.replay(&[FLOAT.to_owned()], Wall::MIN, Wall::MAX).unwrap();
    let mut told = vec![replay.next().unwrap().unwrap()];
    let new = [sample(0.1 + 0.2, 121_000), sample(5.25, 190_000)];
    all.extend(new);
    bench.hand_in(190_000, new.into());
    bench.write(190_000);
    told.extend(replay.map(|sample| sample.unwrap()));
    let told: Vec<_> = told.iter().map(|(_, sample)| (SignalIndex(2), *sample)).collect();
    assert_eq!(as_kept(&told, 2), as_kept(&all, 2));
}

/// A clock that is wrong by years for a minute gave every hour up at once; the minutes were still there,
/// and no question found them any more.
#[test]
fn a_clock_that_is_set_wrong_for_a_minute_takes_no_hours_away() {
    const HOUR_MS: u64 = 3_600_000;
    let mut bench = Bench::new(limits().flush_every);
    let all: Vec<_> = (0..5 * 60).map(|minute| (SignalIndex(2), number(4.0, 60_000 * minute))).collect();
    bench.hand_in(6 * HOUR_MS, all.clone());
    bench.write(6 * HOUR_MS);
    bench.restart(6 * HOUR_MS);
    (0..6).for_each(|_| bench.write(6 * HOUR_MS));
    let hours = bench.count("SELECT count(*) FROM hour");
    let in_ten_years = 10 * 365 * 24 * HOUR_MS;
    bench.hand_in(in_ten_years, vec![(SignalIndex(2), number(9.0, in_ten_years))]);
    bench.write(in_ten_years);
    assert!(bench.count("SELECT count(*) FROM hour") >= hours);
    let (from, to) = (moment(0).wall, moment(5 * HOUR_MS).wall);
    let buckets = bench.record().samples.buckets(FLOAT, from, to, 5).unwrap();
    // Some minutes are given up; all that is left is told.
    assert!(buckets.iter().all(|bucket| bucket.max == Some(4.0)), "{buckets:?}");
}

/// Every question, of every signal.
pub(super) fn ask(
    bench: &Bench,
    all: &[(SignalIndex, Sample)],
    spans: &[(u64, u64, usize)],
) -> Result<(), TestCaseError> {
    let reader = &bench.record().samples;
    let names = SIGNALS.map(str::to_owned);
    let replayed: Result<Vec<_>, _> = reader.replay(&names, Wall::MIN, Wall::MAX).unwrap().collect();
    let replayed = replayed.unwrap();
    for (index, signal) in SIGNALS.into_iter().enumerate() {
        let plain = as_kept(all, index);
        prop_assert_eq!(bits(&bench.samples(signal)), bits(&plain));
        prop_assert_eq!(bench.samples(signal), plain.clone());
        prop_assert_eq!(as_kept(&replayed, index), plain.clone());
        for (from_ms, to_ms, points) in spans {
            let (from, to) = (moment(*from_ms).wall, moment(*to_ms).wall);
            for bucket in reader.buckets(signal, from, to, *points).unwrap() {
                prop_assert!(
                    is_plain(&bucket, &plain),
                    "{} {:?}\n{:?}",
                    signal,
                    bucket,
                    bucket_of(&plain, bucket.from, bucket.to)
                );
            }
            for counted in [Counted::Above(100.0), Counted::Below(0.05), Counted::Equal(1.0)] {
                let counts: i64 =
                    held(&plain, from..to).filter(|(value, _)| counted.is(*value)).map(|(_, ms)| ms).sum();
                let times = reader.times(signal, &[from, to], counted).unwrap();
                prop_assert_eq!(times[0].as_millis(), u128::try_from(counts).unwrap(), "{:?}", counted);
            }
            let last = plain.iter().rfind(|sample| sample.time < to).copied();
            prop_assert_eq!(reader.last_before(signal, to).unwrap(), last);
            let (mut lapsed, mut uncertain) = (0, 0);
            let mut ends = from;
            let mut in_order = true;
            let take = |lapse: crate::history::Lapse| {
                in_order &= ends <= lapse.from && lapse.from < lapse.to;
                ends = lapse.to;
                *(if lapse.is_measured { &mut uncertain } else { &mut lapsed }) += ms(lapse.from..lapse.to);
            };
            let doubts = reader.doubts(from..to).unwrap();
            reader.lapses(signal, from..to, &[], &doubts, take).unwrap();
            prop_assert!(in_order);
            let measured: i64 = held(&plain, from..to).map(|(_, ms)| ms).sum();
            prop_assert_eq!(measured + lapsed, ms(from..to), "measured and lapses make up the whole");
            let doubted = held_with_reasons(&plain, from..to)
                .filter(|(_, _, reasons)| reasons.quality() == Quality::Uncertain);
            prop_assert_eq!(uncertain, doubted.map(|(_, ms, _)| ms).sum::<i64>());
        }
    }
    Ok(())
}

/// The measured values within a span, and how long each was held: those that were replaced at once for 0 ms.
fn held(samples: &[KeptSample], span: Range<Wall>) -> impl Iterator<Item = (f64, i64)> {
    held_with_reasons(samples, span).map(|(value, ms, _)| (value, ms))
}

fn held_with_reasons(samples: &[KeptSample], span: Range<Wall>) -> impl Iterator<Item = (f64, i64, Reasons)> {
    let next = samples.iter().skip(1).map(|sample| sample.time.as_millisecond()).chain([i64::MAX]);
    let (start, end) = (span.start.as_millisecond(), span.end.as_millisecond());
    samples.iter().zip(next).filter_map(move |(sample, next)| {
        let at = sample.time.as_millisecond();
        let value = match sample.value.filter(|_| !sample.reasons.contains(Reason::Settling))? {
            Value::Number(number) => number,
            Value::Flag(flag) => f64::from(u8::from(flag)),
        };
        let (from, to) = (at.max(start), next.min(at + HOLD_MS).min(end));
        (from < to || (from == to && (start..end).contains(&at))).then_some((
            value,
            to - from,
            sample.reasons,
        ))
    })
}

fn bucket_of(samples: &[KeptSample], from: Wall, to: Wall) -> (Option<f64>, Option<f64>, Option<f64>, i64) {
    let held: Vec<(f64, i64)> = held(samples, from..to).collect();
    let values = || held.iter().map(|(value, _)| *value);
    let measured: i64 = held.iter().map(|(_, ms)| ms).sum();
    let mean = held.iter().map(|(value, ms)| value * (as_f64(*ms) / as_f64(measured))).sum();
    (values().reduce(f64::min), (measured > 0).then_some(mean), values().reduce(f64::max), measured)
}

fn is_plain(bucket: &Bucket, samples: &[KeptSample]) -> bool {
    let (min, mean, max, measured) = bucket_of(samples, bucket.from, bucket.to);
    let scale = min.into_iter().chain(max).fold(1e-300, |most: f64, value| most.max(value.abs()));
    let near = match (bucket.mean, mean) {
        (Some(one), Some(other)) => (one / scale - other / scale).abs() < 1e-9,
        (None, None) => true,
        // Sums of values times their milliseconds end where binary64 does.
        (None, Some(_)) => scale > 1e300,
        (Some(_), None) => false,
    };
    (bucket.min, bucket.max) == (min, max)
        && near
        && bucket.measured.as_millis() == u128::try_from(measured).unwrap()
        && (bucket.coverage - as_f64(measured) / as_f64(ms(bucket.from..bucket.to))).abs() < 1e-9
}

fn ms(span: Range<Wall>) -> i64 {
    span.end.as_millisecond() - span.start.as_millisecond()
}

fn as_f64(ms: i64) -> f64 {
    f64::from(i32::try_from(ms).unwrap())
}
