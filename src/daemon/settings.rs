//! Which settings differ from those last recorded: one event for each, old and new.

use std::collections::{BTreeMap, BTreeSet};

use crate::moment::Moment;
use crate::monitor::{Detail, Event, EventKind};

/// Settings by path.
pub(super) type Settings = BTreeMap<String, String>;

/// One event for each setting that differs.
pub(super) fn changes(old: &Settings, new: &Settings, at: Moment) -> Vec<Event> {
    let changed = differing(old, new).into_iter();
    changed.map(|path| change(path, old.get(path), new.get(path), at)).collect()
}

/// The paths of the settings that differ.
pub(super) fn differing<'a>(old: &'a Settings, new: &'a Settings) -> Vec<&'a String> {
    let paths: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    paths.into_iter().filter(|path| old.get(*path) != new.get(*path)).collect()
}

fn change(path: &str, old: Option<&String>, new: Option<&String>, at: Moment) -> Event {
    let mut detail = BTreeMap::new();
    for (name, value) in [("old", old), ("new", new)] {
        if let Some(value) = value {
            detail.insert(name, Detail::Text(value.clone()));
        }
    }
    Event { at, kind: EventKind::SettingChanged, subject: path.to_owned(), who: None, detail }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::{Mono, Wall};

    fn settings(pairs: &[(&str, &str)]) -> Settings {
        pairs.iter().map(|(path, value)| ((*path).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn only_what_differs_is_told_with_old_and_new() {
        let old =
            settings(&[("alarm.a.setpoint", "4.0"), ("alarm.a.deadband", "0.2"), ("line.x.baud", "9600")]);
        let new =
            settings(&[("alarm.a.setpoint", "5.0"), ("alarm.a.deadband", "0.2"), ("line.y.baud", "9600")]);
        let at = Moment { mono: Mono::ZERO, wall: Wall::UNIX_EPOCH };
        let told: Vec<_> = changes(&old, &new, at)
            .into_iter()
            .map(|event| {
                (event.subject.clone(), event.detail.get("old").cloned(), event.detail.get("new").cloned())
            })
            .collect();
        let text = |text: &str| Some(Detail::Text(text.to_owned()));
        assert_eq!(
            told,
            [
                ("alarm.a.setpoint".to_owned(), text("4.0"), text("5.0")),
                ("line.x.baud".to_owned(), text("9600"), None),
                ("line.y.baud".to_owned(), None, text("9600")),
            ]
        );
    }
}
