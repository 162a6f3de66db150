//! Points in time as people type them: a date, a time, or how long ago.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::cli::CliError;
use crate::config;
use crate::moment::Wall;

/// How such a point may be typed, for the help of a command.
pub const HOW: &str = "such as 2026-03-02, 2026-03-02T09:00, 2026-03-02T15:00:00Z, or 7d for seven days ago";

/// The point in time that `text` means: with an offset or a `Z` just that, a date or a time without one
/// in `zone`, a duration that long before `now`.
pub fn when(text: &str, zone: &TimeZone, now: Wall) -> Result<Wall, CliError> {
    let absolute = || text.parse::<Wall>().ok();
    let at_the_site = || zone.to_timestamp(text.parse::<DateTime>().ok()?).ok();
    let ago = || now.checked_sub(config::duration(text)?).ok();
    let told = absolute().or_else(at_the_site).or_else(ago);
    told.ok_or_else(|| CliError::BadInput(format!("{text:?} is no point in time {HOW}")))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_point_in_time_may_be_typed_in_several_ways() {
        let now: Wall = "2026-03-09T15:00:00Z".parse().unwrap();
        let zone = TimeZone::get("America/Chicago").unwrap();
        for (text, expected) in [
            ("2026-03-02T15:00:00Z", "2026-03-02T15:00:00Z"),
            ("2026-03-02T09:00:00-06:00", "2026-03-02T15:00:00Z"),
            ("2026-03-02", "2026-03-02T06:00:00Z"),
            ("2026-03-02T09:00", "2026-03-02T15:00:00Z"),
            ("2026-07-02T09:00", "2026-07-02T14:00:00Z"),
            ("7d", "2026-03-02T15:00:00Z"),
            ("90m", "2026-03-09T13:30:00Z"),
        ] {
            assert_eq!(when(text, &zone, now).unwrap().to_string(), expected, "{text}");
        }
        for text in ["", "yesterday", "7", "-7d", "2026-13-01", "99999999y"] {
            assert!(matches!(when(text, &zone, now), Err(CliError::BadInput(_))), "{text}");
        }
    }
}
