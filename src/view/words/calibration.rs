//! What was recorded of calibrations, in words.

use jiff::tz::TimeZone;

use crate::calibration::Stage;
use crate::view::words::{date_and_time, number};
use crate::view::{Calibration, Device, Instant};

/// What was recorded, and what it comes to: `zero as found: reads 0.3000 on 0, error …`.
pub fn recorded_text(record: &Calibration) -> String {
    let drift = record.drift_pct.map_or_else(String::new, |drift| {
        format!("; it has drifted {drift:+.2} % of span since it was last left")
    });
    format!(
        "{} {}: reads {} on {}, error {:+.2} % of span, {}{drift}{}",
        record.point,
        stage_text(record.stage.0),
        number(record.reading),
        number(record.standard),
        record.error_pct,
        verdict_text(record),
        doubts_text(record),
    )
}

/// What made it doubtful, to follow the rest; empty where nothing did.
fn doubts_text(record: &Calibration) -> String {
    let doubts: Vec<&str> = record.doubts.iter().map(|doubt| doubt.sentence()).collect();
    if doubts.is_empty() { String::new() } else { format!("; DOUBTFUL: {}", doubts.join("; ")) }
}

/// Before the adjustment or after it.
pub fn stage_text(stage: Stage) -> &'static str {
    match stage {
        Stage::AsFound => "as found",
        Stage::AsLeft => "as left",
    }
}

/// When it was recorded, by whom, with which gas, and until when that gas is good.
pub fn circumstances_text(record: &Calibration, zone: &TimeZone) -> String {
    let by = record.name.as_ref().unwrap_or(&record.user);
    let good = record.expires.map_or_else(String::new, |day| format!(", good until {}", day.0));
    format!("{} by {by}, gas {}{good}", date_and_time(record.time, zone), record.standard_id)
}

/// When the next calibration is due, or that it is overdue; `None` where nobody is reminded.
pub fn due_text(device: &Device, now: Instant, zone: &TimeZone) -> Option<String> {
    let due = device.calibration_due?;
    let since = if due <= now { "has been due since" } else { "is due on" };
    Some(format!("the next calibration {since} {}", date_and_time(due, zone)))
}

/// The last calibration of a device and when the next is due, in one line; `None` where nothing is known
/// of either.
pub fn last_calibration_text(device: &Device, now: Instant, zone: &TimeZone) -> Option<String> {
    let left = device.calibrations.iter().filter(|record| record.stage.0 == Stage::AsLeft);
    let left: Vec<&Calibration> = left.collect();
    let last = left.iter().map(|record| record.time).max().map(|time| {
        let pass = if left.iter().all(|record| record.pass) { "within" } else { "beyond" };
        format!("last left on {}, {pass} tolerance", date_and_time(time, zone))
    });
    let known: Vec<String> = last.into_iter().chain(due_text(device, now, zone)).collect();
    (!known.is_empty()).then(|| known.join("; "))
}

fn verdict_text(record: &Calibration) -> String {
    let keeps = if record.pass { "within" } else { "beyond" };
    format!("{keeps} the tolerance of {} %", number(record.tolerance_pct))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::calibration::{Doubt, Point};
    use crate::view::{Day, Word, story};

    fn record(point: Point, stage: Stage, error_pct: f64) -> Calibration {
        Calibration {
            signal: "h2s-1.concentration".to_owned(),
            point: Word(point),
            stage: Word(stage),
            time: Instant("2026-03-02T15:10:00Z".parse().unwrap()),
            session: None,
            user: "kim".to_owned(),
            name: None,
            standard: 20.0,
            standard_id: "CYL-0417".to_owned(),
            expires: Some(Day(jiff::civil::date(2027, 3, 31))),
            reading: 18.9,
            error_pct,
            tolerance_pct: 2.0,
            pass: error_pct.abs() <= 2.0,
            drift_pct: (stage == Stage::AsFound).then_some(-6.0),
            doubts: Vec::new(),
        }
    }

    #[test]
    fn error_verdict_drift_and_the_gas_are_told() {
        let span = record(Point::Span, Stage::AsFound, -5.5);
        assert_eq!(
            recorded_text(&span),
            "span as found: reads 18.90 on 20, error -5.50 % of span, beyond the tolerance of 2 %; \
             it has drifted -6.00 % of span since it was last left"
        );
        assert_eq!(
            circumstances_text(&span, &TimeZone::UTC),
            "2026-03-02 15:10:00 UTC by kim, gas CYL-0417, good until 2027-03-31"
        );
    }

    #[test]
    fn what_was_recorded_although_it_was_doubtful_says_so() {
        let mut left = record(Point::Span, Stage::AsLeft, 0.5);
        left.doubts = vec![Word(Doubt::Expired)];
        assert_eq!(
            recorded_text(&left),
            "span as left: reads 18.90 on 20, error +0.50 % of span, within the tolerance of 2 %; \
             DOUBTFUL: the certificate of the gas has expired"
        );
    }

    #[test]
    fn the_last_calibration_is_told_with_the_next_and_nothing_where_nothing_is_known() {
        let snapshot = story::story();
        let mut device = Device::of(&snapshot.devices[1], &snapshot, snapshot.at);
        let now = Instant("2026-03-20T00:00:00Z".parse().unwrap());
        let told = |device: &Device| last_calibration_text(device, now, &TimeZone::UTC);
        assert_eq!(told(&device), None);
        device.calibration_due = Some(Instant("2026-03-10T15:10:00Z".parse().unwrap()));
        device.calibrations =
            vec![record(Point::Span, Stage::AsFound, -5.5), record(Point::Span, Stage::AsLeft, 0.5)];
        assert_eq!(
            told(&device).unwrap(),
            "last left on 2026-03-02 15:10:00 UTC, within tolerance; \
             the next calibration has been due since 2026-03-10 15:10:00 UTC"
        );
        device.calibration_due = Some(Instant("2026-04-01T15:10:00Z".parse().unwrap()));
        device.calibrations[1].pass = false;
        assert_eq!(
            told(&device).unwrap(),
            "last left on 2026-03-02 15:10:00 UTC, beyond tolerance; \
             the next calibration is due on 2026-04-01 15:10:00 UTC"
        );
    }
}
