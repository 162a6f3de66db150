//! Readings against calibration gas, as they were recorded.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::calibration::{Doubt, Point, Stage};
use crate::monitor::Recorded;
use crate::view::{Day, Instant, Word};

/// A reading against calibration gas. Errors and drift are in % of the signal's span.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Calibration {
    /// The signal, as `device.signal`.
    pub signal: String,
    /// Which end of the range the gas belongs to.
    pub point: Word<Point>,
    /// Before or after any adjustment.
    pub stage: Word<Stage>,
    /// When.
    pub time: Instant,
    /// When the function check began in which it was recorded: readings of two function checks are no
    /// pair; `null` where that is not known.
    #[serde(default)]
    pub session: Option<Instant>,
    /// The operating-system user who had it recorded.
    pub user: String,
    /// The name that they gave.
    pub name: Option<String>,
    /// What the certificate says, in the signal's unit.
    pub standard: f64,
    /// What the cylinder or the source is called.
    pub standard_id: String,
    /// The last day on which its certificate is good; `null` where nobody said so.
    #[serde(default)]
    pub expires: Option<Day>,
    /// What the analyzer said, in the signal's unit.
    pub reading: f64,
    /// The reading less the standard.
    pub error_pct: f64,
    /// How great the error may be.
    pub tolerance_pct: f64,
    /// Whether it keeps to that.
    pub pass: bool,
    /// As found: the error less the one that the analyzer was last left with; `null` where that is not
    /// known, and as left.
    pub drift_pct: Option<f64>,
    /// What made it doubtful, where somebody had it recorded all the same.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<Word<Doubt>>,
}

impl From<&Recorded> for Calibration {
    fn from(record: &Recorded) -> Self {
        Calibration {
            signal: record.signal.clone(),
            point: Word(record.point),
            stage: Word(record.stage),
            time: Instant(record.at),
            session: record.session.map(Instant),
            user: record.by.user.clone(),
            name: record.by.name.clone(),
            standard: record.standard,
            standard_id: record.standard_id.clone(),
            expires: record.expires.map(Day),
            reading: record.reading,
            error_pct: record.error_pct,
            tolerance_pct: record.tolerance_pct,
            pass: record.pass(),
            drift_pct: record.drift_pct,
            doubts: record.doubts.iter().copied().map(Word).collect(),
        }
    }
}
