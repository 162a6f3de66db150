//! What travels on the control socket when a person has put a new sensor into a device.
//! The words are a contract (`docs/control-socket.md`).

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::control::protocol::{Failure, check_words};
use crate::control::work::Said;
use crate::monitor::{SensorChange, Work, WorkKind};
use crate::view::Instant;

/// The longest number of a sensor, in characters.
pub const SERIAL_CHARS_MAX: usize = 64;
/// The longest time for which a new sensor settles: seven days.
pub const SETTLE_S_MAX: u64 = 7 * 86_400;
/// The longest time for which a sensor lies open to air: thirty days.
pub const OPEN_TO_AIR_S_MAX: u64 = 30 * 86_400;

/// Take note of a new sensor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SensorRequest {
    /// The device's id.
    pub device: String,
    /// What stands on the sensor.
    pub serial: String,
    /// For how many seconds it lay open to air until it was in place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub open_to_air_s: Option<u64>,
    /// For how many seconds it settles; without it as the site file says, and not at all with `since`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settle_s: Option<u64>,
    /// Since when it has been in place, where that is longer than just now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Instant>,
    /// Who asks, and why.
    #[serde(flatten)]
    pub said: Said,
}

impl SensorRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        check_words("serial", Some(&self.serial), SERIAL_CHARS_MAX)?;
        check_seconds("settle_s", self.settle_s, SETTLE_S_MAX)?;
        check_seconds("open_to_air_s", self.open_to_air_s, OPEN_TO_AIR_S_MAX)?;
        self.said.check()
    }

    pub(super) fn work(self, user: &str) -> Work {
        let change = SensorChange {
            device: self.device,
            serial: self.serial,
            open_to_air: self.open_to_air_s.map(Duration::from_secs),
            settle: self.settle_s.map(Duration::from_secs),
            since: self.since.map(|since| since.0),
        };
        self.said.work(user, WorkKind::ChangeSensor(Box::new(change)))
    }
}

fn check_seconds(field: &str, seconds: Option<u64>, most: u64) -> Result<(), Failure> {
    match seconds {
        Some(seconds) if seconds > most => {
            Err(Failure::bad_request(format!("`{field}` must be at most {most} seconds")))
        }
        Some(_) | None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::control::protocol::Request;

    #[test]
    fn what_cannot_go_into_the_record_is_refused() {
        let long = "x".repeat(SERIAL_CHARS_MAX + 1);
        let asked = |rest: &str| format!(r#"{{"ask":"change_sensor","device":"d",{rest}}}"#);
        for (rest, expected) in [
            (format!(r#""serial":"{long}""#), "longer than 64 characters"),
            (r#""serial":" ""#.to_owned(), "`serial` is empty"),
            (r#""settle_s":1"#.to_owned(), "missing field `serial`"),
            (format!(r#""serial":"x","settle_s":{}"#, SETTLE_S_MAX + 1), "`settle_s` must be at most 604800"),
            (
                format!(r#""serial":"x","open_to_air_s":{}"#, OPEN_TO_AIR_S_MAX + 1),
                "`open_to_air_s` must be at most 2592000",
            ),
            (r#""serial":"x","since":"yesterday""#.to_owned(), "cannot be understood"),
        ] {
            let told = Request::parse(asked(&rest).as_bytes()).map(|_| String::new());
            let told = told.unwrap_or_else(|failure| failure.message);
            assert!(told.contains(expected), "{rest}: {told}");
        }
    }
}
