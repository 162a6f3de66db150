//! Devices: each on a known line, with a unit id that nobody else on that line has.

use super::{Directory, name_or_id, report_duplicates, sensor};
use crate::calibration::{Care, SensorCare};
use crate::config::problem::Problem;
use crate::config::raw::{At, Calibration, Device, Field, Line, Root};
use crate::config::{DeviceSpec, Framing};
use crate::signal::{LineIndex, SignalIndex};

/// Every device of the file, in its order.
pub(super) fn devices(root: &Root, problems: &mut Vec<Problem>) -> Vec<Option<DeviceSpec>> {
    let devices = root.device.items();
    let directory = line_directory(root);
    report_duplicates("devices", devices.iter().map(|device| &device.value.id), problems);
    let on_lines: Vec<Option<LineIndex>> = devices
        .iter()
        .map(|At { value: device, .. }| {
            let line = device.line.given()?;
            directory.look_up("line", &line.value.0, line.span, problems)
        })
        .collect();
    report_unit_ids_used_twice(devices, &on_lines, problems);

    let mut first_signal = 0;
    let mut resolved = Vec::new();
    for (At { value: device, .. }, line) in devices.iter().zip(on_lines) {
        let signals = first_signal..first_signal + device.signal.items().len();
        first_signal = signals.end;
        let on_line = line.and_then(|line| root.line.items().get(line.0));
        if on_line.is_some_and(|line| carries_rtu(&line.value)) {
            report_impossible_unit_id(device, problems);
        }
        let sensor = sensor::sensor(device, signals.start, problems);
        resolved.push(self::device(device, line, signals.map(SignalIndex).collect(), sensor));
    }
    resolved
}

fn line_directory(root: &Root) -> Directory<LineIndex> {
    let lines = root.line.items();
    let named =
        |(index, line): (usize, &At<Line>)| line.value.id.get().map(|id| (id.0.clone(), LineIndex(index)));
    let entries: Vec<_> = lines.iter().enumerate().filter_map(named).collect();
    let whole = entries.len() == lines.len() && !matches!(root.line, Field::Broken);
    Directory { entries, whole }
}

fn device(
    device: &Device,
    line: Option<LineIndex>,
    signals: Vec<SignalIndex>,
    sensor: Option<Option<SensorCare>>,
) -> Option<DeviceSpec> {
    Some(DeviceSpec {
        id: device.id.get()?.0.clone(),
        name: name_or_id(&device.name, &device.id)?,
        line: line?,
        unit_id: device.unit_id.get()?.0,
        signals,
        max_registers: device.max_registers.get()?.0,
        turnaround: device.turnaround.make(|turnaround| Some(turnaround.value.0))?,
        quiet: device.quiet.get()?.0,
        care: Care { sensor: sensor?, ..care(device.calibration.get()?)? },
    })
}

fn care(table: &Calibration) -> Option<Care> {
    Some(Care {
        function_check_max: table.function_check_max.get()?.0,
        tolerance_pct: table.tolerance.get()?.0,
        every: table.every.make(|every| Some(every.value.0))?,
        sensor: None,
    })
}

fn carries_rtu(line: &Line) -> bool {
    line.serial.is_there() || line.framing.get() == Some(&Framing::Rtu)
}

/// Modbus over Serial Line V1.02, section 2.2: 0 is broadcast and is never answered, 248 to 255 are
/// reserved. A Modbus TCP server may use any.
fn report_impossible_unit_id(device: &Device, problems: &mut Vec<Problem>) {
    let Some(unit_id) = device.unit_id.given() else { return };
    let label = match unit_id.value.0 {
        0 => "0 is the broadcast address, which nobody answers",
        1..=247 => return,
        248..=255 => "248 to 255 are reserved",
    };
    problems.push(
        Problem::new(unit_id.span, "not a unit id of a device", label)
            .help("on a serial line unit ids go from 1 to 247"),
    );
}

/// Two devices with one address answer at the same time, and spoil each other's answers.
fn report_unit_ids_used_twice(
    devices: &[At<Device>],
    on_lines: &[Option<LineIndex>],
    problems: &mut Vec<Problem>,
) {
    let mut seen: Vec<(LineIndex, &At<_>)> = Vec::new();
    for (At { value: device, .. }, line) in devices.iter().zip(on_lines) {
        let (Some(line), Some(unit_id)) = (line, device.unit_id.given()) else { continue };
        match seen.iter().find(|(known, earlier)| known == line && earlier.value == unit_id.value) {
            Some((_, earlier)) => problems.push(
                Problem::new(unit_id.span, "two devices with one unit id", "already taken on this line")
                    .also(earlier.span, "taken here"),
            ),
            None => seen.push((*line, unit_id)),
        }
    }
}
