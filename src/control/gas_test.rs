//! What travels on the control socket when a person has a reading recorded against calibration gas.
//! The words are a contract (`docs/control-socket.md`).

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::calibration::{Point, Stage};
use crate::control::protocol::{Failure, check_words};
use crate::control::work::Said;
use crate::monitor::{GasTest, Work, WorkKind};
use crate::view::{Day, Word};

/// The longest name of a calibration gas, in characters.
pub const STANDARD_ID_CHARS_MAX: usize = 64;

/// Record what a device says of the calibration gas in its cell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordRequest {
    /// The device's id.
    pub device: String,
    /// The signal's id, with or without that of its device.
    pub signal: String,
    /// Which end of the range the gas belongs to.
    pub point: Word<Point>,
    /// Before or after any adjustment.
    pub stage: Word<Stage>,
    /// What the certificate says, in the signal's unit.
    pub standard: f64,
    /// What the cylinder or the source is called.
    pub standard_id: String,
    /// The last day on which the certificate is good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires: Option<Day>,
    /// Whatever makes the gas doubtful, it is to be recorded.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub despite: bool,
    /// Who asks, and why.
    #[serde(flatten)]
    pub said: Said,
}

impl RecordRequest {
    pub(super) fn check(&self) -> Result<(), Failure> {
        if !self.standard.is_finite() {
            return Err(Failure::bad_request("`standard` must be a number".to_owned()));
        }
        check_words("standard_id", Some(&self.standard_id), STANDARD_ID_CHARS_MAX)?;
        self.said.check()
    }

    /// What is asked of the monitor, on this day at the site.
    pub(super) fn work(self, user: &str, today: Date) -> Work {
        let RecordRequest { device, signal, point, stage, standard, standard_id, expires, despite, said } =
            self;
        let (Word(point), Word(stage)) = (point, stage);
        let expires = expires.map(|Day(day)| day);
        let test = GasTest { device, signal, point, stage, standard, standard_id, expires, today, despite };
        said.work(user, WorkKind::RecordGasTest(Box::new(test)))
    }
}
