//! `valid_when` and `suppress_when`: conditions on other signals, each a test that its signal can be put to.

use super::alarm::Known;
use super::circle::circles;
use super::{Directory, signal};
use crate::config::problem::{Problem, Span};
use crate::config::raw::{At, Guard, Root, Signal, StateWord};
use crate::signal::{Guard as GuardSpec, GuardTest, SignalIndex, SignalSpec, ValueType};

/// The signals with their guards put in.
pub(super) fn guarded(
    root: &Root,
    mut signals: Vec<Option<SignalSpec>>,
    problems: &mut Vec<Problem>,
) -> Vec<Option<SignalSpec>> {
    let directory = signal::directory(root);
    let mut all: Vec<Guards> = Vec::new();
    for At { value: device, .. } in root.device.items() {
        let device_id = device.id.get().map_or("", |id| id.0.as_str());
        for At { value: signal, .. } in device.signal.items() {
            all.push(guards(device_id, signal, &directory, &signals, problems));
        }
    }
    report_circles(&all, &directory, problems);
    for (signal, Guards { specs, .. }) in signals.iter_mut().zip(all) {
        *signal = signal.take().zip(specs).map(|(signal, valid_when)| SignalSpec { valid_when, ..signal });
    }
    signals
}

/// The guards of one signal.
struct Guards {
    /// `None` when one of them has been reported.
    specs: Option<Vec<GuardSpec>>,
    /// The signals they look at, and where that is said.
    looked_at: Vec<(SignalIndex, Span)>,
}

fn guards(
    device_id: &str,
    signal: &Signal,
    directory: &Directory<SignalIndex>,
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) -> Guards {
    let mut specs = Vec::new();
    let mut looked_at = Vec::new();
    for At { value: guard, span } in signal.valid_when.items() {
        let index = find(device_id, guard, directory, problems);
        looked_at.extend(index.map(|index| (index, guard.signal.span_or(*span))));
        specs.push(self::guard(guard, index, signals, problems));
    }
    Guards { specs: specs.into_iter().collect(), looked_at }
}

/// The conditions of an alarm, which belongs to no device: names are full.
pub(super) fn on_full_names(
    guards: &[At<Guard>],
    known: &Known,
    problems: &mut Vec<Problem>,
) -> Option<Vec<GuardSpec>> {
    let specs: Vec<Option<GuardSpec>> = guards
        .iter()
        .map(|At { value: guard, .. }| {
            let name = guard.signal.given();
            let index =
                name.and_then(|at| known.signal_names.look_up("signal", &at.value.0, at.span, problems));
            self::guard(guard, index, known.signals, problems)
        })
        .collect();
    specs.into_iter().collect()
}

/// A name without a dot is a signal of the same device.
fn find(
    device_id: &str,
    guard: &Guard,
    directory: &Directory<SignalIndex>,
    problems: &mut Vec<Problem>,
) -> Option<SignalIndex> {
    let At { value: name, span } = guard.signal.given()?;
    let full_name = if name.0.contains('.') { name.0.clone() } else { format!("{device_id}.{}", name.0) };
    directory.look_up("signal", &full_name, *span, problems)
}

fn guard(
    guard: &Guard,
    index: Option<SignalIndex>,
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) -> Option<GuardSpec> {
    let tests = [
        ("above", guard.above.is_there()),
        ("below", guard.below.is_there()),
        ("between", guard.between.is_there()),
        ("is", guard.is.is_there()),
    ];
    let given = tests.iter().filter(|(_, is_there)| *is_there).count();
    if given != 1 {
        let label = format!("expected one of `above`, `below`, `between` and `is`, found {given}");
        problems.push(
            Problem::new(guard.span, "a condition has exactly one test", label)
                .help("write one entry for each test: all of them must hold"),
        );
        return None;
    }
    let index = index?;
    let spec = signals.get(index.0)?.as_ref()?;
    if let Some(state) = guard.is.given() {
        let code = code_of(state, spec, problems)?;
        let is_flag = spec.place.value_type == ValueType::Bool;
        let test = if is_flag { GuardTest::Is(code == 1) } else { GuardTest::IsCode(code) };
        return Some(GuardSpec { signal: index, test });
    }
    if let Some(problem) = not_a_measured_number(spec, guard.span) {
        problems.push(problem.help("use `is` for a state"));
        return None;
    }
    Some(GuardSpec { signal: index, test: number_test(guard, problems)? })
}

fn number_test(guard: &Guard, problems: &mut Vec<Problem>) -> Option<GuardTest> {
    if let Some(limits) = guard.between.given() {
        return signal::range(limits, problems).map(GuardTest::Between);
    }
    let above = guard.above.get().copied().map(GuardTest::Above);
    above.or(guard.below.get().copied().map(GuardTest::Below))
}

/// A problem for a test of limits on a signal that is a state.
pub(super) fn not_a_measured_number(spec: &SignalSpec, span: Span) -> Option<Problem> {
    let label = if spec.place.value_type == ValueType::Bool {
        format!("`{}` is a bool", spec.id)
    } else if spec.states.0.is_empty() {
        return None;
    } else {
        format!("`{}` has named states", spec.id)
    };
    Some(Problem::new(span, "a state has no limits", label))
}

/// The code of a state, by whichever of its names: true, "fault", 3. A bit has the codes 0 and 1.
pub(super) fn code_of(state: &At<StateWord>, spec: &SignalSpec, problems: &mut Vec<Problem>) -> Option<i64> {
    let SignalSpec { id, states, place, .. } = spec;
    let names = || states.0.iter().map(|(_, name)| name.as_str());
    let refused = |label: String| Problem::new(state.span, "not a state of the signal", label);
    let is_flag = place.value_type == ValueType::Bool;
    let is_float = matches!(place.value_type, ValueType::F32 | ValueType::F64);
    let is_scaled = spec.scale.is_some() || spec.current.is_some();
    let problem = match &state.value {
        _ if is_float || is_scaled => refused(format!("`{id}` is a measurement, not a state")),
        StateWord::Flag(flag) if is_flag => return Some(i64::from(*flag)),
        StateWord::Flag(_) => refused(format!("`{id}` is a whole number, not a bool")),
        StateWord::Name(name) => match states.code(name) {
            Some(code) => return Some(code),
            None => refused(format!("`{id}` has no state \"{name}\"")).nearest(name, names()),
        },
        StateWord::Code(_) if is_flag => refused(format!("`{id}` is a bool: write true or false")),
        StateWord::Code(code) if states.0.is_empty() || states.name(*code).is_some() => return Some(*code),
        StateWord::Code(code) => refused(format!("`{id}` names its states, and none has the code {code}")),
    };
    problems.push(problem);
    None
}

/// Reports each condition that closes a circle: two signals that wait for each other are never valid.
fn report_circles(all: &[Guards], directory: &Directory<SignalIndex>, problems: &mut Vec<Problem>) {
    let name = |index: usize| {
        let entry = directory.entries.iter().find(|(_, known)| known.0 == index);
        entry.map_or("?", |(name, _)| name.as_str())
    };
    let looks: Vec<Vec<(usize, Span)>> = all
        .iter()
        .map(|guards| guards.looked_at.iter().map(|(signal, span)| (signal.0, *span)).collect())
        .collect();
    for circle in circles(&looks) {
        problems.push(
            Problem::new(circle.closed_at, "conditions that wait for each other", circle.told(name))
                .help("a signal may not depend on itself, not even through others"),
        );
    }
}
