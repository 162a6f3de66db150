//! One case: from when to when an alarm was active, and what of the record speaks of it.
//!
//! Settings are those in force then, as the journal has them, not those of today's site file.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde_json::{Value, json};

use crate::cli::CliError;
use crate::history::{
    Bucket, Holds, JournalEntry, JournalReader, ReadError, SETTINGS_DETAIL, SampleReader,
    settings_from_detail,
};
use crate::moment::Wall;
use crate::monitor::EventKind;
use crate::signal::{Reason, device_id};
use crate::view::Instant;

/// Entries that the cover page tells; the journal extract has all of them.
pub const TOLD_MAX: usize = 200;

/// What is younger may not be on the disk yet: `flush_every` is a minute at most, and a minute is written
/// two seconds after it is over.
const BEING_WRITTEN: Duration = Duration::from_secs(5 * 60);

/// One time that an alarm was active.
#[derive(Debug, Clone, PartialEq)]
pub struct Episode {
    /// When it was raised.
    pub raised: Wall,
    /// When its condition was gone; `None` when it is still active.
    pub cleared: Option<Wall>,
    /// The setpoint that the entry tells.
    pub setpoint: Option<f64>,
}

/// Every time that one alarm was active.
#[derive(Debug)]
pub struct Episodes {
    alarm: String,
    all: Vec<Episode>,
    /// Which alarms were ever raised.
    alarms: Vec<String>,
}

impl Episodes {
    /// Those of `alarm` in the journal.
    pub fn of(journal: &JournalReader, alarm: &str) -> Result<Episodes, ReadError> {
        let mut episodes = Episodes { alarm: alarm.to_owned(), all: Vec::new(), alarms: Vec::new() };
        let kinds = [EventKind::AlarmRaised, EventKind::AlarmCleared, EventKind::AlarmRemoved];
        journal.each(&kinds, |entry| episodes.take(entry))?;
        Ok(episodes)
    }

    fn take(&mut self, entry: &JournalEntry) {
        let raised = entry.kind == EventKind::AlarmRaised.word();
        if raised && !self.alarms.contains(&entry.subject) {
            self.alarms.push(entry.subject.clone());
        }
        if entry.subject != self.alarm {
            return;
        }
        let open = self.all.last_mut().filter(|episode| episode.cleared.is_none());
        match (raised, open) {
            (false, Some(open)) => open.cleared = Some(entry.time),
            (true, None) => self.all.push(Episode {
                raised: entry.time,
                cleared: None,
                setpoint: entry.detail.get("setpoint").and_then(Value::as_f64),
            }),
            (true, Some(_)) | (false, None) => {}
        }
    }

    /// The one that was active at a time, or the last of all; otherwise which there are nearby.
    pub fn at(&self, at: Option<Wall>) -> Result<Episode, String> {
        let alarm = &self.alarm;
        let Some(last) = self.all.last() else {
            let raised = if self.alarms.is_empty() { "none".to_owned() } else { self.alarms.join(", ") };
            return Err(format!("Alarm {alarm:?} was never raised. On record as raised: {raised}"));
        };
        let Some(at) = at else { return Ok(last.clone()) };
        let covers = |episode: &&Episode| episode.raised <= at && episode.cleared.is_none_or(|end| at <= end);
        if let Some(found) = self.all.iter().rev().find(covers) {
            return Ok(found.clone());
        }
        let before = self.all.iter().rev().find(|episode| episode.raised <= at).and_then(|e| e.cleared);
        let after = self.all.iter().find(|episode| episode.raised > at).map(|episode| episode.raised);
        let tell =
            |what: &str, at: Option<Wall>| at.map(|at| format!("; {what} {at:.3}")).unwrap_or_default();
        let (before, after) = (tell("cleared before at", before), tell("raised after at", after));
        Err(format!("Alarm {alarm} was not active at {at:.3}{before}{after}"))
    }
}

/// The part of the record that goes in.
#[derive(Debug, Clone, Copy)]
pub struct Window {
    /// From when.
    pub from: Wall,
    /// Until when, not included.
    pub to: Wall,
}

impl Window {
    /// So much before and after an episode; nothing of what is still to come.
    pub fn around(
        episode: &Episode,
        before: Duration,
        after: Duration,
        now: Wall,
    ) -> Result<Window, CliError> {
        let beyond = |_| CliError::BadInput("--before and --after reach beyond the calendar".to_owned());
        let from = episode.raised.checked_sub(before).map_err(beyond)?;
        let to = episode.cleared.unwrap_or(now).checked_add(after).map_err(beyond)?.min(now);
        Ok(Window { from, to: to.max(episode.raised) })
    }
}

/// What is known of the signal between raise and clear.
#[derive(Debug, Clone)]
struct Figures {
    least: Option<f64>,
    mean: Option<f64>,
    greatest: Option<f64>,
    coverage: f64,
    /// For how long of the measured time the values were uncertain, and the words of why.
    uncertain: Duration,
    because: BTreeSet<&'static str>,
    holds: Holds,
    above: Option<Duration>,
}

/// What of the record speaks of an episode.
#[derive(Debug)]
pub struct Case {
    /// The alarm's id.
    pub alarm: String,
    /// When it was active.
    pub episode: Episode,
    /// What goes in.
    pub window: Window,
    /// The settings in force when it was raised, and the entry that has them.
    pub settings: BTreeMap<String, String>,
    settings_seq: Option<u64>,
    /// The signals whose samples go in; the alarm's own is the first.
    pub signals: Vec<String>,
    /// Those that were ever recorded.
    pub recorded: Vec<String>,
    own_signal: Option<String>,
    figures: Option<Figures>,
    /// Care of the device: the last of each kind before, and the first after.
    pub care: Vec<JournalEntry>,
    /// What happened in the window, up to [`TOLD_MAX`].
    pub told: Vec<JournalEntry>,
    /// How many entries more lie in the window.
    pub untold: usize,
    /// The first entry of the extract.
    pub first_seq: u64,
}

impl Case {
    /// Reads it.
    pub fn of(
        alarm: &str,
        episode: Episode,
        window: Window,
        more_signals: &[String],
        (journal, samples): (&JournalReader, &SampleReader),
    ) -> Result<Case, ReadError> {
        let recorded = samples.signals()?;
        let mut case = Case {
            alarm: alarm.to_owned(),
            episode,
            window,
            settings: BTreeMap::new(),
            settings_seq: None,
            signals: Vec::new(),
            recorded,
            own_signal: None,
            figures: None,
            care: Vec::new(),
            told: Vec::new(),
            untold: 0,
            first_seq: u64::MAX,
        };
        let starts = [EventKind::Started, EventKind::Reloaded];
        journal.each(&starts, |entry| case.take_settings(entry))?;
        case.own_signal = case.settings.get(&format!("alarm.{alarm}.signal")).cloned();
        case.choose_signals(more_signals);
        case.window.from = case.held_from(samples)?;
        case.window.to = case.on_record_to(samples)?;
        let mut care = Care::default();
        let device = case.device().map(str::to_owned);
        journal.each(&EventKind::ALL, |entry| {
            case.take(entry);
            if device.as_ref() == Some(&entry.subject) {
                care.take(entry, case.episode.raised);
            }
        })?;
        case.care = care.into_entries();
        let spoken_of = case.care.iter().chain(&case.told).map(|entry| entry.seq).chain(case.settings_seq);
        case.first_seq = spoken_of.min().unwrap_or(1);
        case.figures = case.figures(samples)?;
        Ok(case)
    }

    fn take_settings(&mut self, entry: &JournalEntry) {
        let Some(settings) = entry.detail.get(SETTINGS_DETAIL).and_then(settings_from_detail) else { return };
        if self.settings_seq.is_none() || entry.time <= self.episode.raised {
            self.settings = settings;
            self.settings_seq = Some(entry.seq);
        }
    }

    /// The beginning of the window, or when the value was read that still held when the alarm was raised: without
    /// it the figures could not be worked out again.
    fn held_from(&self, samples: &SampleReader) -> Result<Wall, ReadError> {
        let Window { from, .. } = self.window;
        let Some(signal) = &self.own_signal else { return Ok(from) };
        let last = samples.last_before(signal, self.episode.raised)?;
        let Some((last, holds)) = last.zip(samples.holds(signal)?) else { return Ok(from) };
        let held_until = last.time.checked_add(holds.at(last.time)).unwrap_or(Wall::MAX);
        Ok(if held_until > self.episode.raised { from.min(last.time) } else { from })
    }

    /// The end of the window, or of what is on record: samples that come in while the packet is written
    /// must not make its figures differ from its samples.
    fn on_record_to(&self, samples: &SampleReader) -> Result<Wall, ReadError> {
        let Window { from, to } = self.window;
        let settled = Wall::now().checked_sub(BEING_WRITTEN).unwrap_or(from).max(from);
        if to <= settled {
            return Ok(to);
        }
        let mut end = settled.max(self.episode.raised);
        for sample in samples.replay(&self.signals, settled, to)? {
            let after = sample?.1.at.wall.checked_add(Duration::from_millis(1));
            end = end.max(after.unwrap_or(to));
        }
        Ok(end.min(to))
    }

    fn choose_signals(&mut self, more: &[String]) {
        let device = self.device().map(|device| format!("{device}."));
        let belongs = |signal: &&String| device.as_ref().is_none_or(|device| signal.starts_with(device));
        let own = self.own_signal.iter().filter(|signal| self.recorded.contains(signal));
        let mut signals: Vec<String> = own.cloned().collect();
        for signal in self.recorded.iter().filter(belongs).chain(more) {
            if !signals.contains(signal) {
                signals.push(signal.clone());
            }
        }
        self.signals = signals;
    }

    fn take(&mut self, entry: &JournalEntry) {
        if entry.time < self.window.from || entry.time > self.window.to {
            return;
        }
        match self.told.len() < TOLD_MAX {
            true => self.told.push(entry.clone()),
            false => self.untold += 1,
        }
    }

    fn figures(&self, samples: &SampleReader) -> Result<Option<Figures>, ReadError> {
        let Some(signal) = &self.own_signal else { return Ok(None) };
        let Some(holds) = samples.holds(signal)? else { return Ok(None) };
        let (from, to) = (self.episode.raised, self.until());
        let Some(whole) = samples.buckets(signal, from, to, 1)?.pop() else { return Ok(None) };
        let is_high =
            self.settings.get(&format!("alarm.{}.kind", self.alarm)).is_some_and(|kind| kind == "high");
        let above = match self.episode.setpoint.filter(|_| is_high) {
            Some(setpoint) => Some(samples.time_above(signal, from, to, setpoint)?),
            None => None,
        };
        let (mut uncertain, mut because) = (Duration::ZERO, BTreeSet::new());
        samples.lapses(signal, from..to, &[], &samples.doubts(from..to)?, |lapse| {
            if lapse.is_measured {
                uncertain += lapse.to.duration_since(lapse.from).unsigned_abs();
                because.extend(lapse.reasons.iter().flat_map(|reasons| reasons.iter()).map(Reason::word));
            }
        })?;
        let Bucket { min, mean, max, coverage, .. } = whole;
        Ok(Some(Figures { least: min, mean, greatest: max, coverage, uncertain, because, holds, above }))
    }

    /// Until when figures are taken: the clear, or all that goes in.
    pub fn until(&self) -> Wall {
        self.episode.cleared.map_or(self.window.to, |cleared| cleared.min(self.window.to))
    }

    /// The device of the alarm's signal.
    pub fn device(&self) -> Option<&str> {
        self.own_signal.as_deref().map(device_id)
    }

    /// For how long a value was held that was read before a time at which that was changed, and which lies in
    /// what goes in or after it.
    pub fn held_before(&self) -> impl Iterator<Item = (Wall, Duration)> {
        let holds = self.figures.iter().flat_map(|figures| figures.holds.before());
        holds.filter(|(until, _)| *until > self.window.from)
    }

    /// Whether nothing was measured while the alarm was active.
    pub fn samples_missing(&self) -> bool {
        self.own_signal.is_some() && self.figures.as_ref().is_none_or(|figures| figures.greatest.is_none())
    }

    /// One of those asked for that was never recorded.
    pub fn unknown_signal<'a>(&self, asked: &'a [String]) -> Option<&'a String> {
        asked.iter().find(|signal| !self.recorded.contains(signal))
    }

    /// What the packet is called.
    pub fn name(&self) -> String {
        let safe = |c: char| if c.is_ascii_alphanumeric() || c == '-' || c == '.' { c } else { '_' };
        let alarm: String = self.alarm.chars().take(60).map(safe).collect();
        format!("{alarm}-{}", self.episode.raised.strftime("%Y%m%dT%H%M%SZ"))
    }

    /// A setting of the alarm, or the site.
    pub fn setting(&self, path: &str) -> &str {
        self.settings.get(path).map_or("not on record", String::as_str)
    }

    /// The case for programs; [`super::CHECK`] works its figures out again.
    pub fn as_json(&self) -> Value {
        let figures = self.figures.as_ref().map(|figures| {
            let held = |(until, hold): (Wall, Duration)| json!({ "until": Instant(until), "hold_s_max": hold.as_secs_f64() });
            json!({
                "from": Instant(self.episode.raised), "to": Instant(self.until()),
                "least": figures.least, "mean": figures.mean, "greatest": figures.greatest,
                "coverage": figures.coverage, "uncertain_s": figures.uncertain.as_secs_f64(),
                "uncertain_because": figures.because, "hold_s_max": figures.holds.now().as_secs_f64(),
                "held_before": figures.holds.before().map(held).collect::<Vec<_>>(),
                "setpoint": self.episode.setpoint,
                "above_setpoint_s": figures.above.map(|above| above.as_secs_f64()),
            })
        });
        json!({
            "site": self.settings.get("site.id"),
            "alarm": self.alarm,
            "signal": self.own_signal,
            "raised": Instant(self.episode.raised),
            "cleared": self.episode.cleared.map(Instant),
            "window": { "from": Instant(self.window.from), "to": Instant(self.window.to) },
            "signals": self.signals,
            "settings_from_entry": self.settings_seq,
            "care_of_device_entries": self.care.iter().map(|entry| entry.seq).collect::<Vec<_>>(),
            "figures": figures,
        })
    }
}

/// The last entry of each kind of care before a time, and the first after.
#[derive(Debug, Default)]
struct Care {
    before: BTreeMap<String, JournalEntry>,
    after: BTreeMap<String, JournalEntry>,
}

impl Care {
    fn take(&mut self, entry: &JournalEntry, raised: Wall) {
        let kinds = [EventKind::CalibrationRecorded, EventKind::SensorChanged, EventKind::FunctionCheckEnded];
        if !kinds.iter().any(|kind| kind.word() == entry.kind) {
            return;
        }
        if entry.time < raised {
            self.before.insert(entry.kind.clone(), entry.clone());
        } else {
            self.after.entry(entry.kind.clone()).or_insert_with(|| entry.clone());
        }
    }

    fn into_entries(self) -> Vec<JournalEntry> {
        let mut entries: Vec<JournalEntry> =
            self.before.into_values().chain(self.after.into_values()).collect();
        entries.sort_by_key(|entry| entry.seq);
        entries
    }
}
