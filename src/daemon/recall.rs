//! At a start, hands the record of what alarms remember (averages, trends, values that stand still) to
//! the monitor.
//!
//! This is done in the monitor's own thread, while the lines already ask: no first poll waits for it,
//! only the judging of what comes in meanwhile. What the site file now has read otherwise is left out:
//! an old number under a new unit would be a false one. What takes too long, or cannot be read, is said
//! and left out as well; those alarms then begin as on a new site.

use std::time::Duration;

use crate::daemon::settings::{Settings, differing};
use crate::history::SampleReader;
use crate::moment::Clock;
use crate::monitor::{Plan, Recall, State, remembered_signals};
use crate::signal::{Reason, Sample, SignalIndex};

/// No further signal is begun with once it has taken so long.
const RECALLING_MAX: Duration = Duration::from_secs(10);

/// Settings of a signal that change nothing in what its numbers mean.
const MEANING_THE_SAME: [&str; 6] = ["name", "poll_every", "settle", "stale_after", "tag", "valid_when"];
/// Settings of a device that decide whom its signals are read from.
const WHOM: [&str; 2] = ["line", "unit_id"];

/// The record, and what of it means the same as now.
pub(super) struct Recorded {
    samples: SampleReader,
    /// The settings in force differ in these paths from those under which it was recorded.
    changed: Vec<String>,
}

impl Recorded {
    /// `before` are the settings under which it was recorded, as far as that is known.
    pub(super) fn new(samples: SampleReader, before: Option<&Settings>, in_force: &Settings) -> Self {
        let changed = before.map_or_else(Vec::new, |before| differing(before, in_force));
        Recorded { samples, changed: changed.into_iter().cloned().collect() }
    }

    /// Hands it to the conditions of the alarms, before the monitor's first step.
    pub(super) fn hand_to(&self, plan: &Plan, state: &mut State, clock: &Clock) {
        let (began, now) = (clock().mono, state.now().wall);
        for (signal, from) in remembered_signals(plan, state) {
            let id = &plan.signals[signal.0].id;
            if clock().mono.since(began) > RECALLING_MAX {
                tracing::warn!(
                    "{id}: the record is not read back, it would take too long; averages begin anew"
                );
                continue;
            }
            if !self.means_the_same(plan, signal) {
                tracing::info!("{id}: it is read otherwise than before; averages begin anew");
                continue;
            }
            let mut recall = Recall::of(plan, state, signal);
            let read = self.samples.each_sample(id, from, now, |kept| {
                let at = crate::moment::Moment { mono: began, wall: kept.time };
                let sample = match (kept.value, kept.reasons.is_empty()) {
                    (None, true) => Sample::absent(Reason::NotYetRead, at),
                    _ => Sample::new(kept.value, kept.reasons, at),
                };
                recall.take(kept.time, sample);
            });
            recall.finish();
            if let Err(error) = read {
                tracing::error!(
                    "{id}: averages begin anew from where the record cannot be read back: {error}"
                );
            }
        }
        state.recalled(plan);
    }

    fn means_the_same(&self, plan: &Plan, signal: SignalIndex) -> bool {
        let spec = &plan.signals[signal.0];
        let device = &plan.devices[spec.device.0].id;
        let key = |path: &str, of: &str| path.strip_prefix(of)?.strip_prefix('.').map(str::to_owned);
        !self.changed.iter().any(|path| {
            let of_signal = key(path, &format!("signal.{}", spec.id));
            let of_device = key(path, &format!("device.{device}"));
            of_signal.is_some_and(|key| !MEANING_THE_SAME.contains(&key.as_str()))
                || of_device.is_some_and(|key| WHOM.contains(&key.as_str()))
        })
    }
}
