//! What the machine that siskin runs on says of its clock, and what the monitor makes of it.
//!
//! Nothing of the watch hangs on the wall clock: every duration is measured on the other one. But what is
//! recorded and shown is told by it, so people must know when it cannot be believed.

use std::time::Duration;

use crate::moment::{Moment, Wall};
use crate::monitor::step::Step;
use crate::monitor::{Detail, Event, EventKind, State};

/// What is known of the wall clock.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ClockStatus {
    /// Whether something keeps it right, over a network or by a receiver; `None` when nobody says.
    pub synchronized: Option<bool>,
    /// When it was last stepped since the start (the time after the step), and by how much.
    pub stepped: Option<(Wall, ClockStep)>,
    /// At the start it stood before what was recorded last: the time of that.
    pub recorded_until: Option<Wall>,
}

/// How far the wall clock was stepped, in milliseconds; ahead is positive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockStep {
    /// In milliseconds.
    pub ms: i64,
}

impl ClockStep {
    /// In seconds, to the millisecond; beyond 68 years, as 68 years.
    pub fn seconds(self) -> f64 {
        let whole = i32::try_from(self.ms / 1000).unwrap_or(if self.ms < 0 { i32::MIN } else { i32::MAX });
        let rest_ms = i32::try_from(self.ms % 1000).unwrap_or(0);
        f64::from(whole) + f64::from(rest_ms) / 1000.0
    }
}

/// A difference between the two clocks beyond this is a step of the wall clock, not its slewing.
const STEP_MS_MIN: i64 = 500;

/// How far the wall clock was stepped between two moments, if it was.
pub(super) fn step_between(from: Moment, to: Moment) -> Option<ClockStep> {
    let passed_ms = i64::try_from(to.mono.since(from.mono).as_millis()).unwrap_or(i64::MAX);
    let wall_ms = to.wall.as_millisecond() - from.wall.as_millisecond();
    let ms = wall_ms.saturating_sub(passed_ms);
    (ms.abs() >= STEP_MS_MIN).then_some(ClockStep { ms })
}

impl State {
    /// Compares the clock at the start with the time of what was recorded last. A machine without a
    /// battery for its clock begins in the past, until something sets it. Returns what the journal is told.
    pub fn begin_after(&mut self, recorded_until: Option<Wall>, site_id: &str) -> Option<Event> {
        let until = recorded_until?;
        let behind = Duration::try_from(until.duration_since(self.now.wall)).ok()?;
        if behind < Duration::from_millis(STEP_MS_MIN.unsigned_abs()) {
            return None;
        }
        self.known.clock.recorded_until = Some(until);
        let ms = i64::try_from(behind.as_millis()).unwrap_or(i64::MAX);
        let detail = [
            ("recorded_until", Detail::Text(format!("{until:.3}"))),
            ("behind_s", Detail::Number(ClockStep { ms }.seconds())),
        ];
        let (kind, subject) = (EventKind::ClockBehind, site_id.to_owned());
        Some(Event { at: self.now, kind, subject, who: None, detail: detail.into() })
    }
}

impl Step<'_> {
    /// Tells when the clock comes to be kept right, and when it no longer is; that nobody says, is not told.
    pub(super) fn take_synchronized(&mut self, synchronized: Option<bool>) {
        let before = std::mem::replace(&mut self.state.known.clock.synchronized, synchronized);
        let kind = match (before, synchronized) {
            (Some(false), Some(true)) => EventKind::ClockSynchronized,
            (None | Some(true), Some(false)) => EventKind::ClockUnsynchronized,
            (_, None) | (None | Some(true), Some(true)) | (Some(false), Some(false)) => return,
        };
        self.tell_plainly(kind, &self.plan.site_id, []);
    }

    pub(super) fn note_clock_step(&mut self, step: ClockStep) {
        self.state.known.clock.stepped = Some((self.state.now.wall, step));
        let step_s = Detail::Number(step.seconds());
        self.tell_plainly(EventKind::ClockStepped, &self.plan.site_id, [("step_s", step_s)]);
    }
}
