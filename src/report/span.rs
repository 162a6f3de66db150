//! The time a report tells of: whole gas days, or from one time to another, cut into gas days and hours.
//!
//! Hours are counted from the beginning of each gas day. Where the zone's offset is whole hours and gas
//! days begin on the hour they are clock hours. A gas day has 23 or 25 of them when the clocks change,
//! and a last one that is shorter where they change by less than an hour.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, ToSpan};

use crate::moment::Wall;
use crate::period::{Bounds, gas_date, gas_day};

/// The most gas days that one report tells of: a year, and what is left over at its ends.
pub const GAS_DAYS_MAX: usize = 400;

const HOUR: SignedDuration = SignedDuration::from_hours(1);

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asked {
    /// The last gas day that is over.
    LastGasDay,
    /// The gas day of this date.
    GasDay(Date),
    /// The gas days dated in this month, given by its first day.
    Month(Date),
    /// From one time to another.
    Between(Wall, Wall),
}

/// The time a report tells of.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// What it is called.
    pub title: String,
    /// Its beginning and its end, or now when that is earlier.
    pub bounds: Bounds,
    /// Whether all of it lies in the past.
    pub is_over: bool,
    /// The gas days in it, the first and the last one cut at its ends.
    pub gas_days: Vec<GasDay>,
}

/// A gas day, or the part of it that a report tells of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GasDay {
    /// The date by which it is named: that of its beginning.
    pub date: Date,
    /// What is told of it.
    pub bounds: Bounds,
    /// When it began, told of or not.
    began: Wall,
}

/// Why there is nothing to tell.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SpanError {
    /// It ends before it begins.
    #[error("a report from {from} to {to} has no time in it: --from must be earlier than --to")]
    Empty {
        /// Its beginning.
        from: Wall,
        /// Its end.
        to: Wall,
    },
    /// It lies ahead.
    #[error("{title} begins at {from}, and it is {now} now: there is nothing to tell yet")]
    Ahead {
        /// What it is called.
        title: String,
        /// Its beginning.
        from: Wall,
        /// Now.
        now: Wall,
    },
    /// It is too long.
    #[error("{0} gas days are too many for one report: ask for at most {GAS_DAYS_MAX}")]
    TooLong(usize),
}

impl Span {
    /// The time that is asked for, at a site whose gas days begin at `start` in `zone`.
    pub fn of(asked: Asked, zone: &TimeZone, start: Time, now: Wall) -> Result<Span, SpanError> {
        let (title, bounds) = match asked {
            Asked::LastGasDay => {
                let yesterday = gas_date(zone, start, now).checked_sub(1.day()).unwrap_or(Date::MIN);
                (gas_day_title(yesterday), gas_day(zone, start, yesterday))
            }
            Asked::GasDay(date) => (gas_day_title(date), gas_day(zone, start, date)),
            Asked::Month(first) => {
                let begin = gas_day(zone, start, first.first_of_month()).start;
                let end = gas_day(zone, start, first.last_of_month()).end;
                (format!("gas days of {}", first.strftime("%B %Y")), Bounds { start: begin, end })
            }
            Asked::Between(from, to) => {
                let [begin, end] =
                    [from, to].map(|at| zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string());
                (format!("{begin} to {end}"), Bounds { start: from, end: to })
            }
        };
        // The record is kept to the millisecond, and so is what is told of it.
        let [from, to, now] = [bounds.start, bounds.end, now].map(to_the_millisecond);
        if from >= to {
            return Err(SpanError::Empty { from, to });
        }
        if from >= now {
            return Err(SpanError::Ahead { title, from, now });
        }
        let bounds = Bounds { start: from, end: to.min(now) };
        let gas_days = gas_days(bounds, zone, start)?;
        Ok(Span { title, bounds, is_over: to <= now, gas_days })
    }

    /// Where its hours begin, and where the last one ends.
    pub fn hour_edges(&self) -> Vec<Wall> {
        let mut edges = vec![self.bounds.start];
        for day in &self.gas_days {
            let mut edge = day.began;
            while let Some(next) = edge.checked_add(HOUR).ok().filter(|next| *next < day.bounds.end) {
                if next > day.bounds.start {
                    edges.push(next);
                }
                edge = next;
            }
            edges.push(day.bounds.end);
        }
        edges
    }

    /// Where its gas days begin, and where the last one ends.
    pub fn day_edges(&self) -> Vec<Wall> {
        let ends = self.gas_days.iter().map(|day| day.bounds.end);
        [self.bounds.start].into_iter().chain(ends).collect()
    }
}

fn to_the_millisecond(at: Wall) -> Wall {
    Wall::from_millisecond(at.as_millisecond()).unwrap_or(at)
}

fn gas_day_title(date: Date) -> String {
    format!("gas day {date}")
}

fn gas_days(bounds: Bounds, zone: &TimeZone, start: Time) -> Result<Vec<GasDay>, SpanError> {
    let mut date = gas_date(zone, start, bounds.start);
    let last = gas_date(zone, start, bounds.end);
    let days = usize::try_from(last.duration_since(date).as_hours() / 24).unwrap_or(usize::MAX);
    if days > GAS_DAYS_MAX {
        return Err(SpanError::TooLong(days));
    }
    let mut gas_days = Vec::new();
    while date <= last {
        let whole = gas_day(zone, start, date);
        let told = Bounds { start: whole.start.max(bounds.start), end: whole.end.min(bounds.end) };
        if told.start < told.end {
            gas_days.push(GasDay { date, bounds: told, began: whole.start });
        }
        let Ok(next) = date.tomorrow() else { break };
        date = next;
    }
    Ok(gas_days)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn chicago(asked: Asked, now: &str) -> Result<Span, SpanError> {
        let zone = TimeZone::get("America/Chicago").unwrap();
        Span::of(asked, &zone, jiff::civil::time(9, 0, 0, 0), now.parse().unwrap())
    }

    const LATER: &str = "2030-01-01T00:00:00Z";

    /// Lengths computed with Python zoneinfo for America/Chicago.
    #[test]
    fn a_gas_day_has_as_many_hours_as_the_clocks_give_it() {
        for (date, hours) in [("2026-03-07", 23), ("2026-10-31", 25), ("2026-06-01", 24)] {
            let span = chicago(Asked::GasDay(date.parse().unwrap()), LATER).unwrap();
            let edges = span.hour_edges();
            assert_eq!(edges.len(), hours + 1, "{date}");
            assert!(edges.windows(2).all(|pair| pair[1].duration_since(pair[0]) == HOUR));
            assert_eq!((edges[0], *edges.last().unwrap()), (span.bounds.start, span.bounds.end));
        }
    }

    #[test]
    fn a_month_is_the_gas_days_that_are_dated_in_it() {
        let span = chicago(Asked::Month("2026-03-01".parse().unwrap()), LATER).unwrap();
        assert_eq!(span.bounds.start.to_string(), "2026-03-01T15:00:00Z");
        assert_eq!(span.bounds.end.to_string(), "2026-04-01T14:00:00Z");
        assert_eq!((span.gas_days.len(), span.hour_edges().len()), (31, 31 * 24 - 1 + 1));
        assert_eq!(span.day_edges().len(), 32);
    }

    #[test]
    fn a_time_of_its_own_is_cut_at_its_ends_and_keeps_the_hours_of_the_gas_day() {
        let ends = ["2026-03-07T20:30:00Z", "2026-03-08T14:10:00Z"].map(|text| text.parse().unwrap());
        let span = chicago(Asked::Between(ends[0], ends[1]), LATER).unwrap();
        let dates: Vec<String> = span.gas_days.iter().map(|day| day.date.to_string()).collect();
        assert_eq!(dates, ["2026-03-07", "2026-03-08"]);
        let edges: Vec<String> = span.hour_edges().iter().map(Wall::to_string).collect();
        assert_eq!(edges[..2], ["2026-03-07T20:30:00Z", "2026-03-07T21:00:00Z"]);
        assert_eq!(edges[edges.len() - 2..], ["2026-03-08T14:00:00Z", "2026-03-08T14:10:00Z"]);
    }

    #[test]
    fn the_last_gas_day_is_the_one_that_ended_last() {
        let span = chicago(Asked::LastGasDay, "2026-03-08T13:59:59Z").unwrap();
        assert_eq!((span.title.as_str(), span.is_over), ("gas day 2026-03-06", true));
        let span = chicago(Asked::LastGasDay, "2026-03-08T14:00:00Z").unwrap();
        assert_eq!(span.title, "gas day 2026-03-07");
    }

    #[test]
    fn a_gas_day_that_goes_on_is_told_up_to_now() {
        let span = chicago(Asked::GasDay("2026-06-01".parse().unwrap()), "2026-06-01T15:30:00Z").unwrap();
        assert!(!span.is_over);
        assert_eq!(span.bounds.seconds(), 5_400.0);
        assert_eq!(span.hour_edges().len(), 3);
    }

    #[test]
    fn a_time_is_told_to_the_millisecond_as_the_record_is() {
        let ends = ["2026-03-07T20:30:00.000999Z", "2026-03-07T21:30:00Z"].map(|text| text.parse().unwrap());
        let span = chicago(Asked::Between(ends[0], ends[1]), "2026-03-07T21:00:00.1239Z").unwrap();
        let Bounds { start, end } = span.bounds;
        assert_eq!(
            [start, end].map(|at| at.to_string()),
            ["2026-03-07T20:30:00Z", "2026-03-07T21:00:00.123Z"]
        );
    }

    #[test]
    fn what_cannot_be_told_is_refused() {
        let [early, late]: [Wall; 2] =
            ["1950-01-01T00:00:00Z", "2026-01-01T00:00:00Z"].map(|t| t.parse().unwrap());
        assert!(matches!(chicago(Asked::Between(late, early), LATER), Err(SpanError::Empty { .. })));
        assert!(matches!(chicago(Asked::Between(early, late), LATER), Err(SpanError::TooLong(27_759))));
        let ahead = chicago(Asked::GasDay("2026-06-01".parse().unwrap()), "2026-06-01T13:59:59Z");
        assert!(matches!(ahead, Err(SpanError::Ahead { .. })), "{ahead:?}");
    }

    /// Lord Howe Island turns its clocks by half an hour.
    #[test]
    fn where_the_clocks_change_by_half_an_hour_the_last_hour_is_half_as_long() {
        let zone = TimeZone::get("Australia/Lord_Howe").unwrap();
        let start = jiff::civil::time(9, 0, 0, 0);
        let day = Asked::GasDay("2026-10-03".parse().unwrap());
        let edges = Span::of(day, &zone, start, LATER.parse().unwrap()).unwrap().hour_edges();
        assert_eq!(edges.len(), 25);
        assert_eq!(edges[24].duration_since(edges[23]), SignedDuration::from_mins(30));
    }
}
