//! The report of a gas day, a month, or any other time: what was measured, how much of the time, what
//! was beyond its limits, and who did what.
//!
//! [`Report::make`] reads journal and history, beside the daemon or without one, and judges nothing
//! anew: figures are those of the record. In reading order: `span` is the time that is told of,
//! `figures` are least, mean and greatest, `availability` is what was not measured, `events` reads the
//! journal, `alarms` joins the two, `notes` says how it was done and what to beware of; `document` puts it in
//! words for people, `page` makes a page to print of that. `docs/report.md` tells people the same.

mod alarms;
mod availability;
mod document;
mod events;
mod figures;
mod notes;
mod page;
mod plot;
mod span;

use std::path::Path;

use jiff::tz::TimeZone;
use serde::Serialize;

use crate::config::Site;
use crate::history::{Holds, JOURNAL_FILE, ReadError, SampleReader};
use crate::moment::Wall;
use crate::period::Bounds;
use crate::signal::SignalIndex;
use crate::view::{Elapsed, Entry, Instant};

pub use alarms::{AlarmTold, Exceedance, LOOK_BACK_HOURS_MAX};
pub use availability::{
    Availability, Doubt, GIVEN_UP, LAPSES_TOLD_MAX, LapseTold, Loss, NOTHING_RECORDED, sentence,
};
pub use document::{Document, EVENTS_SHOWN_MAX, Section, Sheet};
pub use events::{Chain, InForce};
pub use figures::{AverageBeyond, BeyondSetpoint, Figures, HeldBefore, StateTime};
pub use page::html;
pub use plot::Plot;
pub use span::{Asked, GAS_DAYS_MAX, GasDay, Span, SpanError};

/// A report. Its JSON is this.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// The site it is of.
    pub site: SiteTold,
    /// The time it tells of.
    pub span: SpanTold,
    /// When it was made.
    pub made: Instant,
    /// The version of siskin that made it.
    pub version: &'static str,
    /// The proof of the journal it was made from.
    pub journal: Chain,
    /// How its figures come about.
    pub methods: Vec<String>,
    /// What to beware of in this report.
    pub cautions: Vec<String>,
    /// The signals, as the site file has them, then those it has no more.
    pub signals: Vec<SignalTold>,
    /// Alarms that were active in the span, as they were raised.
    pub alarms: Vec<AlarmTold>,
    /// Work on the analyzers: function checks, calibrations, new sensors, remarks.
    pub work: Vec<Entry>,
    /// What people did otherwise.
    pub actions: Vec<Entry>,
    /// What else happened, alarms aside.
    pub happenings: Vec<Entry>,
}

/// The site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SiteTold {
    /// For machines.
    pub id: String,
    /// For people.
    pub name: String,
    /// SHA-256 of the site file that the report was made with.
    pub sha256: String,
    /// The site files that were in force.
    pub in_force: Vec<InForce>,
}

/// The time that is told of.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpanTold {
    /// What it is called.
    pub title: String,
    /// Its beginning.
    pub from: Instant,
    /// Its end.
    pub to: Instant,
    /// Its length.
    pub lasts_s: Elapsed,
    /// Whether all of what was asked for lies in the past.
    pub is_over: bool,
    /// The zone of the site.
    pub time_zone: String,
    /// When a gas day begins there.
    pub gas_day_start: String,
    /// The gas days in it.
    pub gas_days: Vec<GasDayTold>,
}

/// A gas day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct GasDayTold {
    /// The date of its beginning.
    pub date: String,
    /// Since when it is told of.
    pub from: Instant,
    /// Until when.
    pub to: Instant,
    /// How many hours that is.
    pub lasts_s: Elapsed,
}

/// A signal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignalTold {
    /// `device.signal`.
    pub id: String,
    /// Its ISA-5.1 tag.
    pub tag: Option<String>,
    /// What a person calls it.
    pub name: Option<String>,
    /// The unit of every value.
    pub unit: Option<String>,
    /// `number`; `bit`, whose mean is the share of the measured time for which it was true; or `code`, an
    /// integer with named states, whose mean says nothing.
    pub kind: &'static str,
    /// How long a value counts when none follows it; `None` when it was never recorded.
    pub held_for_s: Option<Elapsed>,
    /// What `stale_after` was before, where it was changed: a value counts by what was in force when it was read.
    pub held_before: Vec<HeldBefore>,
    /// The whole span.
    pub whole: Figures,
    /// Each gas day.
    pub days: Vec<Figures>,
    /// Each hour.
    pub hours: Vec<Figures>,
    /// How long it was beyond the setpoints of its high and low alarms.
    pub beyond: Vec<BeyondSetpoint>,
    /// How often its hourly or daily mean was beyond that of an alarm on averages.
    pub averages: Vec<AverageBeyond>,
    /// How long it was in each of its states.
    pub states: Vec<StateTime>,
    /// How much of the time it was measured.
    pub availability: Availability,
}

/// Why there is no report.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The time cannot be told of.
    #[error(transparent)]
    Span(#[from] SpanError),
    /// The record cannot be read.
    #[error(transparent)]
    Unreadable(#[from] ReadError),
    /// A signal that is neither in the site file nor on record.
    #[error("signal {0:?} is neither in the site file nor on record; there are: {1}")]
    NoSuchSignal(String, String),
}

impl Report {
    /// The report of the time that is asked for, from the record in the directory `data`; of these
    /// signals only, when there are any.
    pub fn make(
        asked: Asked,
        signals: &[String],
        site: &Site,
        data: &Path,
        now: Wall,
    ) -> Result<Report, ReportError> {
        let span = Span::of(asked, &site.time_zone, site.gas_day_start, now)?;
        let bounds = span.bounds;
        let samples = SampleReader::kept_open(data);
        let recorded = samples.signals()?;
        let wanted = wanted(signals, site, &recorded)?;
        let journal = events::Journal::read(data, bounds)?;
        let breaks = breaks(&journal, bounds, &recorded, &samples)?;
        let given_up_before = samples.given_up_before()?.filter(|before| *before > bounds.start);
        let doubts = samples.doubts(bounds.start..bounds.end)?;
        let recorded = availability::Recorded { bounds, breaks: &breaks, given_up_before, doubts: &doubts };
        let signals: Vec<SignalTold> = wanted
            .iter()
            .map(|id| tell_signal(id, site, &span, recorded, &samples))
            .collect::<Result<_, _>>()?;
        let mut alarms = alarms::told(journal.spells, site, bounds, &samples)?;
        alarms.retain(|alarm| alarm.signal.as_ref().is_none_or(|signal| wanted.contains(signal)));
        let events = notes::Events::sorted(journal.events);
        let site_told = SiteTold {
            id: site.id.clone(),
            name: site.name.clone(),
            sha256: site.sha256.clone(),
            in_force: journal.in_force,
        };
        let mut report = Report {
            site: site_told,
            span: SpanTold::of(&span, site),
            made: now.into(),
            version: env!("CARGO_PKG_VERSION"),
            journal: journal.chain,
            methods: notes::methods(site),
            cautions: Vec::new(),
            signals,
            alarms,
            work: events.work,
            actions: events.actions,
            happenings: events.happenings,
        };
        report.cautions = notes::cautions(&report, site, given_up_before, &data.join(JOURNAL_FILE));
        Ok(report)
    }

    /// The zone in which its times are told to people.
    pub fn zone(&self) -> TimeZone {
        TimeZone::get(&self.span.time_zone).unwrap_or(TimeZone::UTC)
    }

    /// The alarms on a limit, with what the samples say of them.
    pub fn exceedances(&self) -> impl Iterator<Item = (&AlarmTold, &Exceedance)> {
        self.alarms.iter().filter_map(|alarm| Some((alarm, alarm.exceedance.as_ref()?)))
    }

    /// The other alarms.
    pub fn other_alarms(&self) -> impl Iterator<Item = &AlarmTold> {
        self.alarms.iter().filter(|alarm| alarm.exceedance.is_none())
    }
}

impl SpanTold {
    fn of(span: &Span, site: &Site) -> SpanTold {
        let lasts = |bounds: Bounds| Elapsed(bounds.end.duration_since(bounds.start).unsigned_abs());
        let gas_day = |day: &GasDay| GasDayTold {
            date: day.date.to_string(),
            from: day.bounds.start.into(),
            to: day.bounds.end.into(),
            lasts_s: lasts(day.bounds),
        };
        SpanTold {
            title: span.title.clone(),
            from: span.bounds.start.into(),
            to: span.bounds.end.into(),
            lasts_s: lasts(span.bounds),
            is_over: span.is_over,
            time_zone: site.time_zone.iana_name().unwrap_or("UTC").to_owned(),
            gas_day_start: site.gas_day_start.strftime("%H:%M").to_string(),
            gas_days: span.gas_days.iter().map(gas_day).collect(),
        }
    }
}

/// Those asked for, or else all of the site file and all on record, in that order.
fn wanted(asked: &[String], site: &Site, recorded: &[String]) -> Result<Vec<String>, ReportError> {
    let mut known: Vec<String> = site.signals.iter().map(|signal| signal.id.clone()).collect();
    known.extend(recorded.iter().filter(|id| site.signals.iter().all(|signal| signal.id != **id)).cloned());
    match asked.iter().find(|id| !known.contains(id)) {
        Some(unknown) => Err(ReportError::NoSuchSignal(unknown.clone(), known.join(", "))),
        None if asked.is_empty() => Ok(known),
        None => Ok(asked.to_vec()),
    }
}

/// When recording broke off: at the daemon's end, where it tells of it, and otherwise with whatever it
/// recorded last.
fn breaks(
    journal: &events::Journal,
    bounds: Bounds,
    recorded: &[String],
    samples: &SampleReader,
) -> Result<Vec<Wall>, ReadError> {
    let mut breaks = journal.stops.clone();
    let near = |cut: &&events::CutOff| {
        cut.last_event < bounds.end && cut.started.is_none_or(|started| started > bounds.start)
    };
    for cut in journal.cut_off.iter().filter(near) {
        let mut last = cut.last_event;
        for signal in recorded {
            let sample = samples.last_before(signal, cut.started.unwrap_or(Wall::MAX))?;
            last = last.max(sample.map_or(Wall::MIN, |sample| sample.time));
        }
        breaks.push(last);
    }
    breaks.sort_unstable();
    Ok(breaks)
}

fn tell_signal(
    id: &str,
    site: &Site,
    span: &Span,
    recorded: availability::Recorded<'_>,
    samples: &SampleReader,
) -> Result<SignalTold, ReadError> {
    let index = site.signals.iter().position(|spec| spec.id == id);
    let spec = index.map(|index| &site.signals[index]);
    let hours = figures::hours(id, span, samples)?;
    let days: Vec<Figures> = span.gas_days.iter().map(|day| Figures::over(day.bounds, &hours)).collect();
    let whole = Figures::over(span.bounds, &hours);
    let holds = samples.holds(id)?;
    let (beyond, averages) = match index.map(SignalIndex) {
        Some(index) => (
            figures::beyond_setpoints(index, site, span, samples)?,
            figures::averages_beyond(index, site, &hours, &days),
        ),
        None => (Vec::new(), Vec::new()),
    };
    Ok(SignalTold {
        id: id.to_owned(),
        tag: spec.and_then(|spec| spec.tag.clone()),
        name: spec.and_then(|spec| spec.name.clone()),
        unit: spec.and_then(|spec| spec.unit.clone()),
        kind: spec.map_or("number", figures::kind),
        held_for_s: holds.as_ref().map(|holds| Elapsed(holds.now())),
        held_before: holds.iter().flat_map(Holds::before).map(HeldBefore::from).collect(),
        beyond,
        averages,
        states: spec.map_or(Ok(Vec::new()), |spec| figures::states(spec, span.bounds, samples))?,
        availability: Availability::of(id, whole.measured_s.0, recorded, samples)?,
        whole,
        days,
        hours,
    })
}
