//! A decade of gas days in several zones, against Python's zoneinfo: another program on other code.

use std::process::Command;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use siskin::moment::Wall;
use siskin::period::{Bounds, Period, gas_date};

use crate::skip::skip;

/// Prints zone, date, and when the gas day of that date begins, in seconds since 1970.
const PYTHON: &str = r#"
import datetime, zoneinfo
for name, hour in [("America/Chicago", 9), ("America/New_York", 10), ("America/Denver", 8),
                   ("Europe/London", 5), ("Australia/Lord_Howe", 9), ("UTC", 9)]:
    zone = zoneinfo.ZoneInfo(name)
    date = datetime.date(2020, 1, 1)
    while date < datetime.date(2030, 1, 2):
        begins = datetime.datetime.combine(date, datetime.time(hour), zone)
        print(name, hour, date, int(begins.timestamp()))
        date += datetime.timedelta(1)
"#;

#[test]
fn a_decade_of_gas_days_begins_when_python_says() {
    let python = Command::new("python3").args(["-c", PYTHON]).output();
    let told = match python {
        Ok(told) if told.status.success() => String::from_utf8(told.stdout).unwrap(),
        Ok(told) => return skip("gas days", &format!("{}", String::from_utf8_lossy(&told.stderr))),
        Err(error) => return skip("gas days", &format!("python3 does not start: {error}")),
    };
    let days: Vec<(&str, i8, Date, Wall)> = told.lines().map(day).collect();
    assert_eq!(days.len(), 6 * (10 * 365 + 3 + 1));
    let mut lengths = Vec::new();
    for pair in days.windows(2) {
        let [(name, hour, date, begins), (next_name, .., ends)] = pair else { unreachable!() };
        if name != next_name {
            continue;
        }
        let (zone, start) = (TimeZone::get(name).unwrap(), jiff::civil::time(*hour, 0, 0, 0));
        let expected = Bounds { start: *begins, end: *ends };
        let last = *ends - jiff::SignedDuration::from_nanos(1);
        for inside in [*begins, *begins + jiff::SignedDuration::from_hours(12), last] {
            assert_eq!(gas_date(&zone, start, inside), *date, "{name} {inside}");
            let period = Period::GasDay { zone: zone.clone(), start };
            assert_eq!(period.containing(inside), expected, "{name} {inside}");
        }
        lengths.push(expected.seconds() / 3_600.0);
    }
    for hours in [23.0, 23.5, 24.0, 24.5, 25.0] {
        assert!(lengths.contains(&hours), "no gas day of {hours} hours was among them");
    }
}

fn day(line: &str) -> (&str, i8, Date, Wall) {
    let parts: Vec<&str> = line.split(' ').collect();
    let begins = Wall::from_second(parts[3].parse().unwrap()).unwrap();
    (parts[0], parts[1].parse().unwrap(), parts[2].parse().unwrap(), begins)
}
