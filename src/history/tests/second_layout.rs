//! A file that siskin of the second layout has really written is gone on with.
//!
//! `second_layout.db` was made by the last siskin of that layout, out of [`recorded_then`]: three minutes of
//! every coding and width, the third staged, and a minute two hours later, so that an hour is summed up.

use std::fs;

use rusqlite::Connection;

use super::minutes::{Bench, FLOAT, as_kept, bits, tenths};
use super::*;
use crate::history::HISTORY_FILE;
use crate::signal::{Reason, SignalIndex};

/// When the third minute was staged, and then the last.
const STAGED_AT_MS: u64 = 7_200_000;

/// What the old program was given.
fn recorded_then() -> Vec<(SignalIndex, Sample)> {
    let mut samples = Vec::new();
    for second in 0..150_u16 {
        let at = 1_000 * u64::from(second) + u64::from(second * 7 % 11);
        // One byte in the first minutes, two in those after.
        let step = if second < 60 { 1 } else { 200 };
        samples.push(tenths(second * step, at));
        let single = if second < 60 { f32::from(second) / 10.0 } else { f32::from(second).sqrt() };
        samples.push((SignalIndex(2), number(f64::from(single), at)));
        let door = match second % 40 {
            7..9 => Sample::absent(Reason::CommunicationLost, moment(at)),
            0..20 => Sample::new(Some(Value::Flag(true)), Reasons::one(Reason::Settling), moment(at)),
            _ => Sample::new(Some(Value::Flag(false)), Reasons::NONE, moment(at)),
        };
        samples.push((SignalIndex(1), door));
    }
    for (nth, edge) in (0..).zip([0.1, -0.0, f64::MIN_POSITIVE / 8.0, f64::MAX, -1e300]) {
        samples.push((SignalIndex(0), number(edge, STAGED_AT_MS + nth)));
    }
    for (nth, edge) in (0..).zip([-0.0_f32, f32::MIN_POSITIVE / 4.0, f32::MAX, -17.5, 3.21]) {
        samples.push((SignalIndex(2), number(f64::from(edge), STAGED_AT_MS + nth)));
    }
    samples
}

fn opened() -> Bench {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join(HISTORY_FILE), include_bytes!("second_layout.db")).unwrap();
    Bench::beside(dir, STAGED_AT_MS, limits().flush_every)
}

#[test]
fn every_sample_of_the_second_layout_reads_back_to_the_last_bit() {
    let mut bench = opened();
    let all = recorded_then();
    // As it lay, and once what was staged has become minutes and hours.
    for at_ms in [STAGED_AT_MS, STAGED_AT_MS + 7_200_000] {
        for (index, signal) in [H2S, DOOR, FLOAT].into_iter().enumerate() {
            let (read, then) = (bench.samples(signal), as_kept(&all, index));
            assert_eq!(read, then, "{signal}");
            assert_eq!(bits(&read), bits(&then), "{signal}");
        }
        bench.restart(at_ms);
        bench.write(at_ms);
    }
    assert_eq!(bench.count("PRAGMA user_version"), 5);
    assert_eq!(bench.count("SELECT count(*) FROM hour WHERE measured_ms > 100000"), 2);
}

#[test]
fn a_file_of_the_second_layout_goes_on_and_its_view_tells_old_and_new() {
    let bench = opened();
    let later = STAGED_AT_MS + 600_000;
    let new: Vec<_> = (0..60_u8)
        .map(|second| {
            let decimal = f64::from(f32::from(second) / 10.0);
            (SignalIndex(2), number(decimal, later + 1_000 * u64::from(second)))
        })
        .collect();
    bench.hand_in(later, new.clone());
    bench.write(later + 180_000);
    let all: Vec<_> = recorded_then().into_iter().chain(new).collect();
    let expected = as_kept(&all, 2);
    assert_eq!(bits(&bench.samples(FLOAT)), bits(&expected));
    let db = Connection::open(bench.dir.path().join(HISTORY_FILE)).unwrap();
    let mut select = db.prepare("SELECT value FROM samples WHERE signal = ?1 ORDER BY time").unwrap();
    let viewed = select.query_map([FLOAT], |row| row.get::<_, f64>(0)).unwrap();
    let viewed: Vec<Option<u64>> = viewed.map(|value| value.ok().map(f64::to_bits)).collect();
    assert_eq!(viewed, bits(&expected));
    // Tenths take six bits, where their patterns took four bytes.
    let small = "SELECT count(*) FROM minute JOIN coding ON coding.id = coding
                 WHERE kind = 'decimal' AND length(offsets) <= 45 AND samples >= 55";
    assert_eq!(bench.count(small), 1);
}
