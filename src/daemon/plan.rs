//! From the checked site to what the monitor watches.

use crate::config::{Asks, DeviceSpec, PushButtonSpec, Site};
use crate::monitor::{ActionKind, DeviceLabel, Plan, PushButton};
use crate::units::Circumstances;

/// The monitor's part of the site.
pub fn monitor_plan(site: &Site) -> Plan {
    let label = |device: &DeviceSpec| DeviceLabel {
        id: device.id.clone(),
        name: device.name.clone(),
        line: device.line,
        unit_id: device.unit_id,
        care: device.care.clone(),
    };
    let button = |button: &PushButtonSpec| PushButton {
        signal: button.signal,
        asks: match button.asks {
            Asks::Acknowledge => ActionKind::Acknowledge,
            Asks::Reset => ActionKind::Reset,
        },
    };
    let mut plan = Plan::new(
        (site.id.clone(), site.name.clone()),
        site.lines.iter().map(|line| line.id.clone()).collect(),
        site.devices.iter().map(label).collect(),
        site.signals.clone(),
        site.alarms.clone(),
    );
    let circumstances = |signal: usize| Circumstances {
        reference: site.gas_reference,
        substance: site.substances.get(signal).copied().flatten(),
        ambient_pa: site.ambient_pa,
    };
    plan.circumstances = (0..site.signals.len()).map(circumstances).collect();
    plan.push_buttons = site.push_buttons.iter().map(button).collect();
    plan.shelve_max = site.shelve_max;
    if let Some(zone) = site.time_zone.iana_name() {
        zone.clone_into(&mut plan.time_zone);
    }
    plan
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use std::io;
    use std::path::Path;
    use std::time::Duration;

    use super::*;
    use crate::calibration::Care;
    use crate::config::{Sources, load};
    use crate::signal::SignalIndex;
    use crate::units::Substance;

    struct Text(&'static str);

    impl Sources for Text {
        fn read(&self, _path: &Path) -> io::Result<String> {
            Ok(self.0.to_owned())
        }
    }

    #[test]
    fn the_care_that_a_device_needs_reaches_the_monitor_and_is_the_usual_one_where_the_file_is_silent() {
        let text = "[site]\nid = \"a\"\n[[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                    [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\n\
                    [[device.signal]]\nid = \"known\"\nreference = 10001\n\
                    [[device]]\nid = \"e\"\nline = \"l\"\nunit_id = 2\n\
                    calibration = { every = \"30d\", tolerance = 3.5, function_check_max = \"2h\" }\n\
                    [[device.signal]]\nid = \"known\"\nreference = 10001\n";
        let plan = monitor_plan(&load(Path::new("site.toml"), &Text(text)).unwrap());
        let told = Care {
            function_check_max: Duration::from_secs(2 * 3600),
            tolerance_pct: 3.5,
            every: Some(Duration::from_secs(30 * 86_400)),
            sensor: None,
        };
        assert_eq!([&plan.devices[0].care, &plan.devices[1].care], [&Care::default(), &told]);
        let due: Vec<_> = plan.alarms.iter().filter(|alarm| alarm.id.ends_with(".calibration_due")).collect();
        assert_eq!(due.iter().map(|alarm| alarm.id.as_str()).collect::<Vec<_>>(), ["e.calibration_due"]);
    }

    #[test]
    fn push_buttons_and_the_longest_shelving_reach_the_monitor() {
        let text = "[site]\nid = \"a\"\n[shelving]\nmax = \"2h\"\n\
                    [[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                    [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\n\
                    [[device.signal]]\nid = \"known\"\nreference = 10001\n\
                    [[device.signal]]\nid = \"reset\"\nreference = 10002\n\
                    [[push_button]]\nsignal = \"d.reset\"\nasks = \"reset\"\n\
                    [[push_button]]\nsignal = \"d.known\"\nasks = \"acknowledge\"\n";
        let plan = monitor_plan(&load(Path::new("site.toml"), &Text(text)).unwrap());
        assert_eq!(plan.shelve_max, Duration::from_secs(2 * 3600));
        let buttons = [
            PushButton { signal: SignalIndex(1), asks: ActionKind::Reset },
            PushButton { signal: SignalIndex(0), asks: ActionKind::Acknowledge },
        ];
        assert_eq!(plan.push_buttons, buttons);
    }

    #[test]
    fn what_ways_between_units_depend_on_comes_from_the_site_file() {
        let text = "[site]\nid = \"a\"\nambient_pressure = \"100 kPaa\"\n\
                    [gas_reference]\ntemperature = \"15 degC\"\npressure = \"101.325 kPaa\"\n\
                    [[line]]\nid = \"l\"\nserial = \"/dev/ttyS0\"\n\
                    [[device]]\nid = \"d\"\nline = \"l\"\nunit_id = 1\n\
                    [[device.signal]]\nid = \"known\"\nreference = 10001\n\
                    [[device.signal]]\nid = \"water\"\nreference = 30001\ntype = \"u16\"\n\
                    unit = \"lb/MMscf\"\nsubstance = \"water\"\n";
        let plan = monitor_plan(&load(Path::new("site.toml"), &Text(text)).unwrap());
        let [known, water] = plan.circumstances[..] else { panic!("{:?}", plan.circumstances) };
        assert_eq!((known.substance, water.substance), (None, Some(Substance::Water)));
        for told in [known, water] {
            assert!((told.reference.temperature_k - 288.15).abs() < 1e-9, "{told:?}");
            assert!((told.reference.pressure_pa - 101_325.0).abs() < 1e-6, "{told:?}");
            assert!((told.ambient_pa.unwrap() - 100_000.0).abs() < 1e-6, "{told:?}");
        }
    }
}
