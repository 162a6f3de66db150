//! What the journal tells of a span: read once from its first entry on, and proven on the way.
//!
//! From the beginning, since an alarm that is active now may have been raised long ago. What was
//! changed in the journal is not told: reading ends where its chain is broken, and the report says so.

use std::path::Path;

use serde::Serialize;

use crate::history::chain::parse_entry;
use crate::history::{
    Head, JournalEntry, ReadError, SETTINGS_DETAIL, Stopped, Verified, VerifyError, verify_each,
};
use crate::moment::Wall;
use crate::monitor::EventKind;
use crate::period::Bounds;
use crate::report::alarms::Spell;
use crate::view::{Entry, Instant};

/// The proof of the journal that the report was made from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Chain {
    /// Whether every entry is as it was recorded.
    pub is_whole: bool,
    /// How many entries are, from the first one on.
    pub entries: u64,
    /// The hash of the last of them: noted elsewhere, it shows later that nothing before it was changed.
    pub head: String,
    /// What is wrong with the next one, when it is not whole.
    pub broken: Option<String>,
}

/// A site file that was in force.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InForce {
    /// SHA-256 of the site file and its profiles.
    pub sha256: String,
    /// Since when.
    pub since: Instant,
}

/// What the journal tells.
#[derive(Debug)]
pub struct Journal {
    /// Its proof.
    pub chain: Chain,
    /// When alarms were active, from the first on record on.
    pub spells: Vec<Spell>,
    /// What happened in the span. The settings of a start are left out.
    pub events: Vec<Entry>,
    /// The site files in force in the span.
    pub in_force: Vec<InForce>,
    /// When the daemon ended in good order.
    pub stops: Vec<Wall>,
    /// When it ended otherwise: what it recorded last in the journal, and when it was started anew.
    pub cut_off: Vec<CutOff>,
}

/// An end of the daemon of which the journal does not tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CutOff {
    /// The last event before it.
    pub last_event: Wall,
    /// The start after it; `None` when there was none: it may be running still.
    pub started: Option<Wall>,
}

impl Journal {
    /// What the journal in the directory `data` tells of the span.
    pub fn read(data: &Path, bounds: Bounds) -> Result<Journal, ReadError> {
        let mut reading = Reading::new(bounds);
        let mut last = Head::default();
        let proven = verify_each(data, None, &mut |text, hash| {
            let entry = parse_entry(text, hash.to_owned()).map_err(std::io::Error::other)?;
            last = Head { seq: entry.seq, hash: entry.hash.clone() };
            reading.take(entry);
            Ok(())
        });
        let broken = match proven {
            Ok(Verified { .. }) => None,
            Err(Stopped::Not(VerifyError::Broken { seq, what })) => Some(format!("entry {seq}: {what}")),
            Err(Stopped::Not(VerifyError::Unreadable(error))) => return Err(error),
            // It was parsed before it was handed out.
            Err(Stopped::ByTaker(error)) => Some(error.to_string()),
        };
        let Head { seq: entries, hash: head } = last;
        let chain = Chain { is_whole: broken.is_none(), entries, head, broken };
        Ok(reading.finish(chain))
    }
}

/// The journal read so far.
struct Reading {
    bounds: Bounds,
    spells: Vec<Spell>,
    events: Vec<Entry>,
    in_force: Vec<InForce>,
    stops: Vec<Wall>,
    cut_off: Vec<CutOff>,
    /// The last event of a daemon that has not told of its end.
    running: Option<Wall>,
}

impl Reading {
    fn new(bounds: Bounds) -> Self {
        Reading {
            bounds,
            spells: Vec::new(),
            events: Vec::new(),
            in_force: Vec::new(),
            stops: Vec::new(),
            cut_off: Vec::new(),
            running: None,
        }
    }

    fn take(&mut self, entry: JournalEntry) {
        let kind = EventKind::from_word(&entry.kind);
        if kind == Some(EventKind::Started)
            && let Some(last_event) = self.running
        {
            self.cut_off.push(CutOff { last_event, started: Some(entry.time) });
        }
        if kind == Some(EventKind::Stopped) {
            self.stops.push(entry.time);
        }
        self.running = (kind != Some(EventKind::Stopped)).then_some(entry.time);
        if matches!(kind, Some(EventKind::Started | EventKind::Reloaded)) {
            self.take_settings(&entry);
        }
        if let Some(kind) = kind {
            Spell::note(&mut self.spells, kind, &entry);
        }
        if self.bounds.contain(entry.time) {
            let mut event = Entry::from(entry);
            event.detail.remove(SETTINGS_DETAIL);
            self.events.push(event);
        }
    }

    fn take_settings(&mut self, entry: &JournalEntry) {
        let Some(sha256) = entry.detail.get("site_sha256").and_then(serde_json::Value::as_str) else {
            return;
        };
        if entry.time >= self.bounds.end {
            return;
        }
        if entry.time <= self.bounds.start {
            self.in_force.clear();
        }
        if self.in_force.last().is_none_or(|last| last.sha256 != sha256) {
            self.in_force.push(InForce { sha256: sha256.to_owned(), since: entry.time.into() });
        }
    }

    fn finish(mut self, chain: Chain) -> Journal {
        self.cut_off.extend(self.running.map(|last_event| CutOff { last_event, started: None }));
        let Reading { spells, events, in_force, stops, cut_off, .. } = self;
        Journal { chain, spells, events, in_force, stops, cut_off }
    }
}
