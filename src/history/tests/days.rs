//! Days: what is put together of them, and taken apart again, tells nothing else than the samples do.

use rusqlite::Connection;

use super::minutes::{Bench, FLOAT, tenths};
use super::recomputed::ask;
use super::*;
use crate::history::HISTORY_FILE;
use crate::signal::{Reason, SignalIndex};

const MINUTE_MS: u64 = 60_000;
const HOUR_MS: u64 = 60 * MINUTE_MS;
/// What is recorded begins on 2 March at 15:04 UTC, and ends on the 7th: five days are over.
const RECORDED_MS: u64 = 108 * HOUR_MS;

/// Four days and a half of all signals: good ones, uncertain ones, absent ones, and none for half a day.
fn recorded() -> Vec<(SignalIndex, Sample)> {
    let mut samples = Vec::new();
    for (nth, at) in (0_u16..).zip((0..RECORDED_MS).step_by(73_123)) {
        let sinking = 900 - nth / 8;
        match nth % 11 {
            3 => samples.push((SignalIndex(0), Sample::absent(Reason::CommunicationLost, moment(at)))),
            5 => {
                let frozen = Value::Number(f64::from(sinking) / 10.0);
                samples.push((
                    SignalIndex(0),
                    Sample::new(Some(frozen), Reasons::one(Reason::Frozen), moment(at)),
                ));
            }
            _ => samples.push(tenths(sinking, at)),
        }
        if nth % 3 == 0 {
            let open = Value::Flag(nth % 6 == 0);
            samples.push((SignalIndex(1), Sample::new(Some(open), Reasons::NONE, moment(at + 11))));
        }
        if !(30 * HOUR_MS..57 * HOUR_MS).contains(&at) {
            samples.push((SignalIndex(2), number(f64::from(nth).sqrt(), at + 4_000)));
        }
    }
    samples
}

/// Goes on for as many minutes as it takes to sum up every hour and every day: one of each a minute.
fn settle(bench: &Bench) {
    for minute in 0..240 {
        bench.write(RECORDED_MS + minute * MINUTE_MS);
        let open = "SELECT (SELECT count(*) FROM open_hour WHERE (hour + 1) * 3600 <= unixepoch('2026-03-07 03:04'))
                         + (SELECT count(*) FROM loose_day WHERE (day + 1) * 86400 <= unixepoch('2026-03-07'))";
        if bench.count(open) == 0 {
            return;
        }
    }
    panic!("hours or days are still open");
}

fn settled(all: &[(SignalIndex, Sample)]) -> Bench {
    let bench = Bench::new(limits().flush_every);
    bench.hand_in(RECORDED_MS, all.to_vec());
    settle(&bench);
    bench
}

const SPANS: [(u64, u64, usize); 4] = [
    (0, RECORDED_MS, 5),
    (9 * HOUR_MS - 245_120, 81 * HOUR_MS - 245_120, 72),
    (HOUR_MS, 100 * HOUR_MS, 7),
    (40 * HOUR_MS + 17, 41 * HOUR_MS, 3),
];

/// The 4th of March, as rows of `day` and `loose_day` have it.
const DAY: i64 = 20_516;

fn rows_of_the_day(bench: &Bench) -> i64 {
    bench.count(&format!("SELECT count(*) FROM day WHERE id & 0x3fffff = {DAY}"))
}

#[test]
fn days_that_are_over_lie_in_rows_of_their_own_and_tell_what_their_samples_do() {
    let all = recorded();
    let bench = settled(&all);
    // On the 4th, nothing was read of one signal.
    assert_eq!(bench.count("SELECT count(*) FROM day"), 5 * 3 - 1);
    assert_eq!(bench.count("SELECT max(day) - 20519 FROM loose_day"), 0, "the 7th of March is not over");
    ask(&bench, &all, &SPANS).unwrap();

    let figures = || {
        let (from, to) = (moment(0).wall, moment(RECORDED_MS).wall);
        bench.record().samples.buckets(H2S, from, to, 100).unwrap()
    };
    let (before, db) = (figures(), Connection::open(bench.dir.path().join(HISTORY_FILE)).unwrap());
    db.execute("DELETE FROM hour WHERE hour / 24 = ?1", [DAY]).unwrap();
    assert_eq!(figures(), before, "hours are read of the day");
    db.execute("DELETE FROM day WHERE id & 0x3fffff = ?1", [DAY]).unwrap();
    assert_ne!(figures(), before);
}

#[test]
fn a_day_in_which_something_is_put_later_is_taken_apart_and_put_together_anew() {
    let mut all = recorded();
    let bench = settled(&all);
    assert_eq!(rows_of_the_day(&bench), 2);
    // The clock is set back into the 4th, and forth again.
    let late: Vec<_> =
        (0..90).map(|nth| tenths(7_000 + nth, 45 * HOUR_MS + 1_000 * u64::from(nth))).collect();
    all.extend(late.clone());
    bench.hand_in(45 * HOUR_MS + 95_000, late);
    bench.write(45 * HOUR_MS + 95_000);
    assert_eq!(rows_of_the_day(&bench), 0);
    ask(&bench, &all, &SPANS).unwrap();
    settle(&bench);
    assert_eq!(rows_of_the_day(&bench), 2);
    ask(&bench, &all, &SPANS).unwrap();
    let (from, to) = (moment(44 * HOUR_MS).wall, moment(47 * HOUR_MS).wall);
    let most = bench.record().samples.buckets(H2S, from, to, 1).unwrap()[0].max;
    assert_eq!(most, Some(708.9));
}

#[test]
fn a_row_of_a_day_that_is_damaged_is_not_missed() {
    let all = recorded();
    let bench = settled(&all);
    let db = Connection::open(bench.dir.path().join(HISTORY_FILE)).unwrap();
    for length in [100, 3, 0] {
        db.execute("UPDATE day SET hours = substr(hours, 1, ?1)", [length]).unwrap();
        ask(&bench, &all, &SPANS).unwrap();
    }
    let signals = bench.record().samples.signals().unwrap();
    assert_eq!(signals, [H2S, DOOR, FLOAT]);
}
