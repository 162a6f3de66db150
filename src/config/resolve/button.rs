//! Push-buttons: each a bool of its own.

use super::{all, report_twice, signal};
use crate::config::PushButtonSpec;
use crate::config::problem::Problem;
use crate::config::raw::{At, PushButton, Root, Text};
use crate::signal::{SignalSpec, ValueType};

/// Every push-button of the file, in its order.
pub(super) fn push_buttons(
    root: &Root,
    signals: &[Option<SignalSpec>],
    problems: &mut Vec<Problem>,
) -> Option<Vec<PushButtonSpec>> {
    let names = signal::directory(root);
    let buttons = root.push_button.items();
    let read_from: Vec<At<Text>> =
        buttons.iter().filter_map(|button| button.value.signal.given().cloned()).collect();
    report_twice("two push-buttons on one signal", &read_from, problems);
    let button = |At { value: PushButton { signal, asks, .. }, .. }: &At<PushButton>| {
        let At { value: name, span } = signal.given()?;
        let index = names.look_up("signal", &name.0, *span, problems)?;
        let spec = signals.get(index.0)?.as_ref()?;
        if spec.place.value_type != ValueType::Bool {
            let label = format!("`{}` is not a bool", spec.id);
            problems.push(
                Problem::new(*span, "a push-button is a bool", label)
                    .help("a discrete input or a coil; or one `bit` of a register"),
            );
            return None;
        }
        Some(PushButtonSpec { signal: index, asks: *asks.get()? })
    };
    all(buttons.iter().map(button).collect())
}
