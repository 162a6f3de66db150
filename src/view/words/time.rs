//! Lengths of time in words, and points in time as the people at the site read them.

use std::time::Duration;

use jiff::tz::TimeZone;

use crate::view::Instant;

const MINUTE_S: u64 = 60;
const HOUR_S: u64 = 60 * MINUTE_S;
const DAY_S: u64 = 24 * HOUR_S;

/// A length of time, to two places: `0 s`, `12 s`, `3 min 20 s`, `2 h 5 min`, `4 d 3 h`.
pub fn duration(duration: Duration) -> String {
    let seconds = duration.as_secs();
    match seconds {
        0..MINUTE_S => format!("{seconds} s"),
        MINUTE_S..HOUR_S => two_places(seconds, MINUTE_S, "min", 1, "s"),
        HOUR_S..DAY_S => two_places(seconds, HOUR_S, "h", MINUTE_S, "min"),
        DAY_S.. => two_places(seconds, DAY_S, "d", HOUR_S, "h"),
    }
}

fn two_places(seconds: u64, great_s: u64, great: &str, small_s: u64, small: &str) -> String {
    match seconds % great_s / small_s {
        0 => format!("{} {great}", seconds / great_s),
        rest => format!("{} {great} {rest} {small}", seconds / great_s),
    }
}

/// The wall-clock time from `then` to `now` in words; nothing when `then` is not earlier, as after
/// the clock has been set back.
pub fn for_how_long(then: Instant, now: Instant) -> Option<String> {
    Duration::try_from(now.0.duration_since(then.0)).ok().map(duration)
}

/// Date and time at the site: `2026-03-02 09:04:05 CST`.
pub fn date_and_time(at: Instant, zone: &TimeZone) -> String {
    told(at, zone, "%Y-%m-%d %H:%M:%S %Z")
}

/// The time at the site, with the date when it is not that of `now`: `09:04:05`.
pub fn clock_time(at: Instant, now: Instant, zone: &TimeZone) -> String {
    let date = |at: Instant| at.0.to_zoned_datetime(zone.clone()).date();
    told(at, zone, if date(at) == date(now) { "%H:%M:%S" } else { "%Y-%m-%d %H:%M:%S" })
}

fn told(at: Instant, zone: &TimeZone, format: &str) -> String {
    at.0.to_zoned_datetime(zone.clone()).strftime(format).to_string()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_length_of_time_is_told_to_two_places() {
        for (seconds, told) in [
            (0, "0 s"),
            (59, "59 s"),
            (60, "1 min"),
            (200, "3 min 20 s"),
            (3_599, "59 min 59 s"),
            (3_600, "1 h"),
            (7_500, "2 h 5 min"),
            (86_399, "23 h 59 min"),
            (86_400, "1 d"),
            (356_400, "4 d 3 h"),
        ] {
            assert_eq!(duration(Duration::from_secs(seconds)), told);
        }
    }

    #[test]
    fn a_point_in_time_is_told_in_the_zone_of_the_site_with_its_name() {
        let zone = TimeZone::get("America/Chicago").unwrap();
        let at = |text: &str| Instant(text.parse().unwrap());
        assert_eq!(date_and_time(at("2026-03-02T15:04:05.120Z"), &zone), "2026-03-02 09:04:05 CST");
        assert_eq!(date_and_time(at("2026-07-02T15:04:05.120Z"), &zone), "2026-07-02 10:04:05 CDT");
        let now = at("2026-03-03T05:59:00Z");
        assert_eq!(clock_time(at("2026-03-02T15:04:05Z"), now, &zone), "09:04:05");
        assert_eq!(clock_time(at("2026-03-02T05:04:05Z"), now, &zone), "2026-03-01 23:04:05");
    }

    #[test]
    fn a_time_that_lies_ahead_has_no_length() {
        let at = |text: &str| Instant(text.parse().unwrap());
        assert_eq!(
            for_how_long(at("2026-03-02T15:00:00Z"), at("2026-03-02T15:00:12Z")).as_deref(),
            Some("12 s")
        );
        assert_eq!(for_how_long(at("2026-03-02T15:00:12Z"), at("2026-03-02T15:00:00Z")), None);
    }
}
