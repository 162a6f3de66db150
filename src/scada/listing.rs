//! The map as a list, for whoever sets a master up: what stands at each address, and whose it is.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::monitor::Snapshot;
use crate::scada::Numbers;
use crate::scada::layout::{ALARM_BIT_NAMES, ALARM_BITS_EACH, Field, List, SITE_FIELDS};

/// One line of the map.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Row {
    /// `register` (holding or input, functions 3 and 4) or `bit` (coil or discrete input, 1 and 2).
    pub table: &'static str,
    /// Zero-based, as it travels on the wire.
    pub address: u16,
    /// How many registers or bits.
    pub count: u16,
    /// `u16`, `u32`, `f32` or `bool`; the more significant register first.
    pub form: &'static str,
    /// `site`, `line`, `device`, `signal` or `alarm`.
    pub item: &'static str,
    /// Whose it is; the site's own id for the site.
    pub id: String,
    /// What people call it.
    pub name: Option<String>,
    /// Its ISA-5.1 tag.
    pub tag: Option<String>,
    /// The unit of a value.
    pub unit: Option<String>,
    /// What of it is told here.
    pub field: &'static str,
    /// What the number says.
    pub meaning: &'static str,
    /// Whether the site has this still; a number of what is gone stays unused.
    pub in_use: bool,
}

/// Names and units by id.
#[derive(Default)]
struct Labels<'a> {
    name: Option<&'a str>,
    tag: Option<&'a str>,
    unit: Option<&'a str>,
}

/// Every address that answers, in order: registers, then bits.
pub fn listing(snapshot: &Snapshot, numbers: &Numbers) -> Vec<Row> {
    let site = Labels { name: Some(&snapshot.site_name), ..Labels::default() };
    let mut rows: Vec<Row> =
        SITE_FIELDS.iter().map(|field| row("site", &snapshot.site_id, Some(&site), 0, *field)).collect();
    for list in List::ALL {
        let labels = labels(snapshot, list);
        for (number, id) in numbers.by_number(list) {
            let labels = labels.get(id);
            let fields = list.fields().iter();
            rows.extend(fields.map(|field| row(list.item(), id, labels, list.address(number), *field)));
        }
    }
    let alarms = labels(snapshot, List::Alarms);
    for (number, id) in numbers.by_number(List::Alarms) {
        for (bit, name) in (0..).zip(ALARM_BIT_NAMES) {
            rows.push(bit_row(id, alarms.get(id), number * ALARM_BITS_EACH + bit, name));
        }
    }
    rows
}

fn row(item: &'static str, id: &str, labels: Option<&Labels>, begin: u16, field: Field) -> Row {
    let of = |label: fn(&Labels) -> Option<String>| labels.and_then(label);
    Row {
        table: "register",
        address: begin + field.offset,
        count: field.form.registers(),
        form: field.form.word(),
        item,
        id: id.to_owned(),
        name: of(|labels| labels.name.map(str::to_owned)),
        tag: of(|labels| labels.tag.map(str::to_owned)),
        unit: of(|labels| labels.unit.map(str::to_owned)).filter(|_| field.name == "value"),
        field: field.name,
        meaning: field.meaning,
        in_use: labels.is_some(),
    }
}

fn bit_row(id: &str, labels: Option<&Labels>, address: u16, field: &'static str) -> Row {
    Row {
        table: "bit",
        address,
        count: 1,
        form: "bool",
        item: List::Alarms.item(),
        id: id.to_owned(),
        name: labels.and_then(|labels| labels.name.map(str::to_owned)),
        tag: None,
        unit: None,
        field,
        meaning: "1 yes, 0 no",
        in_use: labels.is_some(),
    }
}

fn labels(snapshot: &Snapshot, list: List) -> BTreeMap<&str, Labels<'_>> {
    match list {
        List::Lines => snapshot.lines.iter().map(|line| (line.id.as_str(), Labels::default())).collect(),
        List::Devices => {
            let label = |name| Labels { name: Some(name), ..Labels::default() };
            snapshot.devices.iter().map(|device| (device.id.as_str(), label(device.name.as_str()))).collect()
        }
        List::Signals => {
            let all = snapshot.signals.iter().map(|signal| {
                let (name, tag, unit) =
                    (signal.name.as_deref(), signal.tag.as_deref(), signal.unit.as_deref());
                (signal.id.as_str(), Labels { name, tag, unit })
            });
            all.collect()
        }
        List::Alarms => {
            let label = |name| Labels { name: Some(name), ..Labels::default() };
            snapshot.alarms.iter().map(|alarm| (alarm.id.as_str(), label(alarm.name.as_str()))).collect()
        }
    }
}
