//! Points in time, days and lengths of time as JSON carries them.

use std::time::Duration;

use std::borrow::Cow;

use jiff::civil::Date;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::moment::{Moment, Wall};

/// A point in time: RFC 3339, UTC, with milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Instant(pub Wall);

impl From<Moment> for Instant {
    fn from(moment: Moment) -> Self {
        Instant(moment.wall)
    }
}

impl From<Wall> for Instant {
    fn from(wall: Wall) -> Self {
        Instant(wall)
    }
}

impl Serialize for Instant {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&format_args!("{:.3}", self.0))
    }
}

impl<'de> Deserialize<'de> for Instant {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let no_instant =
            |_| D::Error::custom(format!("{text:?} is no point in time such as 2026-03-02T15:00:00Z"));
        text.parse().map(Instant).map_err(no_instant)
    }
}

/// A day, as `2027-03-31`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day(pub Date);

impl Serialize for Day {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        let no_day = |_| D::Error::custom(format!("{text:?} is no day such as 2027-03-31"));
        text.parse().map(Day).map_err(no_day)
    }
}

/// A length of time: seconds, to the millisecond.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Elapsed(pub Duration);

impl Elapsed {
    /// The monotonic time from `then` to `now`; zero when `then` is not earlier.
    pub fn between(then: Moment, now: Moment) -> Self {
        Elapsed(now.mono.since(then.mono))
    }
}

impl Serialize for Elapsed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let seconds = Duration::from_millis(whole_millis(self.0)).as_secs_f64();
        serializer.serialize_f64((seconds * 1e3).round() / 1e3)
    }
}

impl<'de> Deserialize<'de> for Elapsed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let seconds = f64::deserialize(deserializer)?;
        Duration::try_from_secs_f64(seconds).map(Elapsed).map_err(D::Error::custom)
    }
}

fn whole_millis(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

impl JsonSchema for Day {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Day".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "format": "date" })
    }
}

impl JsonSchema for Instant {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Instant".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "format": "date-time" })
    }
}

impl JsonSchema for Elapsed {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Elapsed".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "number", "minimum": 0 })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_told_in_utc_with_three_decimals_whatever_it_holds() {
        for (given, told) in [
            ("2026-03-02T09:04:05.12-06:00", "\"2026-03-02T15:04:05.120Z\""),
            ("2026-03-02T15:04:05Z", "\"2026-03-02T15:04:05.000Z\""),
            ("2026-03-02T15:04:05.0009999Z", "\"2026-03-02T15:04:05.000Z\""),
        ] {
            let instant = Instant(given.parse().unwrap());
            assert_eq!(serde_json::to_string(&instant).unwrap(), told);
        }
    }

    #[test]
    fn a_length_of_time_is_seconds_to_the_millisecond() {
        let told = serde_json::to_string(&Elapsed(Duration::from_micros(110_900))).unwrap();
        assert_eq!(told, "0.11");
        assert_eq!(serde_json::to_string(&Elapsed(Duration::from_millis(1_610))).unwrap(), "1.61");
        assert_eq!(serde_json::from_str::<Elapsed>(&told).unwrap(), Elapsed(Duration::from_millis(110)));
        assert!(serde_json::from_str::<Elapsed>("-1.0").is_err());
    }
}
