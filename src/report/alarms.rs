//! Alarms as the journal tells of them, and what the samples say of each exceedance: since when the
//! value was beyond the setpoint, until when, how far, and on average.
//!
//! An alarm is raised after its delay and cleared after another, at the far side of its deadband. An
//! exceedance of a high or low alarm begins and ends with the value itself, to the sample.

use std::time::Duration;

use jiff::SignedDuration;
use serde::Serialize;

use crate::alarm::{AlarmSpec, Kind};
use crate::config::Site;
use crate::history::{Counted, Holds, JournalEntry, KeptSample, ReadError, SampleReader};
use crate::moment::Wall;
use crate::monitor::EventKind;
use crate::period::Bounds;
use crate::report::figures::counted;
use crate::signal::{Reason, Value};
use crate::view::{Elapsed, Instant};

/// How far before an alarm was raised its exceedance is looked for.
pub const LOOK_BACK_HOURS_MAX: i64 = 24;

/// A time in which an alarm was active, as the journal tells of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Spell {
    alarm: String,
    raised: Wall,
    cleared: Option<Wall>,
    kind: Option<String>,
    priority: Option<String>,
    setpoint: Option<f64>,
    withheld: Option<String>,
    acknowledged: Option<(Wall, Option<String>)>,
}

/// An alarm that was active in the span.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlarmTold {
    /// Its id.
    pub alarm: String,
    /// What a person calls it; `None` when the site file no longer has it.
    pub name: Option<String>,
    /// The signal it watches.
    pub signal: Option<String>,
    /// The unit of that signal.
    pub unit: Option<String>,
    /// What it watches for, as it was when it was raised.
    pub kind: Option<String>,
    /// Its priority then.
    pub priority: Option<String>,
    /// Its setpoint then.
    pub setpoint: Option<f64>,
    /// When it was raised, which may have been before the span.
    pub raised: Instant,
    /// When it was cleared; `None` when it still was active at the end of the span.
    pub cleared: Option<Instant>,
    /// For how long it was active, up to the end of the span.
    pub active_s: Elapsed,
    /// When it was acknowledged, if it was by the end of the span.
    pub acknowledged: Option<Instant>,
    /// Who did.
    pub acknowledged_by: Option<String>,
    /// Why it called nobody when it was raised: `shelved`, `suppressed`, `out_of_service`.
    pub withheld: Option<String>,
    /// What the samples say, of an alarm with a setpoint on a signal that the site still has.
    pub exceedance: Option<Exceedance>,
}

/// What the samples say of an exceedance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exceedance {
    /// Of a high or low alarm since when the value was beyond the setpoint without a break, of another
    /// when it was raised.
    pub from: Instant,
    /// Of a high or low alarm when the value last was beyond the setpoint, of another when it was
    /// cleared; the end of the span when the alarm still was active.
    pub to: Instant,
    /// The time between, beyond the setpoint or not, measured or not.
    pub lasted_s: Elapsed,
    /// Of a high or low alarm, for how long between the value was beyond the setpoint.
    pub beyond_s: Option<Elapsed>,
    /// The greatest value; of an alarm on low values the least.
    pub peak: Option<f64>,
    /// The time-weighted mean over the measured time.
    pub mean: Option<f64>,
    /// For how long between there was a measurement.
    pub measured_s: Elapsed,
}

impl Spell {
    /// Takes in what an event says of alarms.
    pub fn note(spells: &mut Vec<Spell>, kind: EventKind, entry: &JournalEntry) {
        let text = |name: &str| entry.detail.get(name).and_then(|value| value.as_str()).map(str::to_owned);
        if kind == EventKind::AlarmRaised {
            spells.push(Spell {
                alarm: entry.subject.clone(),
                raised: entry.time,
                cleared: None,
                kind: text("kind"),
                priority: text("priority"),
                setpoint: entry.detail.get("setpoint").and_then(serde_json::Value::as_f64),
                withheld: text("withheld"),
                acknowledged: None,
            });
            return;
        }
        let Some(spell) = spells.iter_mut().rev().find(|spell| spell.alarm == entry.subject) else { return };
        if matches!(kind, EventKind::AlarmCleared | EventKind::AlarmRemoved) {
            spell.cleared.get_or_insert(entry.time);
        } else if kind == EventKind::AlarmAcknowledged && spell.acknowledged.is_none() {
            let who = crate::view::words::event_who_text(&entry.clone().into());
            spell.acknowledged = Some((entry.time, who));
        }
    }

    fn touches(&self, bounds: Bounds) -> bool {
        self.raised < bounds.end && self.cleared.is_none_or(|cleared| cleared > bounds.start)
    }
}

/// The alarms that were active in the span, in the order in which they were raised.
pub fn told(
    spells: Vec<Spell>,
    site: &Site,
    bounds: Bounds,
    samples: &SampleReader,
) -> Result<Vec<AlarmTold>, ReadError> {
    let touching = spells.into_iter().filter(|spell| spell.touches(bounds));
    touching.map(|spell| tell(spell, site, bounds, samples)).collect()
}

fn tell(spell: Spell, site: &Site, bounds: Bounds, samples: &SampleReader) -> Result<AlarmTold, ReadError> {
    let in_span = |at: &Wall| *at < bounds.end;
    let spec = site.alarms.iter().find(|spec| spec.id == spell.alarm);
    let signal = spec.and_then(|spec| spec.signal).and_then(|signal| site.signals.get(signal.0));
    let cleared = spell.cleared.filter(in_span);
    let exceedance = match (spec, signal, spell.setpoint) {
        (Some(spec), Some(signal), Some(setpoint)) if spell.kind.as_deref() == Some(spec.kind.word()) => {
            let asked = Excess { spec, signal: &signal.id, setpoint, samples };
            Some(asked.between(spell.raised, cleared, bounds.end)?)
        }
        _ => None,
    };
    let acknowledged = spell.acknowledged.filter(|(at, _)| in_span(at));
    Ok(AlarmTold {
        name: spec.map(|spec| spec.name.clone()),
        signal: signal.map(|signal| signal.id.clone()),
        unit: signal.and_then(|signal| signal.unit.clone()),
        alarm: spell.alarm,
        kind: spell.kind,
        priority: spell.priority,
        setpoint: spell.setpoint,
        raised: spell.raised.into(),
        cleared: cleared.map(Instant),
        active_s: Elapsed(between(spell.raised, cleared.unwrap_or(bounds.end))),
        acknowledged: acknowledged.as_ref().map(|(at, _)| Instant(*at)),
        acknowledged_by: acknowledged.and_then(|(_, who)| who),
        withheld: spell.withheld,
        exceedance,
    })
}

/// A value that was beyond a setpoint.
struct Excess<'a> {
    spec: &'a AlarmSpec,
    signal: &'a str,
    setpoint: f64,
    samples: &'a SampleReader,
}

impl Excess<'_> {
    fn between(&self, raised: Wall, cleared: Option<Wall>, end: Wall) -> Result<Exceedance, ReadError> {
        let is_of_value = self.spec.kind.value_limit().is_some();
        let hold = self.samples.holds(self.signal)?.unwrap_or_default();
        let hold = &hold;
        let (from, to) = match (is_of_value, cleared) {
            (true, Some(cleared)) => (self.began(raised, hold)?, self.ended(raised, cleared, hold)?),
            (true, None) => (self.began(raised, hold)?, end),
            (false, cleared) => (raised, cleared.unwrap_or(end)),
        };
        let figures = self.samples.figures(self.signal, &[from, to])?;
        let figures = figures.first();
        let beyond = match is_of_value {
            true => Some(self.samples.times(self.signal, &[from, to], self.counted())?.into_iter().sum()),
            false => None,
        };
        let is_low = matches!(self.spec.kind, Kind::Low(_) | Kind::AverageLow(..) | Kind::Fall(..));
        Ok(Exceedance {
            from: from.into(),
            to: to.into(),
            lasted_s: Elapsed(between(from, to)),
            beyond_s: beyond.map(Elapsed),
            peak: figures.and_then(|figures| if is_low { figures.min } else { figures.max }),
            mean: figures.and_then(|figures| figures.mean),
            measured_s: Elapsed(figures.map_or(Duration::ZERO, |figures| figures.measured)),
        })
    }

    fn counted(&self) -> Counted {
        counted(&self.spec.kind, self.setpoint)
    }

    fn is_beyond(&self, sample: &KeptSample) -> bool {
        let value = sample.value.filter(|_| !sample.reasons.contains(Reason::Settling));
        value.and_then(Value::number).is_some_and(|value| self.counted().is(value))
    }

    /// Since when, without a break, the value had been beyond the setpoint when the alarm was raised.
    fn began(&self, raised: Wall, hold: &Holds) -> Result<Wall, ReadError> {
        let mut began = raised;
        for back in 0..LOOK_BACK_HOURS_MAX {
            for sample in self.hour_before(raised, back)?.iter().rev() {
                if !self.is_beyond(sample) || between(sample.time, began) > hold.at(sample.time) {
                    return Ok(began);
                }
                began = sample.time;
            }
        }
        Ok(began)
    }

    /// Until when the value was beyond the setpoint before the alarm was cleared.
    fn ended(&self, raised: Wall, cleared: Wall, hold: &Holds) -> Result<Wall, ReadError> {
        let mut next = cleared;
        for back in 0.. {
            for sample in self.hour_before(cleared, back)?.iter().rev() {
                if self.is_beyond(sample) {
                    return Ok(next.min(later(sample.time, hold.at(sample.time))));
                }
                next = sample.time;
            }
            if hours_before(cleared, back + 1) <= raised {
                break;
            }
        }
        Ok(cleared)
    }

    /// The samples of an hour that ends so many hours before a time, which belongs to the latest one.
    fn hour_before(&self, at: Wall, back: i64) -> Result<Vec<KeptSample>, ReadError> {
        let after = |at: Wall| later(at, Duration::from_millis(1));
        let (from, to) = (after(hours_before(at, back + 1)), after(hours_before(at, back)));
        self.samples.samples(self.signal, from, to)
    }
}

fn hours_before(at: Wall, hours: i64) -> Wall {
    at.checked_sub(SignedDuration::from_hours(hours)).unwrap_or(Wall::MIN)
}

fn later(at: Wall, by: Duration) -> Wall {
    at.checked_add(by).unwrap_or(Wall::MAX)
}

/// The time between two, which is none when they are the other way round.
fn between(from: Wall, to: Wall) -> Duration {
    Duration::try_from(to.duration_since(from)).unwrap_or(Duration::ZERO)
}
