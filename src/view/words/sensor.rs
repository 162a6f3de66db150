//! What is known of a device's sensor, in words.

use jiff::tz::TimeZone;

use crate::calibration::Wear;
use crate::view::words::{date_and_time, duration, number};
use crate::view::{Calibration, Exposure, FittedSensor, Sensor};

/// What is known of it, each thing with a word for what it is, the most important first.
pub fn sensor_facts(sensor: &Sensor, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let fitted = sensor.fitted.as_ref();
    let mut facts = vec![
        ("state", state_text(sensor).to_owned()),
        ("sensor", fitted.map_or_else(|| "none is on record".to_owned(), |fitted| fitted_text(fitted, zone))),
    ];
    let until = fitted.and_then(|fitted| fitted.settles_until);
    facts.extend(until.map(|until| ("settling", format!("until {}", date_and_time(until, zone)))));
    facts.extend(life_text(sensor, zone).map(|life| ("life", life)));
    facts.extend(exposure_text(sensor).map(|seen| ("exposure", seen)));
    facts.extend(sensor.found.iter().map(|found| ("found", found_text(found, zone))));
    facts
}

/// Which sensor it is and how far it is worn, in one line.
pub fn sensor_text(sensor: &Sensor) -> String {
    let serial = sensor.fitted.as_ref().map_or_else(String::new, |fitted| format!("{}: ", fitted.serial));
    format!("{serial}{}", state_text(sensor))
}

fn state_text(sensor: &Sensor) -> &'static str {
    match sensor.wear.0 {
        Wear::Unknown if sensor.fitted.is_none() => "not known: no sensor is on record",
        Wear::Unknown => "not known: the site file does not say what it can bear",
        Wear::Fresh => "within what it can bear",
        Wear::Near => "maintenance required: it nears its end",
        Wear::Spent => "a new one is due: it is past its life or past the gas that it can bear",
    }
}

fn fitted_text(fitted: &FittedSensor, zone: &TimeZone) -> String {
    let by = fitted.name.as_ref().unwrap_or(&fitted.user);
    let open = fitted
        .open_to_air_s
        .map_or_else(String::new, |open| format!(", after {} open to air", duration(open.0)));
    let (since, age) = (date_and_time(fitted.since, zone), duration(fitted.age_s.0));
    format!("{}, since {since} ({age}){open}, recorded by {by}", fitted.serial)
}

fn life_text(sensor: &Sensor, zone: &TimeZone) -> Option<String> {
    let life = duration(sensor.life_s?.0);
    let Some((left, ends)) = sensor.life_left_s.zip(sensor.life_ends) else {
        return Some(format!("{life}, from when it is recorded"));
    };
    let ends = date_and_time(ends, zone);
    if left.0.is_zero() {
        return Some(format!("over since {ends}, after {life}"));
    }
    Some(format!("{} of {life} left, until {ends}", duration(left.0)))
}

fn exposure_text(sensor: &Sensor) -> Option<String> {
    let of = sensor.exposure_max.map(|most| format!(" of {}", number(most)));
    let Some(Exposure { amount, unit, not_measured_s, coverage, .. }) = &sensor.exposure else {
        return of.map(|of| format!("not worked out yet{of}"));
    };
    let share = sensor.exposure_max.map(|most| format!(" ({})", share_text(amount / most)));
    let unknown = if not_measured_s.0.as_secs() == 0 {
        String::new()
    } else {
        format!("; what it saw in the other {} is not known", duration(not_measured_s.0))
    };
    Some(format!(
        "{} {unit}{}{}, measured for {} of the time{unknown}",
        number(*amount),
        of.unwrap_or_default(),
        share.unwrap_or_default(),
        share_text(*coverage),
    ))
}

fn share_text(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

fn found_text(found: &Calibration, zone: &TimeZone) -> String {
    let drift = found.drift_pct.map_or_else(
        || "no reading as left before it".to_owned(),
        |drift| format!("drifted {drift:+.2} % of span since it was last left"),
    );
    let at = date_and_time(found.time, zone);
    format!("{at}: {} as found, error {:+.2} % of span, {drift}", found.point, found.error_pct)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::view::{Elapsed, Instant, Word};

    const HOUR: Duration = Duration::from_secs(3600);

    fn sensor() -> Sensor {
        let since = Instant("2026-03-01T15:00:00Z".parse().unwrap());
        Sensor {
            signal: "h2s-1.concentration".to_owned(),
            wear: Word(Wear::Near),
            fitted: Some(FittedSensor {
                serial: "S-4711".to_owned(),
                since,
                age_s: Elapsed(950 * HOUR),
                time: since,
                user: "kim".to_owned(),
                name: None,
                open_to_air_s: Some(Elapsed(HOUR / 12)),
                settles_until: None,
            }),
            life_s: Some(Elapsed(1000 * HOUR)),
            life_ends: Some(Instant("2026-04-12T07:00:00Z".parse().unwrap())),
            life_left_s: Some(Elapsed(50 * HOUR)),
            exposure_max: Some(2000.0),
            exposure: Some(Exposure {
                amount: 500.0,
                unit: "ppmv·h".to_owned(),
                measured_s: Elapsed(760 * HOUR),
                not_measured_s: Elapsed(190 * HOUR),
                coverage: 0.8,
            }),
            warn_left_pct: 10.0,
            found: Vec::new(),
        }
    }

    fn told(sensor: &Sensor) -> String {
        let facts = sensor_facts(sensor, &TimeZone::UTC);
        facts.iter().map(|(what, text)| format!("{what}: {text}\n")).collect()
    }

    #[test]
    fn age_life_exposure_and_what_was_not_measured_are_told() {
        assert_eq!(
            told(&sensor()),
            "state: maintenance required: it nears its end\n\
             sensor: S-4711, since 2026-03-01 15:00:00 UTC (39 d 14 h), after 5 min open to air, recorded by kim\n\
             life: 2 d 2 h of 41 d 16 h left, until 2026-04-12 07:00:00 UTC\n\
             exposure: 500 ppmv·h of 2000 (25.0 %), measured for 80.0 % of the time; \
             what it saw in the other 7 d 22 h is not known\n"
        );
    }

    #[test]
    fn what_is_not_known_is_told_as_such() {
        let nothing = Sensor {
            wear: Word(Wear::Unknown),
            fitted: None,
            life_ends: None,
            life_left_s: None,
            exposure: None,
            ..sensor()
        };
        assert_eq!(
            told(&nothing),
            "state: not known: no sensor is on record\nsensor: none is on record\n\
             life: 41 d 16 h, from when it is recorded\nexposure: not worked out yet of 2000\n"
        );
    }
}
