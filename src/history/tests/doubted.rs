//! Rows of days that are damaged, and days under a clock that goes to and fro.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use proptest::prelude::*;
use rusqlite::Connection;

use super::minutes::FLOAT;
use super::*;
use crate::history::samples::{OpenMinutes, SampleStore};
use crate::history::{Bucket, Counted, HISTORY_FILE, SampleReader};
use crate::signal::{Reason, SignalIndex};

const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 60 * MINUTE_MS;
/// The 3rd of March is over then.
const RECORDED_MS: u64 = 40 * HOUR_MS;

fn store(dir: &Path, ids: &[&str], keep: Duration, now: u64) -> SampleStore {
    let of = |id: &&str| signal(id, if *id == DOOR { ValueType::Bool } else { ValueType::F32 });
    let signals = ids.iter().map(|id| KeptSignal::of(&of(id))).collect();
    let bounds = Bounds { keep, max_size_bytes: 1 << 30 };
    SampleStore::open(&dir.join(HISTORY_FILE), signals, bounds, moment(now).wall).unwrap().0
}

fn keep(store: &mut SampleStore, samples: &[(SignalIndex, Sample)], now: u64) -> Result<(), String> {
    store.keep(samples.iter(), OpenMinutes::at(moment(now).wall)).map_err(|flaw| flaw.to_string())
}

/// A history of two days and a bit, summed up by hours and days: of each hour, the last sample is none.
fn settled() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut store = store(dir.path(), &[FLOAT], Duration::from_secs(3 * 365 * 86_400), 0);
    let samples: Vec<_> = (0..RECORDED_MS)
        .step_by(600_000)
        .flat_map(|at| {
            let value = f64::from(u32::try_from(at / 600_000).unwrap());
            [number(value, at), Sample::absent(Reason::CommunicationLost, moment(at + 2_000))]
        })
        .map(|sample| (SignalIndex(0), sample))
        .collect();
    keep(&mut store, &samples, RECORDED_MS).unwrap();
    (0..90).for_each(|minute| keep(&mut store, &[], RECORDED_MS + minute * MINUTE_MS).unwrap());
    dir
}

fn figures(dir: &Path) -> Vec<Bucket> {
    let (from, to) = (moment(0).wall, moment(RECORDED_MS).wall);
    SampleReader::new(dir).buckets(FLOAT, from, to, 40).unwrap()
}

/// What is told when every row of a day has been changed so, beside what was told before.
fn told_although(damage: impl Fn(&mut Vec<u8>)) {
    let dir = settled();
    let before = figures(dir.path());
    let db = Connection::open(dir.path().join(HISTORY_FILE)).unwrap();
    let mut select = db.prepare("SELECT id, hours FROM day").unwrap();
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let rows: Vec<(i64, Vec<u8>)> = rows.map(Result::unwrap).collect();
    assert_eq!(rows.len(), 2);
    for (id, mut hours) in rows {
        damage(&mut hours);
        db.execute("UPDATE day SET hours = ?2 WHERE id = ?1", (id, hours)).unwrap();
    }
    let after = catch_unwind(AssertUnwindSafe(|| figures(dir.path())));
    assert_eq!(after.expect("the program ends"), before);
}

/// Where the least value of the first hour lies, of whose time a part was measured.
const LEAST: std::ops::Range<usize> = 13..21;

#[test]
fn a_day_with_a_least_value_that_is_no_number_ends_no_program() {
    told_although(|hours| hours[LEAST].copy_from_slice(&f64::NAN.to_be_bytes()));
}

#[test]
fn a_day_with_a_least_value_above_its_greatest_ends_no_program() {
    told_although(|hours| hours[LEAST].copy_from_slice(&1e308_f64.to_be_bytes()));
}

#[test]
fn a_day_that_is_cut_off_between_two_hours_is_not_missed() {
    told_although(|hours| hours.truncate(3 + 34));
}

#[test]
fn a_day_of_no_bytes_is_not_missed() {
    told_although(Vec::clear);
}

#[test]
fn an_hour_that_is_no_hour_does_not_keep_samples_from_being_written() {
    let dir = settled();
    let path = dir.path().join(HISTORY_FILE);
    let run = |sql: &str| {
        let db = Connection::open(&path).unwrap();
        db.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_DEFENSIVE, false).unwrap();
        db.execute_batch(&format!("PRAGMA writable_schema = ON; {sql}")).unwrap();
    };
    run("UPDATE sqlite_schema SET sql = replace(sql, 'STRICT, WITHOUT', 'WITHOUT') WHERE name = 'hour'");
    run("UPDATE hour SET first_ms = 'garbled' WHERE hour = (SELECT max(hour) FROM hour)");
    run("UPDATE sqlite_schema SET sql = replace(sql, 'WITHOUT', 'STRICT, WITHOUT') WHERE name = 'hour'");
    let now = RECORDED_MS + 48 * HOUR_MS;
    let mut store = store(dir.path(), &[FLOAT], Duration::from_secs(3 * 365 * 86_400), now);
    let kept: Vec<Result<(), String>> = (0..3)
        .map(|nth| {
            keep(
                &mut store,
                &[(SignalIndex(0), number(3.0, now + nth * MINUTE_MS - 300_000))],
                now + nth * MINUTE_MS,
            )
        })
        .collect();
    assert_eq!(kept, [Ok(()), Ok(()), Ok(())]);
}

#[derive(Debug, Clone)]
struct Step {
    step_ms: i64,
    signal: usize,
    pace_ms: u64,
    read: Vec<(i16, u8)>,
    idle: u64,
    trim: bool,
    restart: Option<bool>,
}

fn any_step() -> impl Strategy<Value = Step> {
    let step_ms = prop_oneof![
        3 => 0..7_200_000_i64,
        3 => 0..90_000_000_i64,
        1 => Just(20 * 86_400_000_i64),
        2 => -90_000_000..0_i64,
        1 => Just(-20 * 86_400_000_i64),
    ];
    let pace = prop::sample::select(vec![250, 1_000, 4_999, 61_000, 600_000, 3_000_000]);
    let read = prop::collection::vec((any::<i16>(), 0..8_u8), 1..60);
    let restart = prop_oneof![3 => Just(None), 1 => any::<bool>().prop_map(Some)];
    (step_ms, 0..3_usize, pace, read, prop_oneof![Just(0), Just(1), Just(40)], any::<bool>(), restart)
        .prop_map(|(step_ms, signal, pace_ms, read, idle, trim, restart)| Step {
            step_ms,
            signal,
            pace_ms,
            read,
            idle,
            trim,
            restart,
        })
}

const A: [&str; 3] = [H2S, DOOR, FLOAT];
const B: [&str; 3] = [FLOAT, "o2-1.oxygen", H2S];

proptest! {
    #![proptest_config(ProptestConfig { cases: 4, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn with_days_or_without_the_figures_are_the_same(
        steps in prop::collection::vec(any_step(), 3..14), keep_h in prop::sample::select(vec![5, 30, 2_000]),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let keep_for = Duration::from_secs(keep_h * 3600);
        let mut now = 30 * 86_400_000_u64;
        let mut writes = Some(store(dir.path(), &A, keep_for, now));
        for step in steps {
            now = now.saturating_add_signed(step.step_ms);
            let mut samples = Vec::new();
            for (read, kind) in step.read {
                let at = moment(now);
                samples.push((SignalIndex(step.signal), match kind {
                    0 => Sample::absent(Reason::CommunicationLost, at),
                    1 => Sample::new(Some(Value::Number(3.0)), Reasons::one(Reason::Settling), at),
                    _ => Sample::new(Some(Value::Number(f64::from(read) / 10.0)), Reasons::NONE, at),
                }));
                now += step.pace_ms;
            }
            let open = writes.as_mut().unwrap();
            prop_assert_eq!(keep(open, &samples, now), Ok(()));
            for _ in 0..step.idle {
                prop_assert_eq!(keep(open, &[], now), Ok(()));
                if step.trim { open.trim(moment(now).wall, false).unwrap(); }
                now += MINUTE_MS;
            }
            if let Some(other) = step.restart {
                drop(writes.take());
                writes = Some(store(dir.path(), if other { &B } else { &A }, keep_for, now));
            }
            let bare = tempfile::tempdir().unwrap();
            let db = Connection::open(dir.path().join(HISTORY_FILE)).unwrap();
            db.execute("VACUUM INTO ?1", [bare.path().join(HISTORY_FILE).to_str().unwrap()]).unwrap();
            let db = Connection::open(bare.path().join(HISTORY_FILE)).unwrap();
            db.execute("DELETE FROM day", []).unwrap();
            drop(db);
            let span = (moment(0).wall, moment(300 * 86_400_000).wall);
            for id in ["o2-1.oxygen", H2S, DOOR, FLOAT] {
                let told = |dir: &Path| {
                    let reader = SampleReader::new(dir);
                    (reader.buckets(id, span.0, span.1, 5_000).unwrap(),
                     reader.times(id, &[span.0, span.1], Counted::Above(20.0)).unwrap())
                };
                prop_assert!(told(dir.path()) == told(bare.path()), "{} differs", id);
            }
        }
    }
}
