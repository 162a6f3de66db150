//! What a site file says arrives where it is used, and what it does not say is what the reference says.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use siskin::alarm::{AlarmIndex, Averaging, Kind, Limit, Over, Priority, WhenLost};
use siskin::config::{Asks, Framing, Parity, Port, PushButtonSpec, Rs485, SerialSettings, load};
use siskin::period::Period;
use siskin::signal::{Guard, GuardTest, Order, Range, SignalIndex, Table, ValueType};

use super::{CONTRACT, Texts, loaded};

#[test]
fn every_setting_of_a_site_file_arrives_where_it_is_used() {
    let site = loaded(CONTRACT);
    assert_eq!((site.id.as_str(), site.name.as_str()), ("willow-bend", "Willow Bend Interconnect"));
    assert_eq!(site.time_zone.iana_name(), Some("America/Chicago"));
    assert_eq!(site.gas_day_start, jiff::civil::time(9, 0, 0, 0));
    assert_eq!(site.history.max_size_bytes, 8 * 1024 * 1024 * 1024);
    assert_eq!(site.history.keep_samples, Duration::from_secs(3 * 365 * 86_400));

    let east = &site.lines[0];
    let settings = SerialSettings { baud: 9600, parity: Parity::None, stop_bits: 1 };
    assert_eq!(east.port, Port::Serial { path: "/dev/ttyUSB0".into(), settings, rs485: None });
    assert_eq!((east.response_timeout, east.retries), (Duration::from_millis(700), 2));

    let [concentration, looped, calibrating, status] = &site.signals[..] else { panic!("four signals") };
    assert_eq!(site.devices[0].signals, [0, 1, 2, 3].map(SignalIndex));
    assert_eq!(concentration.id, "h2s-1.concentration");
    assert_eq!((concentration.place.table, concentration.place.address), (Table::Input, 0));
    assert_eq!(concentration.place.value_type, ValueType::F32);
    assert_eq!(concentration.place.word_order, Order::LowFirst);
    assert_eq!(concentration.place.byte_order, Order::HighFirst);
    assert_eq!(concentration.range, Some(Range { low: 0.0, high: 20.0 }));
    assert_eq!(concentration.settle, Duration::from_secs(180));
    let guards: Vec<_> = concentration.valid_when.iter().map(|guard| (guard.signal.0, guard.test)).collect();
    let between = GuardTest::Between(Range { low: 2.0, high: 120.0 });
    assert_eq!(guards, [(1, GuardTest::Above(0.5)), (1, between), (2, GuardTest::Is(false))]);

    assert_eq!((looped.place.table, looped.place.address), (Table::Holding, 4));
    let milliamps = looped.current.as_ref().unwrap().milliamps;
    assert_eq!((milliamps.from, milliamps.to), ([0.0, 65535.0], [0.0, 24.0]));
    assert_eq!(looped.scale.unwrap().apply(12.0), 10.0);
    assert_eq!(calibrating.states.code("calibrating"), Some(1));
    assert_eq!(status.states.name(7), Some("fault"));
}

#[test]
fn alarms_arrive_and_every_signal_that_bears_one_has_an_alarm_for_its_loss() {
    let site = loaded(CONTRACT);
    let high = &site.alarms[0];
    assert_eq!(high.kind, Kind::High(Limit { setpoint: 4.0, deadband: 0.2 }));
    assert_eq!((high.on_delay, high.off_delay), (Duration::from_secs(10), Duration::from_secs(30)));
    assert_eq!((high.latching, high.priority), (true, Priority::High));
    assert_eq!(site.alarms[1].kind, Kind::State { codes: vec![7, 0] });
    // The file's own lost alarm takes the place of the automatic one.
    let lost: Vec<_> = site
        .alarms
        .iter()
        .filter(|alarm| alarm.kind == Kind::Lost)
        .map(|alarm| (alarm.id.as_str(), alarm.on_delay, alarm.priority))
        .collect();
    let delay = Duration::from_secs(30);
    assert_eq!(
        lost,
        [("status-lost", delay, Priority::Medium), ("h2s-1.concentration.lost", delay, Priority::Medium)]
    );
    let quiet = format!("{CONTRACT}\n[measurement_lost]\noff_for = [\"h2s-1.concentration\"]\n");
    let lost = loaded(&quiet).alarms.iter().filter(|alarm| alarm.kind == Kind::Lost).count();
    assert_eq!(lost, 1);
}

/// One alarm of every kind that [`CONTRACT`] has not, and every key an alarm may have.
pub(super) const EVERY_KIND: &str = r#"
[shelving]
max = "8h"
[[push_button]]
signal = "h2s-1.calibrating"
asks = "reset"
[[alarm]]
id = "low"
name = "Low"
signal = "h2s-1.loop"
kind = "low"
setpoint = 1.0
when_lost = "alarm"
suppress_when = [{ signal = "h2s-1.calibrating", is = "calibrating" }]
realarm_after = "4h"
first_out = "sour-gas"
cause = "A cause."
time_to_respond = "30m"
[[alarm]]
id = "rise"
name = "Rise"
signal = "h2s-1.concentration"
kind = "rise"
setpoint = 0.5
deadband = 0.1
window = "10m"
[[alarm]]
id = "fall"
name = "Fall"
signal = "h2s-1.concentration"
kind = "fall"
setpoint = 2
window = "5m"
[[alarm]]
id = "day"
name = "Day"
signal = "h2s-1.concentration"
kind = "average_high"
setpoint = 4.0
over = "24h"
[[alarm]]
id = "hour"
name = "Hour"
signal = "h2s-1.concentration"
kind = "average_low"
setpoint = 1.0
over = "clock_hour"
coverage_min = 1
[[alarm]]
id = "gas-day"
name = "Gas day"
signal = "h2s-1.concentration"
kind = "average_high"
setpoint = 4.0
over = "gas_day"
coverage_min = 0.9
[[alarm]]
id = "apart"
name = "Apart"
signal = "h2s-1.concentration"
kind = "deviation"
with = "h2s-1.loop"
setpoint = 1.0
[[alarm]]
id = "still"
name = "Still"
signal = "h2s-1.concentration"
kind = "frozen"
resolution = 0.01
window = "1h"
[[alarm]]
id = "vote"
name = "Vote"
kind = "vote"
of = ["h2s-high", "vote-on-loss", "h2s-1.loop.lost"]
at_least = 2
[[alarm]]
id = "vote-on-loss"
name = "Vote on loss"
kind = "vote"
of = ["h2s-1.concentration.lost"]
at_least = 1
"#;

#[test]
fn every_kind_of_alarm_arrives_with_what_it_was_given() {
    let site = loaded(&format!("{CONTRACT}{EVERY_KIND}"));
    let alarm = |id: &str| site.alarms.iter().find(|alarm| alarm.id == id).unwrap();
    let kind = |id: &str| alarm(id).kind.clone();
    let index = |id: &str| AlarmIndex(site.alarms.iter().position(|alarm| alarm.id == id).unwrap());
    let limit = |setpoint, deadband| Limit { setpoint, deadband };
    let average = |over, coverage_min| Averaging { over, coverage_min };
    let minutes = |minutes: u64| Duration::from_secs(minutes * 60);

    assert_eq!(kind("low"), Kind::Low(limit(1.0, 0.0)));
    assert_eq!(kind("rise"), Kind::Rise(limit(0.5, 0.1), minutes(10)));
    assert_eq!(kind("fall"), Kind::Fall(limit(2.0, 0.0), minutes(5)));
    let day = average(Over::Rolling(minutes(24 * 60)), 0.75);
    assert_eq!(kind("day"), Kind::AverageHigh(limit(4.0, 0.0), day));
    let hour = average(Over::Calendar(Period::ClockHour), 1.0);
    assert_eq!(kind("hour"), Kind::AverageLow(limit(1.0, 0.0), hour));
    let (zone, start) = (site.time_zone.clone(), site.gas_day_start);
    let gas_day = average(Over::Calendar(Period::GasDay { zone, start }), 0.9);
    assert_eq!(kind("gas-day"), Kind::AverageHigh(limit(4.0, 0.0), gas_day));
    assert_eq!(kind("still"), Kind::Frozen { resolution: 0.01, window: minutes(60) });
    let Kind::Deviation { limit: apart, other, conversion } = kind("apart") else { panic!("a deviation") };
    assert_eq!((apart, other, conversion.apply(7.5)), (limit(1.0, 0.0), SignalIndex(1), 7.5));

    let of = ["h2s-high", "vote-on-loss", "h2s-1.loop.lost"].map(index).to_vec();
    assert_eq!((kind("vote"), alarm("vote").signal), (Kind::Vote { at_least: 2, of }, None));
    assert_eq!(kind("h2s-1.loop.lost"), Kind::Lost);

    let low = alarm("low");
    assert_eq!((low.when_lost, alarm("rise").when_lost), (WhenLost::Alarm, WhenLost::Hold));
    assert_eq!(low.suppress_when, [Guard { signal: SignalIndex(2), test: GuardTest::Is(true) }]);
    assert_eq!((low.realarm_after, low.time_to_respond), (Some(minutes(240)), Some(minutes(30))));
    assert_eq!((low.first_out_group.as_deref(), low.cause.as_deref()), (Some("sour-gas"), Some("A cause.")));
    assert_eq!(site.shelve_max, minutes(8 * 60));
    assert_eq!(site.push_buttons, [PushButtonSpec { signal: SignalIndex(2), asks: Asks::Reset }]);
}

const SUBSTANCE: &str = "substance = \"hydrogen sulfide\"";

/// What `h2s-1.loop` reads is compared with `h2s-1.concentration`: in the unit of the latter.
fn deviation(unit: &str, other_unit: &str, more: &str) -> impl Fn(f64) -> f64 {
    let apart = "[[alarm]]\nid = \"apart\"\nname = \"Apart\"\nsignal = \"h2s-1.concentration\"\n\
                 kind = \"deviation\"\nwith = \"h2s-1.loop\"\nsetpoint = 1.0\n";
    let text = CONTRACT
        .replace("20.0] }\nunit = \"ppmv\"", &format!("20.0] }}\nunit = \"{other_unit}\""))
        .replace("\"low_first\"\nunit = \"ppmv\"", &format!("\"low_first\"\nunit = \"{unit}\"\n{SUBSTANCE}"))
        .replacen("id = \"willow-bend\"", "id = \"willow-bend\"\nambient_pressure = \"14.4 psia\"", 1);
    let site = loaded(&format!("{text}{apart}{more}"));
    let kind = site.alarms.iter().find(|alarm| alarm.id == "apart").unwrap().kind.clone();
    let Kind::Deviation { conversion, .. } = kind else { panic!("a deviation") };
    move |number| conversion.apply(number)
}

/// The figures for hydrogen sulfide are those of tests/published/units.rs.
#[test]
fn a_deviation_compares_in_the_unit_of_its_signal() {
    let close = |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 1e-5, "{found}");
    close(deviation("ppmv", "gr/100scf", "")(1.0), 15.8700);
    let other_base = "[gas_reference]\npressure = \"14.696 psia\"\n";
    close(deviation("ppmv", "gr/100scf", other_base)(1.0), 15.9068);
    let zero_celsius = "[gas_reference]\ntemperature = \"0 degC\"\npressure = \"101.325 kPaa\"\n";
    close(deviation("mg/m3", "ppmv", zero_celsius)(10.0), 15.20525);
    close(deviation("psia", "psig", "")(100.0), 114.4);
    close(deviation("degC", "degF", "")(60.0), 15.55556);
}

#[test]
fn the_other_signal_of_a_deviation_has_an_alarm_for_its_loss_too() {
    let apart = "[[alarm]]\nid = \"apart\"\nname = \"Apart\"\nsignal = \"h2s-1.concentration\"\n\
                 kind = \"deviation\"\nwith = \"h2s-1.loop\"\nsetpoint = 1.0\n";
    let site = loaded(&format!("{CONTRACT}{apart}"));
    assert!(site.alarms.iter().any(|alarm| alarm.id == "h2s-1.loop.lost"));
    assert!(loaded(CONTRACT).alarms.iter().all(|alarm| alarm.id != "h2s-1.loop.lost"));
}

#[test]
fn what_is_absent_is_what_the_reference_says() {
    let site = loaded(CONTRACT);
    assert_eq!(site.http.unwrap().listen, "127.0.0.1:8485".parse().unwrap());
    assert_eq!(site.control.socket, Path::new("control.sock"));
    // 60 °F and 14.73 psia.
    assert!((site.gas_reference.temperature_k - 288.705_555_6).abs() < 1e-6, "{:?}", site.gas_reference);
    assert!((site.gas_reference.pressure_pa - 101_559.77).abs() < 0.01, "{:?}", site.gas_reference);
    assert_eq!((site.shelve_max, site.push_buttons), (Duration::from_secs(12 * 3600), Vec::new()));
    let annex = &site.lines[1];
    let tcp = Port::Tcp { address: "192.0.2.10:4001".into(), framing: Framing::Rtu, settings: None };
    assert_eq!(annex.port, tcp);
    assert_eq!((annex.response_timeout, annex.retries), (Duration::from_secs(1), 1));
    assert_eq!(annex.silence_max, Duration::from_secs(60));
    let device = &site.devices[0];
    assert_eq!((device.max_registers, device.turnaround, device.quiet), (125, None, Duration::ZERO));
    // Three polls, but never less than three seconds.
    let times = |index: usize| (site.signals[index].poll_every, site.signals[index].stale_after);
    assert_eq!(times(0), (Duration::from_secs(2), Duration::from_secs(6)));
    assert_eq!(times(3), (Duration::from_millis(500), Duration::from_secs(3)));

    let least = "[site]\nid = \"a\"\n[http]\nlisten = \"off\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                 [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 247\n\
                 [[device.signal]]\nid = \"s\"\nreference = 10001\n";
    let site = loaded(least);
    assert_eq!((site.name.as_str(), site.time_zone.iana_name()), ("a", Some("UTC")));
    assert_eq!(site.http, None);
    // Modbus over Serial Line V1.02, section 3.2: 19200 and even parity are the defaults.
    let settings = SerialSettings { baud: 19_200, parity: Parity::Even, stop_bits: 1 };
    assert_eq!(site.lines[0].port, Port::Serial { path: "/dev/ttyS0".into(), settings, rs485: None });
    assert_eq!(site.lines[0].response_timeout, Duration::from_millis(500));
    assert_eq!(site.signals[0].place.table, Table::Discrete);
    assert_eq!((site.devices[0].name.as_str(), site.signals[0].place.value_type), ("d", ValueType::Bool));
}

#[test]
fn serial_settings_behind_a_device_server_may_be_told_in_part() {
    let told = CONTRACT.replace("framing = \"rtu\"", "framing = \"rtu\"\nbaud = 9600");
    let Port::Tcp { settings, .. } = &loaded(&told).lines[1].port else { panic!("over TCP") };
    assert_eq!(*settings, Some(SerialSettings { baud: 9600, parity: Parity::Even, stop_bits: 1 }));
}

#[test]
fn the_kernels_rs485_mode_is_asked_for_as_it_is_told() {
    let told = CONTRACT.replace(
        "serial = \"/dev/ttyUSB0\"",
        "serial = \"/dev/ttyS1\"\nrs485 = { rts_on_send = false, rts_after_send = true, delay_after = \"2ms\" }",
    );
    let site = loaded(&told);
    let Port::Serial { rs485, .. } = &site.lines[0].port else { panic!("a serial port") };
    let (delay_before, delay_after) = (Duration::ZERO, Duration::from_millis(2));
    assert_eq!(*rs485, Some(Rs485 { rts_on_send: false, rts_after_send: true, delay_before, delay_after }));
    assert!(site.settings.iter().any(|(path, value)| {
        path == "line.east.rs485"
            && value.contains("rts_on_send = false")
            && value.contains("delay_after = 2ms")
    }));
}

#[test]
fn a_signal_of_the_site_file_changes_only_the_keys_it_gives() {
    let site = "[site]\nid = \"a\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\nprofile = \"p/x.toml\"\n\
                [[device.signal]]\nid = \"one\"\naddress = 7\ntag = \"AIT-1\"\n\
                [[device.signal]]\nid = \"three\"\ntable = \"coil\"\naddress = 1\n";
    let profile = "[[signal]]\nid = \"zero\"\nreference = 30001\ntype = \"u16\"\n\
                   [[signal]]\nid = \"one\"\ntable = \"input\"\nreference = 30002\ntype = \"i16\"\nunit = \"psig\"\n";
    let texts = BTreeMap::from([
        (PathBuf::from("etc/site.toml"), site.to_owned()),
        (PathBuf::from("etc/p/x.toml"), profile.to_owned()),
    ]);
    let site =
        load(Path::new("etc/site.toml"), &Texts(texts)).unwrap_or_else(|problems| panic!("{problems}"));
    let ids: Vec<&str> = site.signals.iter().map(|signal| signal.id.as_str()).collect();
    assert_eq!(ids, ["d.zero", "d.one", "d.three"]);
    let one = &site.signals[1];
    assert_eq!((one.place.address, one.place.value_type), (7, ValueType::I16));
    assert_eq!((one.tag.as_deref(), one.unit.as_deref()), (Some("AIT-1"), Some("psig")));
}
