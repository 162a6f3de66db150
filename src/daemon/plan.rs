//! From the checked site to what the monitor watches.

use crate::config::{DeviceSpec, Site};
use crate::monitor::{DeviceLabel, Plan};

/// The monitor's part of the site.
pub(super) fn monitor_plan(site: &Site) -> Plan {
    let label = |device: &DeviceSpec| DeviceLabel {
        id: device.id.clone(),
        name: device.name.clone(),
        line: device.line,
        unit_id: device.unit_id,
    };
    Plan::new(
        (site.id.clone(), site.name.clone()),
        site.lines.iter().map(|line| line.id.clone()).collect(),
        site.devices.iter().map(label).collect(),
        site.signals.clone(),
        site.alarms.clone(),
    )
}
