//! Another site file in force while the daemon runs.
//!
//! Lines whose own settings have changed are stopped, the monitor goes over to the new plan with all that
//! it knows, and those lines are started anew; the others do not notice. What hangs on the order or the
//! names of signals, or on an open socket or file, cannot change while it is in use: such a file is
//! refused as a whole, and everything stays as it was.

use std::collections::BTreeMap;
use std::time::Duration;

use tokio::sync::oneshot;

use crate::config::Site;
use crate::daemon::learned::{self, Known, Memory};
use crate::daemon::settings::{self, Settings};
use crate::daemon::start::lines_silent_max;
use crate::daemon::{Running, StartError, plan};
use crate::history;
use crate::modbus::LinePlan;
use crate::moment::Moment;
use crate::monitor::{Detail, Event, EventKind, Plan};
use crate::signal::LineIndex;

/// The settings that may change while the daemon runs, by how their paths begin.
const CHANGEABLE: [&str; 11] = [
    "alarm.",
    "device.",
    "gas_reference.",
    "line.",
    "measurement_lost.",
    "push_button.",
    "shelving.",
    "signal.",
    "site.ambient_pressure",
    "site.gas_day_start",
    "site.name",
];
/// Problems of a refused file that the journal keeps, and the most characters of each.
const PROBLEMS_KEPT_MAX: usize = 20;
const PROBLEM_CHARS_MAX: usize = 600;
/// Names that are new or gone which a refusal tells; the others are counted.
const NAMES_TOLD_MAX: usize = 3;

/// A new plan on its way to the monitor.
pub(super) struct PlanChange {
    pub(super) plan: Plan,
    pub(super) lines_silent_max: Vec<Duration>,
    /// By what the devices are known from now on.
    pub(super) known: Vec<Known>,
    /// What the journal is told before anything that follows from it.
    pub(super) events: Vec<Event>,
    pub(super) done: oneshot::Sender<()>,
}

/// What a reload has changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reloaded {
    /// How many settings differ.
    pub settings: usize,
    /// The lines that were started anew.
    pub lines: Vec<String>,
}

/// Why a site file is not in force.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// It changes what cannot change while the daemon runs; nothing has changed.
    #[error(
        "{} cannot change while siskin runs. Restart it to put the file in force (`systemctl restart siskin`; \
         alarms, acknowledgements and shelvings outlive that), or put back what was there and reload again. \
         Until then the settings as they were stay in force",
        .0.join(", ")
    )]
    NeedsRestart(Vec<String>),
    /// The daemon is stopping.
    #[error("the daemon is stopping: the file will be read when it starts again")]
    Stopping,
    /// It is in force, but a line could not be started.
    #[error(transparent)]
    Line(#[from] StartError),
}

impl Running {
    /// Puts a site in force in place of the present one.
    ///
    /// # Errors
    /// [`Refused`]; the journal has been told.
    pub async fn reload(&mut self, site: Site) -> Result<Reloaded, Refused> {
        let at = self.handle.now();
        let [before, after] = [&self.site, &site].map(settings_of);
        let fixed = fixed(&self.site, &site, &before, &after);
        if !fixed.is_empty() {
            let refused = Refused::NeedsRestart(fixed);
            self.tell_refused([refused.to_string()]);
            return Err(refused);
        }
        let mut events = settings::changes(&before, &after, at);
        let settings = events.len();
        events.push(reloaded(&site, at));
        let changed = changed_lines(&self.site, &site);
        let indices: Vec<LineIndex> = changed.iter().map(|line| line.line).collect();

        self.lines.stop(&indices).await;
        let (done, is_done) = oneshot::channel();
        let (plan, lines_silent_max) = (plan::monitor_plan(&site), lines_silent_max(&site));
        let change = PlanChange { plan, lines_silent_max, known: learned::known(&site), events, done };
        self.changes.send(change).await.map_err(|_| Refused::Stopping)?;
        is_done.await.map_err(|_| Refused::Stopping)?;
        let memory = Memory::open(&self.lines.data, &site);
        let lines = changed.iter().map(|line| line.spec.id.clone()).collect();
        self.site = site;
        for mut line in changed {
            memory.remind(&mut line);
            self.lines.start(line)?;
        }
        Ok(Reloaded { settings, lines })
    }

    /// Tells the journal that a site file is not in force, and why.
    pub fn tell_refused(&self, problems: impl IntoIterator<Item = String>) {
        let short = |problem: String| problem.chars().take(PROBLEM_CHARS_MAX).collect();
        let problems: Vec<String> = problems.into_iter().take(PROBLEMS_KEPT_MAX).map(short).collect();
        drop(self.recorder.events(vec![Event {
            at: self.handle.now(),
            kind: EventKind::ReloadRefused,
            subject: self.site.id.clone(),
            who: None,
            detail: BTreeMap::from([("problems", Detail::List(problems))]),
        }]));
    }
}

pub(super) fn settings_of(site: &Site) -> Settings {
    site.settings.iter().cloned().collect()
}

fn reloaded(site: &Site, at: Moment) -> Event {
    let settings = history::settings_as_detail(&site.settings);
    let sha256 = Detail::Text(site.sha256.clone());
    Event {
        at,
        kind: EventKind::Reloaded,
        subject: site.id.clone(),
        who: None,
        detail: BTreeMap::from([("site_sha256", sha256), (history::SETTINGS_DETAIL, settings)]),
    }
}

/// What differs and cannot change while the daemon runs, in words.
fn fixed(old: &Site, new: &Site, before: &Settings, after: &Settings) -> Vec<String> {
    let ids = |site: &Site| {
        let lines: Vec<String> = site.lines.iter().map(|line| line.id.clone()).collect();
        let devices: Vec<String> = site.devices.iter().map(|device| device.id.clone()).collect();
        let signals: Vec<String> = site.signals.iter().map(|signal| signal.id.clone()).collect();
        [lines, devices, signals]
    };
    let lists = ["lines", "devices", "signals"].into_iter().zip(ids(old)).zip(ids(new));
    let lists = lists.filter_map(|((what, old), new)| list_changed(what, &old, &new));
    let may_change = |path: &String| CHANGEABLE.iter().any(|prefix| path.starts_with(prefix));
    let paths = settings::differing(before, after).into_iter().filter(|path| !may_change(path));
    lists.chain(paths.cloned()).collect()
}

/// What differs in a list of names: which are new, which are gone, or that only their order changed.
fn list_changed(what: &str, old: &[String], new: &[String]) -> Option<String> {
    let only_in = |one: &[String], other: &[String], how: &str| {
        let names: Vec<&str> = one.iter().filter(|name| !other.contains(name)).map(String::as_str).collect();
        let more = names.len().saturating_sub(NAMES_TOLD_MAX);
        let told = names[..names.len() - more].join(" ");
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        (!names.is_empty()).then(|| format!("{how} {told}{more}"))
    };
    let parts: Vec<String> =
        only_in(new, old, "new:").into_iter().chain(only_in(old, new, "gone:")).collect();
    match (old == new, parts.is_empty()) {
        (true, _) => None,
        (false, true) => Some(format!("the order of the {what}")),
        (false, false) => Some(format!("which {what} there are ({})", parts.join("; "))),
    }
}

/// The lines whose threads work by other settings than before, as they are to work from now on.
fn changed_lines(old: &Site, new: &Site) -> Vec<LinePlan> {
    let pairs = LinePlan::of(old).into_iter().zip(LinePlan::of(new));
    pairs.filter(|(old, new)| old != new).map(|(_, new)| new).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refused_list_says_what_is_new_and_what_is_gone() {
        let names = |names: &str| -> Vec<String> { names.split(' ').map(str::to_owned).collect() };
        let told = |old, new| list_changed("lines", &names(old), &names(new));
        assert_eq!(told("east west", "east west"), None);
        assert_eq!(told("east west", "west east").as_deref(), Some("the order of the lines"));
        assert_eq!(told("east", "east annex").as_deref(), Some("which lines there are (new: annex)"));
        let renamed = "which lines there are (new: annex; gone: yard)";
        assert_eq!(told("east yard", "east annex").as_deref(), Some(renamed));
        let many = "which lines there are (new: b c d and 2 more)";
        assert_eq!(told("a", "a b c d e f").as_deref(), Some(many));
    }

    #[test]
    fn a_refusal_says_what_to_do() {
        let refused = Refused::NeedsRestart(vec!["site.time_zone".to_owned()]).to_string();
        assert!(refused.starts_with("site.time_zone cannot change while siskin runs"), "{refused}");
        for what_to_do in
            ["Restart it", "systemctl restart siskin", "put back what was there and reload again"]
        {
            assert!(refused.contains(what_to_do), "{refused}");
        }
        assert!(refused.chars().count() < PROBLEM_CHARS_MAX / 2, "the journal keeps it whole");
    }
}
