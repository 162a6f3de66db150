//! Whoever changes the journal is found out, whatever they change.

use rusqlite::Connection;

use super::*;
use crate::history::chain::{FIRST_PREVIOUS, link};
use crate::history::{JOURNAL_FILE, Verified, VerifyError, verify, verify_each};

/// A closed journal of ten entries, and a connection that the triggers do not stop.
fn journal(dir: &Path) -> Connection {
    let kept = open(dir);
    let events = (1..=8)
        .map(event)
        .chain([alarm(EventKind::AlarmRaised, "h2s-high"), alarm(EventKind::AlarmCleared, "h2s-high")]);
    record(&kept, events.collect());
    kept.recorder.close();
    let db = Connection::open(dir.join(JOURNAL_FILE)).unwrap();
    db.execute_batch("DROP TRIGGER event_never_changed; DROP TRIGGER event_never_deleted").unwrap();
    db
}

/// Does this to the journal, and says where the chain is then found broken.
fn broken_by(sql: &str) -> (u64, String) {
    let dir = tempfile::tempdir().unwrap();
    journal(dir.path()).execute_batch(sql).unwrap();
    match verify(dir.path(), None) {
        Err(VerifyError::Broken { seq, what }) => (seq, what),
        other => panic!("{sql}: {other:?}"),
    }
}

/// A pager in which somebody reads the exported journal overnight.
#[test]
fn whoever_takes_entries_slowly_does_not_keep_the_log_from_being_cleared() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    record(&kept, (1..=2_000).map(event).collect());
    let db = Connection::open(dir.path().join(JOURNAL_FILE)).unwrap();
    let (mut seen, mut busy) = (0, 0);
    let verified = verify_each(dir.path(), None, &mut |_, _| {
        seen += 1;
        if seen % 500 == 1 {
            record(&kept, vec![event(2_000 + seen)]);
            busy += db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0)).unwrap();
        }
        Ok(())
    });
    // What was recorded on the way is proven too, but for the fifth, which came after the last read.
    assert!(matches!(verified, Ok(Verified { entries: 2_004, .. })), "{verified:?}");
    assert_eq!((seen, busy), (2_004, 0));
}

#[test]
fn a_change_in_any_part_of_an_entry_breaks_the_chain_there() {
    let dir = tempfile::tempdir().unwrap();
    let db = journal(dir.path());
    drop(db);
    verify(dir.path(), None).expect("whole before anything is changed");
    for part in 0..=7 {
        let other = if part == 7 { "json('{}')" } else { "'other'" };
        let sql = format!("UPDATE event SET text = json_replace(text, '$[{part}]', {other}) WHERE seq = 9");
        let (seq, what) = broken_by(&sql);
        assert_eq!(seq, 9, "{sql}: {what}");
        assert!(what.starts_with("its hash should be"), "{sql}: {what}");
    }
    for member in ["value", "state", "reasons", "latched"] {
        let sql = format!("UPDATE event SET text = json_remove(text, '$[7].{member}') WHERE seq = 9");
        assert_eq!(broken_by(&sql).0, 9, "{sql}");
    }
}

#[test]
fn the_same_number_written_otherwise_breaks_the_chain() {
    let other = "replace(text, '0.30000000000000004', '3.0000000000000004e-1')";
    assert_eq!(broken_by(&format!("UPDATE event SET text = {other} WHERE seq = 9")).0, 9);
}

#[test]
fn a_changed_hash_breaks_the_chain_there() {
    assert_eq!(broken_by("UPDATE event SET hash = upper(hash) WHERE seq = 4").0, 4);
    assert_eq!(broken_by("UPDATE event SET hash = '' WHERE seq = 10").0, 10);
}

#[test]
fn a_missing_an_added_or_a_moved_entry_breaks_the_chain() {
    assert_eq!(
        broken_by("DELETE FROM event WHERE seq = 1"),
        (1, "is missing; the next entry is 2".to_owned())
    );
    assert_eq!(broken_by("DELETE FROM event WHERE seq = 5").0, 5);
    assert_eq!(broken_by("DELETE FROM event WHERE seq = 5; UPDATE event SET seq = 5 WHERE seq = 6").0, 5);
    assert_eq!(broken_by("UPDATE event SET seq = 11 WHERE seq = 10").0, 10);
    assert_eq!(
        broken_by("INSERT INTO event (seq, text, hash) SELECT 11, text, hash FROM event WHERE seq = 10").0,
        11
    );
    let swap = "UPDATE event SET seq = -3 WHERE seq = 3; UPDATE event SET seq = 3 WHERE seq = 4;
                UPDATE event SET seq = 4 WHERE seq = -3";
    assert_eq!(broken_by(swap).0, 3);
}

#[test]
fn an_entry_chained_anew_under_a_wrong_number_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let db = journal(dir.path());
    let text: String = db.query_row("SELECT text FROM event WHERE seq = 2", [], |row| row.get(0)).unwrap();
    let first: String = db.query_row("SELECT hash FROM event WHERE seq = 1", [], |row| row.get(0)).unwrap();
    let text = text.replacen("[2,", "[3,", 1);
    db.execute("UPDATE event SET text = ?1, hash = ?2 WHERE seq = 2", (&text, link(&first, &text))).unwrap();
    let broken = verify(dir.path(), None).unwrap_err().to_string();
    assert_eq!(broken, "entry 2: its text was recorded as entry 3");
}

#[test]
fn a_cut_off_end_shows_only_against_a_noted_head() {
    let dir = tempfile::tempdir().unwrap();
    let db = journal(dir.path());
    let noted = verify(dir.path(), None).unwrap().head;
    db.execute("DELETE FROM event WHERE seq > 8", []).unwrap();
    assert_eq!(verify(dir.path(), None).unwrap().entries, 8);
    let broken = verify(dir.path(), Some(&noted.hash)).unwrap_err();
    assert!(matches!(broken, VerifyError::Broken { seq: 9, .. }), "{broken}");
}

#[test]
fn a_head_noted_earlier_is_found_in_a_chain_that_has_grown() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    assert!(verify(dir.path(), Some(FIRST_PREVIOUS)).is_ok(), "the head of an empty journal");
    record(&kept, vec![event(1)]);
    let noted = verify(dir.path(), None).unwrap().head;
    record(&kept, vec![event(2)]);
    assert_eq!(verify(dir.path(), Some(&noted.hash)).unwrap().entries, 2);
}

#[test]
fn the_triggers_stop_a_slip_of_the_hand() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    record(&kept, vec![event(1)]);
    let db = Connection::open(dir.path().join(JOURNAL_FILE)).unwrap();
    assert!(db.execute("UPDATE event SET hash = ''", []).is_err());
    assert!(db.execute("DELETE FROM event", []).is_err());
}
