//! The machine's clock and disk in words.

use std::time::Duration;

use jiff::tz::TimeZone;

use crate::view::words::{date_and_time, duration};
use crate::view::{Clock, Storage};

const YEAR: Duration = Duration::from_secs(365 * 86_400);

/// What there is to say of the clock, one sentence each; the first is whether it is kept right.
pub fn clock_text(clock: &Clock, zone: &TimeZone) -> Vec<String> {
    let kept = match clock.synchronized {
        Some(true) => "kept right by a time service",
        Some(false) => "not kept right: no time service has set it, or not for long",
        None => "not known whether anything keeps it right",
    };
    let behind = clock.behind_record_until.map(|until| {
        format!("before what was recorded last ({}): it is wrong now or was then", date_and_time(until, zone))
    });
    let stepped = clock.stepped.zip(clock.step_s).map(|(at, step_s)| {
        let way = if step_s < 0.0 { "back" } else { "ahead" };
        format!("set {way} by {} s, to {}", step_s.abs(), date_and_time(at, zone))
    });
    [Some(kept.to_owned()), behind, stepped].into_iter().flatten().collect()
}

/// What the record takes and how long its room lasts, as pairs of what and how much.
pub fn storage_text(storage: &Storage, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let not_yet = || "not known yet".to_owned();
    let a_day = |bytes: Option<f64>| bytes.map_or_else(not_yet, |bytes| format!("{} a day", size(bytes)));
    let history_max = size_of(storage.history_bytes_max);
    let oldest =
        storage.oldest_sample.map(|oldest| format!("; samples since {}", date_and_time(oldest, zone)));
    let reach = storage.samples_reach_back_s.map_or_else(not_yet, |reach| long(reach.0));
    let free = storage.free_bytes.map_or_else(|| "not known".to_owned(), size_of);
    let lasts = storage.lasts_s.map_or_else(String::new, |lasts| format!(", lasts {}", long(lasts.0)));
    let written = match storage.written_bytes {
        None => "not counted by this system".to_owned(),
        Some(bytes) => {
            let over = duration(storage.written_over_s.0);
            let per_day = storage.written_bytes_per_day;
            let per_day = per_day.map_or_else(String::new, |bytes| format!(": {} a day", size(bytes)));
            format!("{} in {over}{per_day}", size_of(bytes))
        }
    };
    vec![
        ("journal", size_of(storage.journal_bytes)),
        (
            "history",
            format!(
                "{} of at most {history_max}{}",
                size_of(storage.history_bytes),
                oldest.unwrap_or_default()
            ),
        ),
        ("reach", format!("{reach}; {} are asked for", long(storage.keep_samples_s.0))),
        ("growth", a_day(storage.growth_bytes_per_day)),
        ("free", format!("{free}{lasts}")),
        ("written", written),
    ]
}

/// Beyond two years, in years.
fn long(time: Duration) -> String {
    if time < 2 * YEAR {
        return duration(time);
    }
    let years = time.as_secs() / YEAR.as_secs();
    if years > 100 { "more than 100 years".to_owned() } else { format!("{years} years") }
}

/// A number of bytes, to three places.
fn size_of(bytes: u64) -> String {
    if bytes == 0 {
        return "0 KiB".to_owned();
    }
    size(f64::from(u32::try_from(bytes >> 10).unwrap_or(u32::MAX)) * 1024.0)
}

fn size(bytes: f64) -> String {
    let mut number = bytes / 1024.0;
    let mut unit = "KiB";
    for next in ["MiB", "GiB", "TiB"] {
        if number < 1000.0 {
            break;
        }
        (number, unit) = (number / 1024.0, next);
    }
    let places = if number < 10.0 { 2 } else { usize::from(number < 100.0) };
    format!("{number:.places$} {unit}")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::view::story::story;

    #[test]
    fn sizes_are_told_to_three_places() {
        for (bytes, told) in [
            (0, "0 KiB"),
            (4_096, "4.00 KiB"),
            (420 << 20, "420 MiB"),
            (8 << 30, "8.00 GiB"),
            (10_400_000, "9.92 MiB"),
        ] {
            assert_eq!(size_of(bytes), told);
        }
    }

    #[test]
    fn a_clock_that_cannot_be_believed_says_why() {
        let told = |clock: Clock| clock_text(&clock, &TimeZone::UTC).join("; ");
        let nobody_says =
            Clock { synchronized: None, stepped: None, step_s: None, behind_record_until: None };
        assert_eq!(told(nobody_says), "not known whether anything keeps it right");
        let snapshot = story();
        let mut clock = Clock::of(snapshot.clock, snapshot.at);
        assert_eq!(
            told(clock),
            "not kept right: no time service has set it, or not for long; set back by 2.5 s, to 2026-03-02 15:01:00 UTC"
        );
        clock.behind_record_until = Some(crate::view::Instant("2026-03-02T16:00:00Z".parse().unwrap()));
        assert!(
            told(clock).contains("before what was recorded last (2026-03-02 16:00:00 UTC)"),
            "{}",
            told(clock)
        );
    }

    #[test]
    fn how_long_the_disk_lasts_is_told_in_years_when_it_is_years() {
        for (days, told) in
            [(3, "3 d"), (800, "2 years"), (365 * 99, "99 years"), (365 * 200, "more than 100 years")]
        {
            assert_eq!(long(Duration::from_secs(days * 86_400)), told);
        }
    }
}
