//! Damaged, newer, foreign, unwritable: what is done with files that cannot be used.

use std::fs;
use std::os::unix::fs::FileExt;
use std::path::PathBuf;

use rusqlite::Connection;

use super::*;
use crate::history::{HISTORY_FILE, JOURNAL_FILE, verify};
use crate::signal::SignalIndex;

/// Both files, filled, after a daemon that has ended in good order.
fn filled(dir: &Path) {
    let kept = open(dir);
    record(&kept, (1..=2_000).map(event).collect());
    let samples = (0..5_000).map(|ms| (SignalIndex(0), number(0.5, ms)));
    kept.recorder.samples(samples.collect());
    kept.recorder.close();
}

/// Damages a filled file, and sees it moved aside whole, a new one begun, and the other untouched.
fn moved_aside_after(file: &str, damage: impl Fn(&Path)) -> String {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let path = dir.path().join(file);
    damage(&path);
    let damaged = fs::read(&path).unwrap();

    let kept = open(dir.path());
    let [replaced] = kept.replaced.as_slice() else { panic!("replaced: {:?}", kept.replaced) };
    assert_eq!(replaced.file, path);
    let moved_to = replaced.moved_to.as_ref().unwrap();
    assert_eq!(*moved_to, dir.path().join(format!("{file}.damaged-2026-03-02T16-04-05Z")));
    assert!(fs::read(moved_to).unwrap() == damaged, "the damaged file itself was changed");

    let events_before = if file == JOURNAL_FILE { 0 } else { 2_000 };
    let event = replaced.event("willow-bend", moment(0));
    assert_eq!(record(&kept, vec![event]), [events_before + 1], "recording goes on");
    assert_eq!(verify(dir.path(), None).unwrap().entries, events_before + 1);
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap().len();
    assert_eq!(samples, if file == HISTORY_FILE { 0 } else { 5_000 });
    replaced.cause.clone()
}

fn overwrite(path: &Path, offset: u64, bytes: &[u8]) {
    fs::OpenOptions::new().write(true).open(path).unwrap().write_all_at(bytes, offset).unwrap();
}

fn cut_to(path: &Path, length: impl Fn(u64) -> u64) {
    let file = fs::OpenOptions::new().write(true).open(path).unwrap();
    file.set_len(length(file.metadata().unwrap().len())).unwrap();
}

#[test]
fn a_file_of_garbage_is_moved_aside() {
    for file in [JOURNAL_FILE, HISTORY_FILE] {
        moved_aside_after(file, |path| fs::write(path, vec![0xa5; 10_000]).unwrap());
    }
}

#[test]
fn a_file_with_a_zeroed_first_page_is_moved_aside() {
    for file in [JOURNAL_FILE, HISTORY_FILE] {
        moved_aside_after(file, |path| overwrite(path, 0, &[0; 4096]));
    }
}

#[test]
fn a_file_that_was_cut_off_is_moved_aside() {
    for file in [JOURNAL_FILE, HISTORY_FILE] {
        for length in [|_| 10, |_| 4096, |all| all / 2, |all| all - 4096, |all| all - 1] {
            moved_aside_after(file, |path| cut_to(path, length));
        }
    }
}

#[test]
fn a_journal_whose_end_does_not_verify_is_moved_aside() {
    let cause = moved_aside_after(JOURNAL_FILE, |path| {
        let db = Connection::open(path).unwrap();
        db.execute_batch("DROP TRIGGER event_never_changed; UPDATE event SET hash = 'no' WHERE seq = 1999")
            .unwrap();
    });
    assert_eq!(cause, "the hash chain is broken at entry 1999");
}

#[test]
fn a_journal_without_its_table_is_moved_aside() {
    moved_aside_after(JOURNAL_FILE, |path| {
        Connection::open(path).unwrap().execute_batch("DROP VIEW journal; DROP TABLE event").unwrap();
    });
}

#[test]
fn a_log_without_its_file_is_moved_aside_and_never_played_into_a_new_one() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("journal.db-wal");
    fs::write(&log, b"what a crash in the middle of moving files may leave").unwrap();
    let kept = open(dir.path());
    let moved_to = PathBuf::from(format!("{}-wal", kept.replaced[0].moved_to.as_ref().unwrap().display()));
    assert_eq!(fs::read(moved_to).unwrap(), b"what a crash in the middle of moving files may leave");
}

#[test]
fn two_files_damaged_within_one_second_are_both_kept() {
    let dir = tempfile::tempdir().unwrap();
    for content in ["first", "second"] {
        fs::write(dir.path().join(JOURNAL_FILE), content).unwrap();
        drop(open(dir.path()));
    }
    let kept = |suffix| {
        fs::read_to_string(dir.path().join(format!("journal.db.damaged-2026-03-02T16-04-05Z{suffix}")))
    };
    assert_eq!((kept("").unwrap(), kept(".2").unwrap()), ("first".to_owned(), "second".to_owned()));
}

#[test]
fn damage_amid_the_journal_is_named_by_verify() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let path = dir.path().join(JOURNAL_FILE);
    let pages = fs::metadata(&path).unwrap().len() / 4096;
    overwrite(&path, pages / 3 * 4096, &[0; 4096]);
    let broken = verify(dir.path(), None).unwrap_err().to_string();
    assert!(broken.contains("the file is damaged"), "{broken}");
}

#[test]
fn damage_met_while_writing_moves_the_journal_aside_without_losing_what_waits() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let kept = open(dir.path());
    // The page that holds the newest kinds and subjects is found only by him who writes them.
    let root: i64 = Connection::open(dir.path().join(JOURNAL_FILE))
        .unwrap()
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'event_by_kind'", [], |row| row.get(0))
        .unwrap();
    overwrite(&dir.path().join(JOURNAL_FILE), u64::try_from(root - 1).unwrap() * 4096, &[0xff; 4096]);

    assert_eq!(record(&kept, vec![event(1)]), [1], "in the new journal");
    wait_for(|| kept.recorder.status().events_queued == 0);
    let kinds: Vec<_> = kept.journal.read(0, 10).unwrap().into_iter().map(|entry| entry.kind).collect();
    assert_eq!(kinds, ["device_online", "database_replaced"]);
    let status = kept.recorder.status();
    assert_eq!((status.replaced.len(), status.last_error, status.events_lost), (1, None, 0));
    assert!(status.replaced[0].moved_to.as_ref().unwrap().exists());
    kept.recorder.close();
    assert_eq!(verify(dir.path(), None).unwrap().entries, 2);
}

#[test]
fn a_newer_file_is_refused_and_left_as_it_is() {
    for file in [JOURNAL_FILE, HISTORY_FILE] {
        let dir = tempfile::tempdir().unwrap();
        filled(dir.path());
        let path = dir.path().join(file);
        Connection::open(&path).unwrap().pragma_update(None, "user_version", 7).unwrap();
        let before = fs::read(&path).unwrap();
        let refused = try_open(dir.path()).err().unwrap().to_string();
        let known = if file == JOURNAL_FILE { 1 } else { 5 };
        let expected = format!("written by a newer siskin (layout 7; this one knows {known})");
        assert!(refused.starts_with(&format!("{}: {expected}", path.display())), "{refused}");
        assert!(fs::read(&path).unwrap() == before);
    }
}

#[test]
fn a_newer_layout_that_stands_only_in_the_log_is_refused_and_left_there() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let path = dir.path().join(JOURNAL_FILE);
    let log = dir.path().join("journal.db-wal");
    let newer = Connection::open(&path).unwrap();
    crate::history::file::close_untouched(&newer).unwrap();
    newer.pragma_update(None, "user_version", 7).unwrap();
    drop(newer);
    let before = (fs::read(&path).unwrap(), fs::read(&log).unwrap());
    assert!(matches!(try_open(dir.path()), Err(OpenError::Newer { found: 7, .. })));
    assert!((fs::read(&path).unwrap(), fs::read(&log).unwrap()) == before);
}

#[test]
fn a_database_of_another_program_is_refused_and_left_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(JOURNAL_FILE);
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipes (name)").unwrap();
    let before = fs::read(&path).unwrap();
    assert!(matches!(try_open(dir.path()), Err(OpenError::Foreign { .. })));
    assert!(fs::read(&path).unwrap() == before);
}

#[test]
fn a_directory_in_use_is_refused_until_it_is_free() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    let refused = try_open(dir.path()).err().unwrap().to_string();
    assert!(refused.contains("another siskin is recording here"), "{refused}");
    kept.recorder.close();
    open(dir.path());
}

#[test]
fn a_directory_that_cannot_be_made_is_refused_with_its_path() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let dir = file.path().join("data");
    let refused = try_open(&dir).err().unwrap();
    assert!(matches!(refused, OpenError::NotWritable { .. }), "{refused}");
    assert!(refused.to_string().starts_with(&format!("{}: cannot be written", dir.display())), "{refused}");
}

#[test]
fn damage_met_while_writing_moves_the_history_aside_too() {
    let dir = tempfile::tempdir().unwrap();
    filled(dir.path());
    let limits = Limits { flush_every: Duration::ZERO, ..limits() };
    let kept = open_with(dir.path(), &kept(), clock(), limits).unwrap();
    let path = dir.path().join(HISTORY_FILE);
    let root: i64 = Connection::open(&path)
        .unwrap()
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'staged'", [], |row| row.get(0))
        .unwrap();
    overwrite(&path, u64::try_from(root - 1).unwrap() * 1024, &[0xff; 1024]);
    // Somebody else's commit, so that the page is read again.
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 4).unwrap();

    kept.recorder.samples(vec![(SignalIndex(1), number(0.25, 0))]);
    wait_for(|| kept.recorder.status().replaced.len() == 1);
    let status = || kept.recorder.status();
    wait_for(|| status().samples_queued + status().events_queued == 0 && status().last_error.is_none());
    assert_eq!(kept.samples.samples(DOOR, Wall::MIN, Wall::MAX).unwrap().len(), 1);
    assert_eq!(kept.journal.read_last(1).unwrap()[0].kind, "database_replaced");
    assert!(status().replaced[0].moved_to.as_ref().unwrap().exists());
}
