//! The record as the daemon uses it: read by the faces, and folded into alarm states at start.

use std::time::Duration;

use crate::alarm::performance::{Change, Count, Happened, Performance};
use crate::alarm::{Life, Priority};
use crate::calibration::{Doubt, Point, Stage};
use crate::daemon::{HistorySource, JournalSource};
use crate::history::{Bucket, JournalEntry, JournalReader, SampleReader};
use crate::moment::Wall;
use crate::monitor::{
    CareTold, Decision, EventKind, Fitted, ONE_SHOT_DETAIL, Recorded, Remembered, RememberedCare, Who,
};

impl JournalSource for JournalReader {
    fn read(&self, after: u64, limit: usize) -> Result<Vec<JournalEntry>, String> {
        JournalReader::read(self, after, limit).map_err(|error| error.to_string())
    }

    fn read_last(&self, limit: usize) -> Result<Vec<JournalEntry>, String> {
        JournalReader::read_last(self, limit).map_err(|error| error.to_string())
    }

    fn performance(&self, from: Wall, to: Wall) -> Result<Performance, String> {
        let mut count = Count::new(from, to);
        let wanted = |kind: &EventKind| {
            kind.is_about_alarm() || matches!(kind, EventKind::Started | EventKind::Stopped)
        };
        let kinds: Vec<EventKind> = EventKind::ALL.into_iter().filter(wanted).collect();
        let read = self.each(&kinds, |entry| {
            if let Some(happened) = happened(entry) {
                count.take(entry.time, happened);
            }
        });
        read.map(|()| count.finish()).map_err(|error| error.to_string())
    }
}

impl HistorySource for SampleReader {
    fn buckets(&self, signal: &str, from: Wall, to: Wall, points: usize) -> Result<Vec<Bucket>, String> {
        SampleReader::buckets(self, signal, from, to, points).map_err(|error| error.to_string())
    }
}

/// What an entry means for the alarms' performance, if it means anything.
fn happened(entry: &JournalEntry) -> Option<Happened<'_>> {
    let kind = EventKind::from_word(&entry.kind)?;
    let word = |name| entry.detail.get(name).and_then(serde_json::Value::as_str);
    if !kind.is_about_alarm() {
        let started = (kind == EventKind::Started).then_some(Happened::Started);
        return started.or((kind == EventKind::Stopped).then_some(Happened::Stopped));
    }
    let raised = (kind == EventKind::AlarmRaised).then_some(true);
    let gone = matches!(kind, EventKind::AlarmCleared | EventKind::AlarmRemoved).then_some(false);
    let tells = matches!(
        kind,
        EventKind::AlarmRaised
            | EventKind::AlarmRealarmed
            | EventKind::AlarmUnshelved
            | EventKind::AlarmUnsuppressed
            | EventKind::AlarmInService
    );
    let withheld = word("withheld").is_some();
    Some(Happened::Alarm(Change {
        alarm: &entry.subject,
        active: raised.or(gone),
        calls: tells && !withheld && word("state") == Some(Life::Unacknowledged.word()),
        withheld,
        priority: word("priority").and_then(|word| Priority::ALL.into_iter().find(|p| p.word() == word)),
    }))
}

/// The kinds of entries that say something of the care of a device.
pub(super) const CARE_KINDS: [EventKind; 4] = [
    EventKind::FunctionCheckBegun,
    EventKind::FunctionCheckEnded,
    EventKind::CalibrationRecorded,
    EventKind::SensorChanged,
];

/// What an entry says of the care of a device, if it says anything.
#[expect(clippy::wildcard_enum_match_arm, reason = "all other kinds say nothing of it")]
pub(super) fn remembered_care(entry: &JournalEntry) -> Option<RememberedCare> {
    let word = |name| entry.detail.get(name).and_then(serde_json::Value::as_str);
    let told = match EventKind::from_word(&entry.kind)? {
        EventKind::FunctionCheckBegun => CareTold::Begun {
            by: Who { user: entry.user.clone()?, name: entry.name.clone() },
            since: word("since").and_then(|since| since.parse().ok()),
            until: word("until")?.parse().ok()?,
            purpose: word("purpose").unwrap_or_default().to_owned(),
        },
        EventKind::FunctionCheckEnded => CareTold::Ended { by_deadline: word("by").is_some() },
        EventKind::CalibrationRecorded => CareTold::Recorded(Box::new(recorded(entry)?)),
        EventKind::SensorChanged => CareTold::Fitted(Box::new(fitted(entry)?)),
        _ => return None,
    };
    Some(RememberedCare { device: entry.subject.clone(), at: entry.time, told })
}

/// The sensor that an entry tells of.
fn fitted(entry: &JournalEntry) -> Option<Fitted> {
    let word = |name| entry.detail.get(name).and_then(serde_json::Value::as_str);
    let time = |name| word(name).and_then(|time| time.parse().ok());
    let open_s = entry.detail.get("open_to_air_s").and_then(serde_json::Value::as_f64);
    Some(Fitted {
        serial: word("serial")?.to_owned(),
        since: time("since").unwrap_or(entry.time),
        at: entry.time,
        by: Who { user: entry.user.clone()?, name: entry.name.clone() },
        open_to_air: open_s.and_then(|seconds| Duration::try_from_secs_f64(seconds).ok()),
        settles_until: time("until"),
    })
}

/// The reading against calibration gas that an entry tells of.
fn recorded(entry: &JournalEntry) -> Option<Recorded> {
    let word = |name| entry.detail.get(name).and_then(serde_json::Value::as_str);
    let number = |name| entry.detail.get(name).and_then(serde_json::Value::as_f64);
    Some(Recorded {
        signal: word("signal")?.to_owned(),
        point: Point::ALL.into_iter().find(|point| Some(point.word()) == word("point"))?,
        stage: Stage::ALL.into_iter().find(|stage| Some(stage.word()) == word("stage"))?,
        at: entry.time,
        session: word("session").and_then(|since| since.parse().ok()),
        by: Who { user: entry.user.clone()?, name: entry.name.clone() },
        standard: number("standard")?,
        standard_id: word("standard_id")?.to_owned(),
        expires: word("expires").and_then(|day| day.parse().ok()),
        reading: number("reading")?,
        error_pct: number("error_pct")?,
        tolerance_pct: number("tolerance_pct")?,
        drift_pct: number("drift_pct"),
        doubts: entry.detail.get("doubts").map_or_else(Vec::new, doubts),
    })
}

fn doubts(words: &serde_json::Value) -> Vec<Doubt> {
    let words = words.as_array().into_iter().flatten();
    words.filter_map(|word| Doubt::from_word(word.as_str()?)).collect()
}

/// What an entry says of an alarm's state, if it says anything.
pub(super) fn remembered(entry: &JournalEntry) -> Option<Remembered> {
    let kind = EventKind::from_word(&entry.kind)?;
    let life = Life::from_word(entry.detail.get("state")?.as_str()?)?;
    let until = entry.detail.get("until").and_then(|until| until.as_str()?.parse().ok());
    let flag = |name| entry.detail.get(name).and_then(serde_json::Value::as_bool).unwrap_or(false);
    let (first_out, one_shot) = (flag("first_out"), flag(ONE_SHOT_DETAIL));
    let remark = entry.detail.get("remark").and_then(|remark| remark.as_str().map(str::to_owned));
    let who = entry.user.clone().map(|user| Who { user, name: entry.name.clone() });
    let decision = who.map(|who| Decision { who, remark });
    let (alarm, at) = (entry.subject.clone(), entry.time);
    Some(Remembered { kind, alarm, at, life, until, one_shot, first_out, decision })
}
