//! What can be read of a damaged file is saved, whatever was done to it, and what is missing is told.

use std::fs;

use proptest::prelude::*;
use rusqlite::Connection;

use super::minutes::{Bench, FLOAT, as_kept, bits, tenths};
use super::*;
use crate::history::salvage::pages::Pages;
use crate::history::{
    HISTORY_FILE, JOURNAL_FILE, JournalReader, KeptSample, SalvageError, Salvaged, SalvagedJournal,
    SalvagedSamples, SampleReader, VerifyError, salvage, verify,
};
use crate::signal::{Reason, SignalIndex};

/// Three hours of three signals, and what was recorded.
fn history() -> (tempfile::TempDir, Vec<(SignalIndex, Sample)>) {
    let bench = Bench::new(limits().flush_every);
    let mut samples = Vec::new();
    for second in 0..3 * 3_600_u16 {
        let at = 1_000 * u64::from(second) + u64::from(second % 7);
        samples.push(tenths(320 + second % 90, at));
        samples.push((SignalIndex(2), number(f64::from(f32::from(second).sqrt()), at)));
        let door = match second % 600 {
            7..90 => Sample::absent(Reason::CommunicationLost, moment(at)),
            _ => Sample::new(Some(Value::Flag(second % 40 > 20)), Reasons::NONE, moment(at)),
        };
        samples.push((SignalIndex(1), door));
    }
    bench.hand_in(3 * 3_600_000, samples.clone());
    bench.write(3 * 3_600_000);
    (bench.closed(), samples)
}

/// Two thousand events, closed.
fn journal() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    record(&kept, (1..=2_000).map(event).collect());
    kept.recorder.close();
    dir
}

/// What is saved of a file, and where.
fn saved(file: &Path) -> (tempfile::TempDir, Result<Salvaged, SalvageError>) {
    let to = tempfile::tempdir().unwrap();
    let salvaged = salvage(file, to.path(), moment(0).wall).map(|(_, salvaged)| salvaged);
    (to, salvaged)
}

fn saved_samples(file: &Path) -> (tempfile::TempDir, SalvagedSamples) {
    match saved(file) {
        (to, Ok(Salvaged::Samples(samples))) => (to, samples),
        (_, other) => panic!("{other:?}"),
    }
}

fn saved_journal(file: &Path) -> (tempfile::TempDir, SalvagedJournal) {
    match saved(file) {
        (to, Ok(Salvaged::Journal(journal))) => (to, journal),
        (_, other) => panic!("{other:?}"),
    }
}

fn read(dir: &Path, signal: &str) -> Vec<KeptSample> {
    SampleReader::new(dir).samples(signal, Wall::MIN, Wall::MAX).unwrap()
}

/// Overwrites a part of a file.
fn overwrite(path: &Path, at: usize, with: &[u8]) {
    let mut bytes = fs::read(path).unwrap();
    let end = bytes.len().min(at + with.len());
    bytes[at..end].copy_from_slice(&with[..end - at]);
    fs::write(path, bytes).unwrap();
}

#[test]
fn of_a_sound_history_everything_is_saved_to_the_last_bit() {
    let (dir, samples) = history();
    let (to, told) = saved_samples(&dir.path().join(HISTORY_FILE));
    for (index, signal) in [H2S, DOOR, FLOAT].into_iter().enumerate() {
        let (read, kept) = (read(to.path(), signal), as_kept(&samples, index));
        assert_eq!(bits(&read), bits(&kept));
        assert_eq!(read, kept);
    }
    assert_eq!(
        (told.pages_unreadable, told.rows_left_out, told.gaps.len(), told.unnamed.len()),
        (0, 0, 0, 0)
    );
    assert_eq!(told.samples, 3 * 3 * 3_600);
    assert_eq!(told.first.unwrap().to_string(), "2026-03-02T15:04:00Z");
    // It is a history like any other: hours are summed up, and a recorder goes on with it.
    let hours = |dir: &Path| -> Vec<(i64, f64, i64)> {
        let db = Connection::open(dir.join(HISTORY_FILE)).unwrap();
        let mut select =
            db.prepare("SELECT hour, value_ms, measured_ms FROM hour ORDER BY signal, hour").unwrap();
        let hours = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).unwrap();
        hours.map(Result::unwrap).collect()
    };
    let (before, after) = (hours(dir.path()), hours(to.path()));
    assert!(before.len() >= 6 && before.iter().all(|hour| after.contains(hour)), "{before:?}\n{after:?}");
    let bench = Bench::beside(to, 4 * 3_600_000, limits().flush_every);
    assert!(bench.record().replaced.iter().all(crate::history::Replaced::is_journal));
}

#[test]
fn what_lies_in_the_log_alone_is_saved_too() {
    let (dir, samples) = history();
    let file = dir.path().join(HISTORY_FILE);
    let log = dir.path().join("history.db-wal");
    let bench = Bench::beside(dir, 3 * 3_600_000, limits().flush_every);
    bench.hand_in(3 * 3_600_000 + 1, vec![tenths(555, 3 * 3_600_000 + 1)]);
    bench.write(3 * 3_600_000 + 1);
    let aside = tempfile::tempdir().unwrap();
    let damaged = aside.path().join("history.db.damaged");
    fs::copy(&file, &damaged).unwrap();
    assert!(fs::copy(&log, aside.path().join("history.db.damaged-wal")).unwrap() > 0);
    let (to, told) = saved_samples(&damaged);
    assert_eq!(told.pages_unreadable, 0);
    assert_eq!(read(to.path(), H2S).len(), as_kept(&samples, 0).len() + 1);
}

#[test]
fn without_its_first_page_sqlite_finds_nothing_and_all_rows_are_saved() {
    let (dir, samples) = history();
    let file = dir.path().join(HISTORY_FILE);
    overwrite(&file, 0, &[0; 1024]);
    assert!(Connection::open(&file).unwrap().query_row("SELECT 1 FROM minute", [], |_| Ok(())).is_err());
    let (to, told) = saved_samples(&file);
    assert_eq!((told.pages_unreadable, told.samples), (1, 3 * 3 * 3_600));
    assert_eq!(bits(&read(to.path(), FLOAT)), bits(&as_kept(&samples, 2)));
}

#[test]
fn a_lost_page_costs_its_minutes_and_they_are_told() {
    let (dir, samples) = history();
    let file = dir.path().join(HISTORY_FILE);
    // A page amid the minutes: that of the row in the middle, by SQLite's own count.
    let bytes = fs::read(&file).unwrap();
    let leaves: Vec<usize> = (1..bytes.len() / 1024)
        .filter(|page| bytes[1024 * page] == 0x0d && bytes[1024 * page + 4] > 3)
        .collect();
    let page = leaves[leaves.len() * 2 / 3];
    overwrite(&file, 1024 * page, &[0x5a; 1024]);
    let (to, told) = saved_samples(&file);
    assert_eq!(told.pages_unreadable, 1);
    assert!(!told.gaps.is_empty(), "{told:?}");
    for (index, signal) in [H2S, DOOR, FLOAT].into_iter().enumerate() {
        let of_signal: Vec<_> =
            told.gaps.iter().filter(|gap| gap.signals.iter().any(|name| name == signal)).collect();
        let in_gap =
            |sample: &KeptSample| of_signal.iter().any(|gap| gap.from <= sample.time && sample.time < gap.to);
        let mut expected = as_kept(&samples, index);
        let all = expected.len();
        expected.retain(|sample| !in_gap(sample));
        assert!(expected.len() > all / 2);
        assert_eq!(read(to.path(), signal), expected, "{signal}: what is not missing is there, to the last");
    }
}

#[test]
fn signals_whose_names_are_lost_are_saved_under_their_numbers() {
    let (dir, samples) = history();
    let file = dir.path().join(HISTORY_FILE);
    let db = Connection::open(&file).unwrap();
    db.execute_batch("PRAGMA secure_delete = ON; DELETE FROM signal; PRAGMA wal_checkpoint(TRUNCATE)")
        .unwrap();
    assert!(saved_samples(&file).1.unnamed.is_empty(), "they are there twice");
    db.execute_batch("DELETE FROM signal_again; PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    drop(db);
    let (to, told) = saved_samples(&file);
    assert_eq!(told.unnamed, ["signal-0", "signal-1", "signal-2"]);
    assert_eq!(read(to.path(), "signal-2"), as_kept(&samples, 2));
}

#[test]
fn of_a_damaged_journal_every_entry_is_saved_that_the_chain_does_not_speak_against() {
    let dir = journal();
    let recorded = |dir: &Path| -> Vec<_> {
        let (journal, mut entries) = (JournalReader::new(dir), Vec::new());
        loop {
            let after = entries.last().map_or(0, |entry: &crate::history::JournalEntry| entry.seq);
            let page = journal.read(after, 1_000).unwrap();
            if page.is_empty() {
                return entries;
            }
            entries.extend(page);
        }
    };
    let all = recorded(dir.path());
    let file = dir.path().join(JOURNAL_FILE);
    // One that was changed: its own number, text and hash are of the right form.
    let db = Connection::open(&file).unwrap();
    db.execute_batch(
        "DROP TRIGGER event_never_changed;
         UPDATE event SET text = replace(text, 'device-1500', 'device-1501') WHERE seq = 1500;
         PRAGMA wal_checkpoint(TRUNCATE)",
    )
    .unwrap();
    drop(db);
    let bytes = fs::read(&file).unwrap();
    let wanted = br#""device-700""#;
    let at = bytes.windows(wanted.len()).position(|window| window == wanted).unwrap();
    overwrite(&file, at / 4096 * 4096, &[0; 4096]);

    let (to, told) = saved_journal(&file);
    let [gap, changed] = told.gaps.as_slice() else { panic!("{told:?}") };
    assert!((gap.first_seq..=gap.last_seq).contains(&700), "{gap:?}");
    assert_eq!((changed.first_seq, changed.last_seq, told.left_out), (1_500, 1_500, 1));
    let is_missing = |seq: u64| seq == 1_500 || (gap.first_seq..=gap.last_seq).contains(&seq);
    let expected: Vec<_> = all.iter().filter(|entry| !is_missing(entry.seq)).cloned().collect();
    assert_eq!(recorded(to.path()), expected);
    let entries = u64::try_from(expected.len()).unwrap();
    assert_eq!((told.entries, told.proven), (entries, entries - 2));
    let Err(VerifyError::Broken { seq, .. }) = verify(to.path(), None) else { panic!("it has gaps") };
    assert_eq!(seq, gap.first_seq);
}

#[test]
fn what_is_none_of_ours_is_refused_and_nothing_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let garbage = dir.path().join("garbage");
    fs::write(&garbage, vec![0xa5; 10_000]).unwrap();
    let (to, refused) = saved(&garbage);
    assert!(matches!(refused, Err(SalvageError::Nothing(_))));
    assert_eq!(fs::read_dir(to.path()).unwrap().count(), 0);
    assert!(matches!(saved(Path::new("/no/such/file")).1, Err(SalvageError::Source(_))));
    let journal = journal();
    let file = journal.path().join(JOURNAL_FILE);
    let before = fs::read(&file).unwrap();
    assert!(matches!(salvage(&file, journal.path(), moment(0).wall), Err(SalvageError::Exists(_))));
    assert!(fs::read(&file).unwrap() == before);
    fs::write(dir.path().join("empty"), []).unwrap();
    assert!(matches!(saved(&dir.path().join("empty")).1, Err(SalvageError::Nothing(_))));
}

/// Bytes at a place, written over with others.
fn any_damage() -> impl Strategy<Value = (prop::sample::Index, Vec<u8>)> {
    let bytes = prop_oneof![
        prop::collection::vec(any::<u8>(), 1..600),
        (1..4_096_usize).prop_map(|length| vec![0; length]),
        any::<u8>().prop_map(|byte| vec![byte; 1]),
    ];
    (any::<prop::sample::Index>(), bytes)
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 40,
        failure_persistence: None,
        rng_seed: prop::test_runner::RngSeed::Fixed(0x5a1_7a6e),
        ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_was_written_over_nothing_breaks_and_the_rest_is_saved(
        damage in prop::collection::vec(any_damage(), 1..6)
    ) {
        let (histories, journals) = damaged_pattern();
        for (file, bytes) in [(HISTORY_FILE, histories), (JOURNAL_FILE, journals)] {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join(file);
            let mut damaged = bytes.clone();
            let mut hit = 0;
            for (at, with) in &damage {
                let at = at.index(damaged.len());
                let end = damaged.len().min(at + with.len());
                damaged[at..end].copy_from_slice(&with[..end - at]);
                hit += (end - at) / 1024 + 2;
            }
            fs::write(&path, &damaged).unwrap();
            match saved(&path).1.unwrap() {
                // A page has no more than forty rows, and as many on the next may rely on its times. One place
                // at most is hit of the two in which names and codings are.
                Salvaged::Samples(samples) => {
                    let lost = (3 * 181_usize).saturating_sub(usize::try_from(samples.rows).unwrap());
                    prop_assert!(lost <= 80 * hit || damage.len() > 1, "{} rows lost by {} pages", lost, hit);
                }
                Salvaged::Journal(journal) => {
                    let lost = 2_000_usize.saturating_sub(usize::try_from(journal.entries).unwrap());
                    prop_assert!(lost <= 40 * hit, "{} entries lost by {} pages", lost, hit);
                }
            }
        }
    }

    #[test]
    fn any_bytes_are_looked_at_as_pages_without_harm(
        bytes in prop::collection::vec(any::<u8>(), 0..5_000), kind in prop::sample::select(vec![0x0d_u8, 0x0a, 0x02, 0x05])
    ) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("pages");
        let mut bytes = bytes;
        (0..bytes.len()).step_by(1024).for_each(|page| bytes[page] = kind);
        fs::write(&path, &bytes).unwrap();
        let pages = Pages::open(&path).unwrap();
        pages.rows(|_| Ok::<(), std::io::Error>(())).unwrap();
    }
}

/// A sound history and a sound journal, made once.
fn damaged_pattern() -> (&'static Vec<u8>, &'static Vec<u8>) {
    static MADE: std::sync::OnceLock<(Vec<u8>, Vec<u8>)> = std::sync::OnceLock::new();
    let (histories, journals) = MADE.get_or_init(|| {
        let bytes = |dir: tempfile::TempDir, file: &str| fs::read(dir.path().join(file)).unwrap();
        (bytes(history().0, HISTORY_FILE), bytes(journal(), JOURNAL_FILE))
    });
    (histories, journals)
}
