//! Clock hours and gas days: where a time of the calendar begins and ends.
//!
//! A gas day begins at the same time of the wall clock each day and is named by the date of its
//! beginning; it has 23 or 25 hours when the clocks change meanwhile (tariffs say 9:00 a.m. Central
//! Clock Time). A clock hour begins with each full hour of universal time, which is one of local time
//! wherever the zone's offset is whole hours.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, ToSpan};

use crate::moment::Wall;

/// A time of the calendar that repeats.
#[derive(Debug, Clone, PartialEq)]
pub enum Period {
    /// Each full hour.
    ClockHour,
    /// Each gas day.
    GasDay {
        /// The zone in which it begins at `start`.
        zone: TimeZone,
        /// When it begins.
        start: Time,
    },
}

/// From its beginning up to, but not including, its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    /// When it begins.
    pub start: Wall,
    /// When the next one begins.
    pub end: Wall,
}

impl Bounds {
    /// Whether `at` lies within.
    pub fn contain(&self, at: Wall) -> bool {
        (self.start..self.end).contains(&at)
    }

    /// Its length in seconds.
    pub fn seconds(&self) -> f64 {
        self.end.duration_since(self.start).as_secs_f64()
    }
}

const HOUR_S: i64 = 3600;

impl Period {
    /// The one in which `at` lies. At the ends of representable time, thousands of years away, it is
    /// cut short.
    pub fn containing(&self, at: Wall) -> Bounds {
        match self {
            Period::ClockHour => {
                let start_s = at.as_second().div_euclid(HOUR_S) * HOUR_S;
                let start = Wall::from_second(start_s).unwrap_or(Wall::MIN);
                let end = start.checked_add(SignedDuration::from_secs(HOUR_S)).unwrap_or(Wall::MAX);
                Bounds { start, end }
            }
            Period::GasDay { zone, start } => gas_day(zone, *start, gas_date(zone, *start, at)),
        }
    }
}

/// The gas day that is named by `date`. Where the zone skips that date it is empty.
pub fn gas_day(zone: &TimeZone, start: Time, date: Date) -> Bounds {
    let next = date.checked_add(1.day()).unwrap_or(Date::MAX);
    Bounds { start: beginning(zone, start, date), end: beginning(zone, start, next) }
}

/// The date by which the gas day in which `at` lies is named.
pub fn gas_date(zone: &TimeZone, start: Time, at: Wall) -> Date {
    let date = zone.to_datetime(at).date();
    if at < beginning(zone, start, date) { date.checked_sub(1.day()).unwrap_or(Date::MIN) } else { date }
}

/// When the gas day of `date` begins. A beginning that the clocks skip is taken after the gap, one
/// that they show twice is taken the first time.
fn beginning(zone: &TimeZone, start: Time, date: Date) -> Wall {
    zone.to_timestamp(date.to_datetime(start)).unwrap_or(Wall::MAX)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;

    fn chicago() -> Period {
        Period::GasDay {
            zone: TimeZone::get("America/Chicago").unwrap(),
            start: jiff::civil::time(9, 0, 0, 0),
        }
    }

    fn hours(at: &str) -> f64 {
        chicago().containing(at.parse().unwrap()).seconds() / 3600.0
    }

    /// Boundaries computed with Python zoneinfo (tzdata 2026) for America/Chicago, 9:00 a.m. start.
    #[test]
    fn a_gas_day_begins_at_nine_by_the_clock_of_its_zone() {
        let Period::GasDay { zone, start } = chicago() else { unreachable!() };
        for (at, date) in [
            ("2026-01-15T14:59:59Z", "2026-01-14"),
            ("2026-01-15T15:00:00Z", "2026-01-15"),
            ("2026-07-01T13:59:59Z", "2026-06-30"),
            ("2026-07-01T14:00:00Z", "2026-07-01"),
            ("2026-03-08T13:59:59Z", "2026-03-07"),
            ("2026-03-08T14:00:00Z", "2026-03-08"),
            ("2026-11-01T14:59:59Z", "2026-10-31"),
            ("2026-11-01T15:00:00Z", "2026-11-01"),
        ] {
            assert_eq!(gas_date(&zone, start, at.parse().unwrap()).to_string(), date, "{at}");
        }
    }

    #[test]
    fn a_gas_day_has_23_or_25_hours_when_the_clocks_change() {
        for (at, expected) in [
            ("2026-03-07T20:00:00Z", 23.0),
            ("2026-10-31T20:00:00Z", 25.0),
            ("2027-03-13T20:00:00Z", 23.0),
            ("2027-11-06T20:00:00Z", 25.0),
            ("2028-03-11T20:00:00Z", 23.0),
            ("2028-11-04T20:00:00Z", 25.0),
            ("2026-06-01T20:00:00Z", 24.0),
        ] {
            assert_eq!(hours(at), expected, "{at}");
        }
    }

    #[test]
    fn a_clock_hour_contains_its_beginning_and_not_its_end() {
        let hour = Period::ClockHour.containing("2026-06-01T20:59:59.999Z".parse().unwrap());
        assert_eq!(hour.start.to_string(), "2026-06-01T20:00:00Z");
        assert!(hour.contain(hour.start) && !hour.contain(hour.end));
    }
}
