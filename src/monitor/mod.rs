//! The pure core: everything that decides.
//!
//! `step(state, input, now) -> output`. Inputs are readings from the lines, reports on the lines
//! themselves, operator actions, and the passing of time. Outputs are events for the journal and
//! samples for the history; everything known is in the [`Snapshot`]. No clock, no IO, no async.

mod action;
mod alarms;
mod button;
mod calibrate;
mod care;
mod clock;
mod disk;
mod event;
mod judge;
mod link;
mod plan;
mod recall;
mod replan;
mod restore;
mod retell;
mod sensor;
mod snapshot;
mod state;
mod step;
mod withhold;

pub use action::{Action, ActionKind, ActionResult, Decision, ONE_SHOT_DETAIL, Refusal, Targets};
pub use calibrate::{GasTest, Recorded};
pub use care::{FunctionCheck, Hindrance, Work, WorkKind, Worked};
pub use clock::{ClockStatus, ClockStep};
pub use disk::{DiskUse, Outlook};
pub use event::{Detail, Event, EventKind, Who};
pub use link::{
    BlockReport, Counters, DeviceReport, DeviceState, LineReport, LineState, Loan, RecordReport, Spread,
};
pub use plan::{DeviceLabel, Plan, PushButton, SHELVE_MAX_DEFAULT};
pub use recall::{Recall, remembered_signals};
pub use replan::replan;
pub use restore::{CareTold, Remembered, RememberedCare, restore, restore_care};
pub use retell::{CARRIED_OVER_DETAIL, retell};
pub use sensor::{DRIFTS_KEPT_MAX, ExposureReport, Fitted, SensorChange, SensorInPlace, sensors_in_place};
pub use snapshot::{AlarmStatus, DeviceStatus, LineStatus, SensorStatus, SignalStatus, Snapshot, snapshot};
pub use state::State;
pub use step::{Input, Output, step};

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests;

#[cfg(test)]
mod invariants;
