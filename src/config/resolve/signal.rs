//! Signals: how a raw value becomes a measurement, a state or a code.

use std::time::Duration;

use super::{Directory, place, report_duplicates};
use crate::config::problem::{Problem, Span};
use crate::config::raw::{At, Current, Device, Field, Root, Scale, Signal, StateNames, spell_duration};
use crate::signal::{CurrentLoop, DeviceIndex, Range, SignalIndex, SignalSpec, States, ValueType};

/// Without `stale_after`: so many polls may fail in a row before the last answer no longer counts.
const STALE_AFTER_POLLS: u32 = 3;
/// Without `stale_after`: the least time before the last answer no longer counts.
const STALE_AFTER_MIN: Duration = Duration::from_secs(3);

/// Every signal of every device, in file order, without its guards.
pub(super) fn signals(root: &Root, problems: &mut Vec<Problem>) -> Vec<Option<SignalSpec>> {
    let mut resolved = Vec::new();
    for (index, At { value: device, .. }) in root.device.items().iter().enumerate() {
        let signals = device.signal.items();
        report_duplicates("signals of a device", signals.iter().map(|signal| &signal.value.id), problems);
        for signal in signals {
            resolved.push(self::signal(DeviceIndex(index), device, &signal.value, problems));
        }
    }
    resolved
}

/// Every signal by its full name, `device.signal`.
pub(super) fn directory(root: &Root) -> Directory<SignalIndex> {
    let mut entries = Vec::new();
    let mut whole = !matches!(root.device, Field::Broken);
    let mut index = 0;
    for At { value: device, .. } in root.device.items() {
        whole &= !matches!(device.signal, Field::Broken);
        for At { value: signal, .. } in device.signal.items() {
            match full_name(device, signal) {
                Some(name) => entries.push((name, SignalIndex(index))),
                None => whole = false,
            }
            index += 1;
        }
    }
    Directory { entries, whole }
}

fn full_name(device: &Device, signal: &Signal) -> Option<String> {
    Some(format!("{}.{}", device.id.get()?.0, signal.id.get()?.0))
}

fn signal(
    index: DeviceIndex,
    device: &Device,
    signal: &Signal,
    problems: &mut Vec<Problem>,
) -> Option<SignalSpec> {
    let registers_max = device.max_registers.get().map(|max| max.0);
    let place = place::place(signal, registers_max, problems);
    let value_type = place.map(|place| place.value_type);
    let current = signal.current.make(|at| self::current(at, value_type, problems));
    let scale = signal.scale.make(|at| self::scale(at, value_type, problems));
    let range = signal.range.make(|at| self::range(at, problems));
    let is_scaled = signal.scale.is_there() || signal.current.is_there();
    let states = signal.states.make(|at| self::states(at, value_type?, is_scaled, problems));
    let times = times(device, signal, problems);
    let (poll_every, stale_after) = times?;
    Some(SignalSpec {
        id: full_name(device, signal)?,
        name: signal.name.get().map(|name| name.0.clone()),
        tag: signal.tag.get().map(|tag| tag.0.clone()),
        device: index,
        place: place?,
        current: current?,
        scale: scale?,
        states: states?.unwrap_or_default(),
        unit: signal.unit.get().map(|unit| unit.0.clone()),
        range: range?,
        valid_when: Vec::new(),
        settle: signal.settle.get()?.0,
        poll_every,
        stale_after,
    })
}

fn current(
    at: &At<Current>,
    value_type: Option<ValueType>,
    problems: &mut Vec<Problem>,
) -> Option<CurrentLoop> {
    report_not_a_number("current", at.span, value_type, problems);
    let milliamps = line_through(&at.value.raw, &at.value.milliamps, problems)?;
    Some(CurrentLoop { milliamps })
}

fn scale(
    at: &At<Scale>,
    value_type: Option<ValueType>,
    problems: &mut Vec<Problem>,
) -> Option<crate::signal::Scale> {
    report_not_a_number("scale", at.span, value_type, problems);
    line_through(&at.value.from, &at.value.to, problems)
}

fn report_not_a_number(key: &str, span: Span, value_type: Option<ValueType>, problems: &mut Vec<Problem>) {
    if value_type == Some(ValueType::Bool) {
        let title = format!("`{key}` is for numbers");
        problems.push(Problem::new(span, title, "this signal is a bool").help("remove it"));
    }
}

/// A straight line through two points that differ in both coordinates.
fn line_through(
    from: &Field<[f64; 2]>,
    to: &Field<[f64; 2]>,
    problems: &mut Vec<Problem>,
) -> Option<crate::signal::Scale> {
    for At { value: [first, second], span } in [from, to].into_iter().filter_map(Field::given) {
        if first == second {
            problems.push(
                Problem::new(*span, "two equal points", "no straight line goes through them")
                    .help("give the values at two different points, such as both ends of the range"),
            );
        }
    }
    Some(crate::signal::Scale { from: *from.get()?, to: *to.get()? })
}

/// The closed interval; reports one that is empty or upside down.
pub(super) fn range(at: &At<[f64; 2]>, problems: &mut Vec<Problem>) -> Option<Range> {
    let [low, high] = at.value;
    if low < high {
        return Some(Range { low, high });
    }
    let label = format!("{low:?} is not less than {high:?}");
    problems.push(Problem::new(at.span, "the limits are upside down", label).help("write [low, high]"));
    None
}

/// Names for the two states of a bit, or for the codes of an integer that is not scaled.
fn states(
    at: &At<StateNames>,
    value_type: ValueType,
    is_scaled: bool,
    problems: &mut Vec<Problem>,
) -> Option<States> {
    if matches!(value_type, ValueType::F32 | ValueType::F64) || is_scaled {
        let label = if is_scaled { "this signal is scaled" } else { "this signal is a float" };
        problems.push(Problem::new(at.span, "`states` is for bools and whole numbers", label));
        return None;
    }
    let mut states: Vec<(i64, String)> = Vec::new();
    for (key, name) in &at.value.0 {
        match (value_type, key.value.as_str(), key.value.parse()) {
            (ValueType::Bool, "false", _) => states.push((0, name.value.0.clone())),
            (ValueType::Bool, "true", _) => states.push((1, name.value.0.clone())),
            (ValueType::Bool, _, _) => problems.push(unknown_state(key, "false or true")),
            (_, _, Ok(code)) => states.push((code, name.value.0.clone())),
            (_, _, Err(_)) => problems.push(unknown_state(key, "a whole number")),
        }
        if states.iter().filter(|(_, known)| *known == name.value.0).count() > 1 {
            problems.push(Problem::new(name.span, "two states with one name", "already taken"));
        }
    }
    Some(States(states))
}

fn unknown_state(key: &At<String>, expected: &str) -> Problem {
    let label = format!("expected {expected}, found `{}`", key.value);
    Problem::new(key.span, "not a state of this signal", label)
}

/// `poll_every` and `stale_after`: the signal's own, or else the device's.
fn times(device: &Device, signal: &Signal, problems: &mut Vec<Problem>) -> Option<(Duration, Duration)> {
    let poll_every = signal.poll_every.get().or(device.poll_every.get())?.0;
    let stale_after = signal.stale_after.given().or(device.stale_after.given());
    match stale_after {
        Some(At { value, span }) if value.0 < poll_every => {
            let label = format!("shorter than `poll_every`, which is \"{}\"", spell_duration(poll_every));
            problems.push(
                Problem::new(*span, "every sample would go stale before the next is read", label)
                    .help("allow at least two polls to fail: three times `poll_every`"),
            );
            None
        }
        Some(At { value, .. }) => Some((poll_every, value.0)),
        None => Some((poll_every, STALE_AFTER_MIN.max(poll_every.saturating_mul(STALE_AFTER_POLLS)))),
    }
}
