//! How things stand with the care of a device, in words.

use jiff::tz::TimeZone;

use crate::view::words::clock_time;
use crate::view::{Device, Instant};

/// That a person works on the device, or that they have not said that they are done; `None` otherwise.
pub fn function_check_text(device: &Device, now: Instant, zone: &TimeZone) -> Option<String> {
    match &device.function_check {
        Some(check) => {
            let by = check.name.as_ref().unwrap_or(&check.user);
            let until = clock_time(check.until, now, zone);
            Some(format!("in function check until {until}, {} by {by}", check.purpose))
        }
        None if device.function_check_overrun => {
            Some("a function check ran out, and nobody has ended it".to_owned())
        }
        None => None,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::moment::Wall;
    use crate::monitor::{self, Who};
    use crate::view::story;

    fn at(time: &str) -> Wall {
        time.parse().unwrap()
    }

    #[test]
    fn who_works_on_a_device_is_said_and_that_nobody_said_it_is_over() {
        let mut snapshot = story::story();
        let now = snapshot.at;
        let told = |snapshot: &monitor::Snapshot| {
            let device = Device::of(&snapshot.devices[0], snapshot, now);
            function_check_text(&device, Instant(at("2026-03-02T15:00:00Z")), &TimeZone::UTC)
        };
        assert_eq!(told(&snapshot), None);
        let by = Who { user: "kim".to_owned(), name: None };
        let until = crate::moment::Moment { wall: at("2026-03-02T15:34:05Z"), ..now };
        let purpose = "calibration".to_owned();
        let since = at("2026-03-02T15:04:05Z");
        snapshot.devices[0].function_check = Some(monitor::FunctionCheck { by, since, until, purpose });
        let words = "in function check until 15:34:05, calibration by kim";
        assert_eq!(told(&snapshot).as_deref(), Some(words));
        snapshot.devices[0].function_check = None;
        snapshot.devices[0].function_check_overrun = true;
        assert_eq!(told(&snapshot).as_deref(), Some("a function check ran out, and nobody has ended it"));
    }
}
