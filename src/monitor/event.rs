//! What happened: the events that the journal keeps.
//!
//! An event is a kind, a subject (an alarm, a line, a device, the site), who did it when a person
//! did, and a few named details. Its words are a contract with everybody who reads the journal:
//! they may be added to, never changed. The pure core makes events; the journal numbers and chains
//! them.

use std::collections::BTreeMap;
use std::fmt;

use crate::moment::Moment;
use crate::proving::record;

/// One event.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When it happened.
    pub at: Moment,
    /// What happened.
    pub kind: EventKind,
    /// The id of what it happened to.
    pub subject: String,
    /// Who did it, when a person did.
    pub who: Option<Who>,
    /// Details by name, e.g. `value`, `setpoint`, `state`, `reasons`, `remark`.
    pub detail: BTreeMap<&'static str, Detail>,
}

/// A detail of an event.
#[derive(Debug, Clone, PartialEq)]
pub enum Detail {
    /// A number; always finite.
    Number(f64),
    /// A yes or no.
    Flag(bool),
    /// Words.
    Text(String),
    /// Several words.
    List(Vec<String>),
}

/// An operator, as the operating system knows them and as they call themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Who {
    /// The operating-system user of the calling process.
    pub user: String,
    /// The name they gave, if any.
    pub name: Option<String>,
}

impl fmt::Display for Who {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.name {
            Some(name) => write!(out, "{name} ({})", self.user),
            None => out.write_str(&self.user),
        }
    }
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EventKind {
    /// The daemon started. Details: version, site_sha256.
    Started,
    /// The daemon stopped in good order.
    Stopped,
    /// A setting differs from the start before. Details: setting, old, new.
    SettingChanged,
    /// The site file was read anew and is in force. Details: site_sha256, settings.
    Reloaded,
    /// The site file was read anew and is not in force: everything is as it was. Details: problems.
    ReloadRefused,
    /// The wall clock was stepped. Details: step_s.
    ClockStepped,
    /// At the start the wall clock stood before what was recorded last. Details: recorded_until, behind_s.
    ClockBehind,
    /// The wall clock is kept right (again), by a time server or a receiver.
    ClockSynchronized,
    /// Nothing keeps the wall clock right (any more).
    ClockUnsynchronized,
    /// A line's port cannot be opened, or has gone away. Details: cause.
    LineDown,
    /// A line's port is open (again).
    LineUp,
    /// A line passes so many damaged frames that its samples are uncertain.
    LineNoisy,
    /// A line is quiet again.
    LineQuiet,
    /// A line was lent to somebody who works on it: its devices are not asked. Details: until, remark.
    LineLent,
    /// A lent line is back. Details: by (`time`; absent when it was given back).
    LineReturned,
    /// A device stopped answering.
    DeviceLost,
    /// A device answers (again).
    DeviceOnline,
    /// An alarm was raised. Details: state, value, setpoint, reasons.
    AlarmRaised,
    /// An alarm's condition is gone. Details: state, value.
    AlarmCleared,
    /// An operator acknowledged an alarm. Details: state, remark.
    AlarmAcknowledged,
    /// An operator reset a latched alarm. Details: state, remark.
    AlarmReset,
    /// An acknowledged alarm was still active after its re-alarm time. Details: state.
    AlarmRealarmed,
    /// An operator shelved an alarm. Details: state, until (when timed), remark.
    AlarmShelved,
    /// An alarm's shelving ended. Details: state, by (`time`, `one_shot`; absent when a person did), remark.
    AlarmUnshelved,
    /// The site's logic suppressed an alarm. Details: state.
    AlarmSuppressed,
    /// The site's logic no longer suppresses an alarm. Details: state.
    AlarmUnsuppressed,
    /// An alarm was taken out of service. Details: state, remark.
    AlarmOutOfService,
    /// An alarm was put back into service. Details: state, remark.
    AlarmInService,
    /// The site file no longer has an alarm that was not normal, or was withheld. Details: state, was.
    AlarmRemoved,
    /// Records were given up, because the disk was slow or full. Details: samples, events,
    /// from, to (the times of the first and the last that was given up).
    RecordLost,
    /// The oldest samples made room before they were as old as they are to be kept. Details: from, to (the
    /// minutes given up since that was last told), cause (`max_size` or `free_space`).
    SamplesMadeRoom,
    /// A damaged database was moved aside and a new one begun. Details: file, moved_to, cause.
    DatabaseReplaced,
    /// The record was restored from a copy, and goes on from there. Details: entries, head, copied (when),
    /// copied_on (which machine), from (the directory), host (this machine), remark.
    TakenOver,
    /// A person works on a device: nothing it says is a measurement. Details: until, for_s, purpose,
    /// again (when it was under way already), remark.
    FunctionCheckBegun,
    /// The function check of a device ended. Details: by (`deadline`; absent when a person ended it),
    /// begun_by, purpose, overrun (when a person ended what the deadline had ended before), remark.
    FunctionCheckEnded,
    /// A reading against calibration gas. Details: signal, point, stage, standard, unit, standard_id,
    /// expires, reading, readings, scatter, over_s, span, error_pct, tolerance_pct, pass, drift_pct, doubts,
    /// despite, remark.
    CalibrationRecorded,
    /// A device has a new sensor. Details: signal, serial, old_serial, since (when it has been there for longer),
    /// open_to_air_s, until (when it has settled), remark.
    SensorChanged,
    /// A remark for the record, on a device or on the site. Details: text.
    Note,
    /// Register, loop and display of a device were compared. Details: signal, loop, points, worst_pct,
    /// tolerance_pct, pass, causes, side, remark.
    LoopChecked,
    /// The commissioning of a device began. Details: checklist, checklist_sha256, steps, remark.
    CommissioningBegun,
    /// A step of it was answered. Details: step, title, result (`done`, `failed`, `not_applicable`), check (what
    /// siskin saw: `pass`, `fail`, `unknown`), seen, number, unit, text, remark.
    CommissioningStep,
    /// A person signed for it. Details: checklist_sha256, steps, remark.
    CommissioningSigned,
}

impl EventKind {
    /// Every kind.
    pub const ALL: [EventKind; 42] = [
        EventKind::Started,
        EventKind::Stopped,
        EventKind::SettingChanged,
        EventKind::Reloaded,
        EventKind::ReloadRefused,
        EventKind::ClockStepped,
        EventKind::ClockBehind,
        EventKind::ClockSynchronized,
        EventKind::ClockUnsynchronized,
        EventKind::LineDown,
        EventKind::LineUp,
        EventKind::LineNoisy,
        EventKind::LineQuiet,
        EventKind::LineLent,
        EventKind::LineReturned,
        EventKind::DeviceLost,
        EventKind::DeviceOnline,
        EventKind::AlarmRaised,
        EventKind::AlarmCleared,
        EventKind::AlarmAcknowledged,
        EventKind::AlarmReset,
        EventKind::AlarmRealarmed,
        EventKind::AlarmShelved,
        EventKind::AlarmUnshelved,
        EventKind::AlarmSuppressed,
        EventKind::AlarmUnsuppressed,
        EventKind::AlarmOutOfService,
        EventKind::AlarmInService,
        EventKind::AlarmRemoved,
        EventKind::RecordLost,
        EventKind::SamplesMadeRoom,
        EventKind::DatabaseReplaced,
        EventKind::TakenOver,
        EventKind::FunctionCheckBegun,
        EventKind::FunctionCheckEnded,
        EventKind::CalibrationRecorded,
        EventKind::SensorChanged,
        EventKind::Note,
        EventKind::LoopChecked,
        EventKind::CommissioningBegun,
        EventKind::CommissioningStep,
        EventKind::CommissioningSigned,
    ];

    /// Whether it is about an alarm, and tells the state that the alarm has afterwards.
    pub const fn is_about_alarm(self) -> bool {
        match self {
            EventKind::AlarmRaised
            | EventKind::AlarmCleared
            | EventKind::AlarmAcknowledged
            | EventKind::AlarmReset
            | EventKind::AlarmRealarmed
            | EventKind::AlarmShelved
            | EventKind::AlarmUnshelved
            | EventKind::AlarmSuppressed
            | EventKind::AlarmUnsuppressed
            | EventKind::AlarmOutOfService
            | EventKind::AlarmInService
            | EventKind::AlarmRemoved => true,
            EventKind::Started
            | EventKind::Stopped
            | EventKind::SettingChanged
            | EventKind::Reloaded
            | EventKind::ReloadRefused
            | EventKind::ClockStepped
            | EventKind::ClockBehind
            | EventKind::ClockSynchronized
            | EventKind::ClockUnsynchronized
            | EventKind::LineDown
            | EventKind::LineUp
            | EventKind::LineNoisy
            | EventKind::LineQuiet
            | EventKind::LineLent
            | EventKind::LineReturned
            | EventKind::DeviceLost
            | EventKind::DeviceOnline
            | EventKind::RecordLost
            | EventKind::SamplesMadeRoom
            | EventKind::DatabaseReplaced
            | EventKind::TakenOver
            | EventKind::FunctionCheckBegun
            | EventKind::FunctionCheckEnded
            | EventKind::CalibrationRecorded
            | EventKind::SensorChanged
            | EventKind::Note
            | EventKind::LoopChecked
            | EventKind::CommissioningBegun
            | EventKind::CommissioningStep
            | EventKind::CommissioningSigned => false,
        }
    }

    /// The word used in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            EventKind::Started => "started",
            EventKind::Stopped => "stopped",
            EventKind::SettingChanged => "setting_changed",
            EventKind::Reloaded => "reloaded",
            EventKind::ReloadRefused => "reload_refused",
            EventKind::ClockStepped => "clock_stepped",
            EventKind::ClockBehind => "clock_behind_record",
            EventKind::ClockSynchronized => "clock_synchronized",
            EventKind::ClockUnsynchronized => "clock_unsynchronized",
            EventKind::LineDown => "line_down",
            EventKind::LineUp => "line_up",
            EventKind::LineNoisy => "line_noisy",
            EventKind::LineQuiet => "line_quiet",
            EventKind::LineLent => "line_lent",
            EventKind::LineReturned => "line_returned",
            EventKind::DeviceLost => "device_lost",
            EventKind::DeviceOnline => "device_online",
            EventKind::AlarmRaised => "alarm_raised",
            EventKind::AlarmCleared => "alarm_cleared",
            EventKind::AlarmAcknowledged => "alarm_acknowledged",
            EventKind::AlarmReset => "alarm_reset",
            EventKind::AlarmRealarmed => "alarm_realarmed",
            EventKind::AlarmShelved => "alarm_shelved",
            EventKind::AlarmUnshelved => "alarm_unshelved",
            EventKind::AlarmSuppressed => "alarm_suppressed",
            EventKind::AlarmUnsuppressed => "alarm_unsuppressed",
            EventKind::AlarmOutOfService => "alarm_out_of_service",
            EventKind::AlarmInService => "alarm_in_service",
            EventKind::AlarmRemoved => "alarm_removed",
            EventKind::RecordLost => "record_lost",
            EventKind::SamplesMadeRoom => "samples_made_room",
            EventKind::DatabaseReplaced => "database_replaced",
            EventKind::TakenOver => "taken_over",
            EventKind::FunctionCheckBegun => "function_check_begun",
            EventKind::FunctionCheckEnded => "function_check_ended",
            EventKind::CalibrationRecorded => "calibration_recorded",
            EventKind::SensorChanged => "sensor_changed",
            EventKind::Note => "note",
            EventKind::LoopChecked => record::LOOP_CHECKED,
            EventKind::CommissioningBegun => record::BEGUN,
            EventKind::CommissioningStep => record::STEP,
            EventKind::CommissioningSigned => record::SIGNED,
        }
    }

    /// The kind whose [`EventKind::word`] is `word`.
    pub fn from_word(word: &str) -> Option<EventKind> {
        EventKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}
