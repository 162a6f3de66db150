//! Profiles: the signals of one kind of device, written once, laid under the devices that name them.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use super::problem::{Problem, Texts};
use super::raw::{At, Device, Field, Profile, Reader, Root, Signal};
use super::{Sources, parsed};

/// Gives every device with a profile the profile's signals, with its own laid over them.
///
/// A device whose profile cannot be used has [`Field::Broken`] signals from here on.
pub(super) fn lay_under(
    root: &mut Root,
    site_file: &Path,
    sources: &dyn Sources,
    texts: &mut Texts,
    problems: &mut Vec<Problem>,
) {
    let directory = site_file.parent().unwrap_or(Path::new(""));
    let mut profiles: BTreeMap<PathBuf, Option<Profile>> = BTreeMap::new();
    let Field::Given(devices) = &mut root.device else { return };
    for At { value: device, .. } in &mut devices.value {
        let Some(named) = device.profile.given() else { continue };
        let path = directory.join(&named.value.0);
        let profile = profiles.entry(path).or_insert_with_key(|path| match sources.read(path) {
            Ok(text) => read(path, text, texts, problems),
            Err(cause) => {
                problems.push(unreadable(device, path, &cause));
                None
            }
        });
        device.signal = match profile {
            Some(profile) => laid_over(&device.signal, &profile.signal),
            None => Field::Broken,
        };
    }
}

fn read(path: &Path, text: String, texts: &mut Texts, problems: &mut Vec<Problem>) -> Option<Profile> {
    let file = texts.add(path.display().to_string(), text);
    let table = parsed(texts.content(file), file, problems)?;
    Profile::of(&mut Reader { file, problems }, table)
}

fn unreadable(device: &Device, path: &Path, cause: &io::Error) -> Problem {
    let span = device.profile.span_or(device.span);
    Problem::new(span, "cannot read the profile", format!("{}: {cause}", path.display()))
        .help("profiles are looked for relative to the directory of the site file")
}

/// The profile's signals in its order, each with the device's own keys over it, then the device's
/// further signals.
fn laid_over(own: &Field<Vec<At<Signal>>>, profile: &Field<Vec<At<Signal>>>) -> Field<Vec<At<Signal>>> {
    if matches!(own, Field::Broken) || matches!(profile, Field::Broken) {
        return Field::Broken;
    }
    let mut own: Vec<At<Signal>> = own.items().to_vec();
    let mut signals = Vec::new();
    for below in profile.items() {
        let id = below.value.id.get();
        let over = own.iter().position(|signal| id.is_some() && signal.value.id.get() == id);
        signals.push(match over.map(|position| own.remove(position)) {
            Some(over) => At { span: over.span, value: signal_over(over.value, below.value.clone()) },
            None => below.clone(),
        });
    }
    signals.append(&mut own);
    Field::Default(signals)
}

/// Where a value lies is told in two ways: the device's own replaces the profile's other one.
fn signal_over(own: Signal, mut below: Signal) -> Signal {
    if own.address.is_there() || own.reference.is_there() {
        below.address = Field::Absent;
        below.reference = Field::Absent;
    }
    own.over(below)
}
