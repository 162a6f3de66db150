//! What goes in comes out, to the last bit, and stays across a restart.

use rusqlite::Connection;

use super::*;
use crate::history::{
    ENTRIES_READ_MAX, HISTORY_FILE, Head, JournalReader, SAMPLES_READ_MAX, SampleReader, VerifyError,
    settings_as_detail, verify,
};
use crate::signal::{Reason, SignalIndex};

#[test]
fn an_event_reads_back_as_it_was_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    assert_eq!(record(&kept, vec![event(1), alarm(EventKind::AlarmRaised, "h2s-high")]), [1, 2]);

    let entry = kept.journal.read(1, 10).unwrap().pop().unwrap();
    assert_eq!((entry.seq, entry.mono_ms, entry.kind.as_str()), (2, 12, "alarm_raised"));
    assert_eq!(entry.time.to_string(), "2026-03-02T15:04:05.132Z");
    assert_eq!(entry.subject, "h2s-high");
    assert_eq!(entry.user.as_deref(), Some("mvega"));
    assert_eq!(entry.name.as_deref(), Some("María \"Vega\"\n\u{1}"));
    assert_eq!(entry.detail["value"].as_f64().map(f64::to_bits), Some((0.1_f64 + 0.2).to_bits()));
    assert_eq!(entry.detail["reasons"], serde_json::json!(["settling"]));
    assert_eq!(entry.detail["latched"], serde_json::json!(true));
}

#[test]
fn pages_of_the_journal_follow_one_another() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    record(&kept, (1..=25).map(event).collect());
    let numbers = |entries: Vec<crate::history::JournalEntry>| -> Vec<u64> {
        entries.into_iter().map(|entry| entry.seq).collect()
    };
    assert_eq!(numbers(kept.journal.read(0, 2).unwrap()), [1, 2]);
    assert_eq!(numbers(kept.journal.read(23, 100).unwrap()), [24, 25]);
    assert!(kept.journal.read(u64::MAX, 100).unwrap().is_empty());
    assert_eq!(numbers(kept.journal.read_last(3).unwrap()), [23, 24, 25]);
}

#[test]
fn a_journal_goes_on_where_it_was_closed() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    record(&kept, vec![event(1)]);
    drop(kept.recorder.events(vec![event(2)]));
    kept.recorder.close();

    let kept = open(dir.path());
    assert!(kept.replaced.is_empty());
    assert_eq!(record(&kept, vec![event(3)]), [3]);
    let verified = verify(dir.path(), None).unwrap();
    assert_eq!(verified.entries, 3);
    assert_eq!(verified.head, kept.recorder.status().journal_head);
}

#[test]
fn an_empty_journal_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    assert_eq!(verify(dir.path(), None).unwrap().head, Head::default());
    kept.recorder.close();
    assert_eq!(verify(dir.path(), None).unwrap().entries, 0);
    assert!(matches!(verify(&dir.path().join("elsewhere"), None), Err(VerifyError::Unreadable(_))));
}

#[test]
fn samples_read_back_to_the_last_bit() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    let numbers = [0.1 + 0.2, -0.0, 4.0, f64::MIN_POSITIVE / 2.0, f64::MAX, 1e21, 3.0e-7];
    let samples: Vec<_> = (0..).zip(numbers).map(|(ms, value)| (SignalIndex(0), number(value, ms))).collect();
    kept.recorder.samples(samples);
    kept.recorder.samples(vec![(
        SignalIndex(1),
        Sample::new(Some(Value::Flag(true)), Reasons::one(Reason::Settling), moment(7)),
    )]);
    kept.recorder.samples(vec![(SignalIndex(1), Sample::absent(Reason::CommunicationLost, moment(8)))]);
    kept.recorder.close();

    let read = kept.samples.samples(H2S, start(), Wall::MAX).unwrap();
    let bits = |value: f64| value.to_bits();
    let values: Vec<u64> = read.iter().filter_map(|sample| sample.value?.number().map(bits)).collect();
    assert_eq!(values, numbers.map(bits));
    assert_eq!(read[3].time, moment(3).wall);
    let read = kept.samples.samples(DOOR, moment(7).wall, moment(9).wall).unwrap();
    assert_eq!((read[0].value, read[0].reasons), (Some(Value::Flag(true)), Reasons::one(Reason::Settling)));
    assert_eq!((read[1].value, read[1].reasons), (None, Reasons::one(Reason::CommunicationLost)));
    assert_eq!(kept.samples.samples(DOOR, moment(7).wall, moment(8).wall).unwrap().len(), 1);
}

#[test]
fn the_samples_before_an_alarm_are_on_the_disk_soon_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    kept.recorder.samples(vec![(SignalIndex(0), number(4.2, 0))]);
    record(&kept, vec![event(1)]);
    assert_eq!(kept.recorder.status().samples_queued, 1, "an event that is no alarm leaves them queued");
    record(&kept, vec![alarm(EventKind::AlarmRaised, "h2s-high")]);
    wait_for(|| SampleReader::new(dir.path()).samples(H2S, Wall::MIN, Wall::MAX).unwrap().len() == 1);
}

#[test]
fn a_start_finds_what_alarms_and_settings_were() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    assert_eq!(kept.journal.last_start().unwrap(), None);
    assert_eq!(kept.journal.last_settings().unwrap(), None);
    let settings = [("alarm.h2s-high.name".to_owned(), "H2S = too much".to_owned())];
    let started = |detail| Event { kind: EventKind::Started, detail, ..event(1) };
    record(
        &kept,
        vec![
            started([("settings", settings_as_detail(&settings))].into()),
            alarm(EventKind::AlarmRaised, "h2s-high"),
            alarm(EventKind::AlarmCleared, "h2s-high"),
            alarm(EventKind::AlarmRaised, "h2o-high"),
            event(1),
            alarm(EventKind::AlarmRaised, "h2s-high"),
            started([].into()),
        ],
    );
    let journal = JournalReader::new(dir.path());
    let events = journal.recorded_alarm_events().unwrap();
    assert_eq!(events.iter().map(|entry| entry.seq).collect::<Vec<_>>(), [3, 4, 6]);
    assert_eq!(journal.last_start().unwrap().unwrap().seq, 7);
    assert_eq!(journal.last_settings().unwrap(), Some(settings.into()));
}

#[test]
fn the_sample_file_can_be_read_by_a_person() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    kept.recorder.samples(vec![(
        SignalIndex(0),
        Sample::new(
            Some(Value::Number(4.5)),
            [Reason::Settling, Reason::AboveRange].into_iter().collect(),
            moment(0),
        ),
    )]);
    kept.recorder.close();
    let db = Connection::open(dir.path().join(HISTORY_FILE)).unwrap();
    let row: (String, String, f64, String) = db
        .query_row("SELECT signal, time, value, reasons FROM samples", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })
        .unwrap();
    let shown = ("2026-03-02T15:04:05.120Z", "above_range settling");
    assert_eq!(row, (H2S.to_owned(), shown.0.to_owned(), 4.5, shown.1.to_owned()));
}

#[test]
fn one_read_returns_no_more_than_its_limit() {
    let dir = tempfile::tempdir().unwrap();
    let kept = open(dir.path());
    let most = u64::try_from(ENTRIES_READ_MAX).unwrap();
    record(&kept, (0..=most).map(event).collect());
    assert_eq!(kept.journal.read(0, usize::MAX).unwrap().len(), ENTRIES_READ_MAX);
    assert_eq!(kept.journal.read_last(usize::MAX).unwrap()[0].seq, 2);

    let most = u64::try_from(SAMPLES_READ_MAX).unwrap();
    kept.recorder.samples((0..=most).map(|ms| (SignalIndex(0), number(0.5, ms))).collect());
    kept.recorder.close();
    let samples = kept.samples.samples(H2S, Wall::MIN, Wall::MAX).unwrap();
    assert_eq!((samples.len(), samples[0].time), (SAMPLES_READ_MAX, moment(0).wall));
}
