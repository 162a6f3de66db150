//! Stage two: what the settings mean together. Builds the [`Site`], and reports *every* setting that
//! is impossible or contradicts another.
//!
//! Each function reports what it finds and goes on with what is left: a `None` always means that
//! something has been reported. Nothing is reported that only follows from another fault.

mod alarm;
mod button;
mod circle;
mod device;
mod guard;
mod http;
mod kind;
mod line;
mod lost;
mod place;
mod sensor;
mod signal;
mod unit;
mod vote;

pub use place::table_and_item;

use sha2::{Digest, Sha256};

use super::problem::{Problem, Span, Texts};
use super::raw::{At, Control, Field, History, Id, Listen, Root, Scada, SiteTable, Text};
use super::settings::settings;
use super::{ControlSpec, HistorySpec, ScadaSpec, Site};

/// The most lines of a site: each has a thread of its own.
const LINES_MAX: usize = 32;
/// The most devices of a site.
const DEVICES_MAX: usize = 512;
/// The most signals of a site: the history numbers them with ten bits.
const SIGNALS_MAX: usize = 1024;
/// The most alarms that a site file describes.
const ALARMS_MAX: usize = 2048;
/// The most alarms that one vote counts.
const VOTERS_MAX: usize = 64;
/// The most conditions on one signal or alarm.
const CONDITIONS_MAX: usize = 64;
/// The most push-buttons of a site: each new sample is held against them all.
const PUSH_BUTTONS_MAX: usize = 32;

/// The checked site. `None`, or a problem reported, when it cannot be run.
pub(super) fn site(root: &Root, texts: &Texts, problems: &mut Vec<Problem>) -> Option<Site> {
    if report_too_many(root, problems) {
        return None;
    }
    let lines = line::lines(root, problems);
    let devices = device::devices(root, problems);
    let signals = signal::signals(root, problems);
    let signals = guard::guarded(root, signals, problems);
    let alarms = alarm::alarms(root, &signals, problems);
    let push_buttons = button::push_buttons(root, &signals, problems);
    sensor::report_states(root, &devices, &signals, problems);
    report_nothing_to_poll(root, problems);

    let gas = unit::gas(root);
    let SiteTable { id, name, time_zone, gas_day_start, .. } = root.site.get()?;
    Some(Site {
        id: id.get()?.0.clone(),
        name: name_or_id(name, id)?,
        time_zone: time_zone.get()?.clone(),
        gas_day_start: *gas_day_start.get()?,
        gas_reference: gas.reference?,
        ambient_pa: gas.ambient_pa,
        substances: gas.substances,
        history: history(root.history.get()?)?,
        http: http::http(root.http.get()?, problems)?,
        scada: root.scada.make(|table| scada(&table.value))?.flatten(),
        control: control(root.control.get()?)?,
        lines: all(lines)?,
        devices: all(devices)?,
        signals: all(signals)?,
        alarms: alarms?,
        push_buttons: push_buttons?,
        shelve_max: root.shelving.get()?.max.get()?.0,
        sha256: sha256(texts),
        settings: settings(root),
    })
}

/// All of them, or `None` when one is missing.
fn all<T>(items: Vec<Option<T>>) -> Option<Vec<T>> {
    items.into_iter().collect()
}

fn name_or_id(name: &Field<Text>, id: &Field<Id>) -> Option<String> {
    match name {
        Field::Broken => None,
        Field::Absent => id.get().map(|id| id.0.clone()),
        Field::Default(name) | Field::Given(At { value: name, .. }) => Some(name.0.clone()),
    }
}

fn history(table: &History) -> Option<HistorySpec> {
    Some(HistorySpec {
        keep_samples: table.keep_samples.get()?.0,
        max_size_bytes: table.max_size.get()?.0,
        flush_every: table.flush_every.get()?.0,
    })
}

/// `Some(None)` when it is turned off.
fn scada(table: &Scada) -> Option<Option<ScadaSpec>> {
    let bad_value = table.bad_value.get()?.0;
    Some(match *table.listen.get()? {
        Listen::Off => None,
        Listen::On(listen) => Some(ScadaSpec { listen, bad_value }),
    })
}

fn control(table: &Control) -> Option<ControlSpec> {
    Some(ControlSpec { socket: table.socket.get()?.0.clone().into() })
}

/// SHA-256 in hex over the site file and its profiles, one after the other in the order in which
/// they are first named: what `cat FILE PROFILE… | sha256sum` prints.
fn sha256(texts: &Texts) -> String {
    let mut hash = Sha256::new();
    for text in texts.contents() {
        hash.update(text.as_bytes());
    }
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Reports lists that are too long, and whether there is one.
fn report_too_many(root: &Root, problems: &mut Vec<Problem>) -> bool {
    let before = problems.len();
    let devices = root.device.items();
    let signals: usize = devices.iter().map(|device| device.value.signal.items().len()).sum();
    for (what, count, limit) in [
        ("lines", root.line.items().len(), LINES_MAX),
        ("devices", devices.len(), DEVICES_MAX),
        ("signals", signals, SIGNALS_MAX),
        ("alarms", root.alarm.items().len(), ALARMS_MAX),
        ("push-buttons", root.push_button.items().len(), PUSH_BUTTONS_MAX),
    ] {
        if count > limit {
            problems.push(Problem::without_place(format!("too many {what}: {count}, at most {limit}")));
        }
    }
    for At { value: signal, .. } in devices.iter().flat_map(|device| device.value.signal.items()) {
        report_too_long("conditions on a signal", &signal.valid_when, CONDITIONS_MAX, problems);
    }
    for At { value: alarm, .. } in root.alarm.items() {
        report_too_long("conditions on an alarm", &alarm.suppress_when, CONDITIONS_MAX, problems);
        report_too_long("alarms in a vote", &alarm.of, VOTERS_MAX, problems);
    }
    if let Some(lost) = root.measurement_lost.get() {
        report_too_long("signals", &lost.off_for, SIGNALS_MAX, problems);
    }
    problems.len() > before
}

fn report_too_long<T>(what: &str, list: &Field<Vec<T>>, limit: usize, problems: &mut Vec<Problem>) {
    if let Some(At { value: items, span }) = list.given().filter(|list| list.value.len() > limit) {
        problems.push(Problem::new(*span, format!("too many {what}: {}, at most {limit}", items.len()), ""));
    }
}

fn report_nothing_to_poll(root: &Root, problems: &mut Vec<Problem>) {
    if root.device.items().is_empty() && !matches!(root.device, Field::Broken) {
        problems.push(
            Problem::without_place("nothing to poll: the site has no device")
                .help("describe each analyzer as a [[device]] with its [[device.signal]] tables"),
        );
    }
    for device in root.device.items() {
        let signals = &device.value.signal;
        if signals.items().is_empty() && !matches!(signals, Field::Broken) {
            problems.push(
                Problem::new(device.span, "nothing to poll", "this device has no signal")
                    .help("give it [[device.signal]] tables or a profile"),
            );
        }
    }
}

/// Reports every id that an earlier item of the same sort already has.
fn report_duplicates<'a>(
    what: &str,
    ids: impl IntoIterator<Item = &'a Field<Id>>,
    problems: &mut Vec<Problem>,
) {
    let mut seen: Vec<&At<Id>> = Vec::new();
    for id in ids.into_iter().filter_map(Field::given) {
        match seen.iter().find(|earlier| earlier.value == id.value) {
            Some(earlier) => problems.push(
                Problem::new(id.span, format!("two {what} with one id"), "already taken")
                    .also(earlier.span, "taken here"),
            ),
            None => seen.push(id),
        }
    }
}

/// Reports every text of a list that stands in it already.
fn report_twice(title: &str, texts: &[At<Text>], problems: &mut Vec<Problem>) {
    for (index, text) in texts.iter().enumerate() {
        let earlier = texts.iter().take(index).find(|earlier| earlier.value == text.value);
        problems
            .extend(earlier.map(|earlier| {
                Problem::new(text.span, title, "here again").also(earlier.span, "here first")
            }));
    }
}

/// Names and what they stand for.
struct Directory<T> {
    entries: Vec<(String, T)>,
    /// Whether every name is known; if not, one that is not found may yet be there.
    whole: bool,
}

impl<T: Copy> Directory<T> {
    fn find(&self, name: &str) -> Option<T> {
        self.entries.iter().find(|(known, _)| known == name).map(|(_, item)| *item)
    }

    /// What `name` stands for; reports a name that stands for nothing, with the nearest that does.
    fn look_up(&self, what: &str, name: &str, span: Span, problems: &mut Vec<Problem>) -> Option<T> {
        let found = self.find(name);
        if found.is_none() && self.whole {
            let problem =
                Problem::new(span, format!("unknown {what}"), format!("there is no {what} `{name}`"));
            problems.push(problem.nearest(name, self.entries.iter().map(|(known, _)| known.as_str())));
        }
        found
    }
}
