//! Finding devices on a line: in which order, how long to wait for each, and how long it takes.
//!
//! Every unit is asked for one register. Whatever a device has there, it answers, be it with an
//! exception; one that is not there is silent. Pure: questions are put elsewhere.

use std::time::Duration;

use crate::commission::format::Format;
use crate::config::SerialSettings;
use crate::modbus::plan::Block;
use crate::modbus::timing::{HOST, Timing};
use crate::signal::Table;

/// What is asked of every unit: its first holding register, the oldest function of all.
pub const PROBE: Block = Block { table: Table::Holding, start: 0, count: 1 };

/// The unit ids a device may have (Modbus over Serial Line V1.02, section 2.2).
pub const UNITS: std::ops::RangeInclusive<u8> = 1..=247;

/// The speeds that every device must know (section 3.2); 19200 is its default.
pub const BAUDS: [u32; 2] = [19_200, 9_600];

/// A unit whose answer is garbled is asked so many times in all: noise spoils one answer, two devices
/// with one address spoil them all.
pub const GARBLED_TRIES: u32 = 3;

/// So many units in a row that could not be asked because the line is never silent end the search.
pub const UNREST_MAX: u32 = 3;

/// A line that goes low when the driver lets go of it reads as one zero, rarely as a few.
const BREAK_BYTES_MAX: usize = 3;

/// Once devices have answered, the others are given so many times the slowest response.
const SLOWER_BY: u32 = 4;
/// But never less than this: a device may take longer when it computes.
const TIMEOUT_MIN: Duration = Duration::from_millis(100);

/// The settings to look under: the line's `own` first, then every speed with every format.
pub fn settings(own: Option<SerialSettings>, bauds: &[u32], formats: &[Format]) -> Vec<SerialSettings> {
    let mut settings: Vec<SerialSettings> = own.into_iter().collect();
    for baud in bauds {
        for candidate in formats.iter().map(|format| format.at(*baud)) {
            if !settings.iter().any(|known| hears_alike(known, &candidate)) {
                settings.push(candidate);
            }
        }
    }
    settings
}

/// A receiver looks at the first stop bit alone, and an idle line looks like more of them: settings that
/// differ in stop bits alone find the same devices.
fn hears_alike(one: &SerialSettings, other: &SerialSettings) -> bool {
    (one.baud, one.parity) == (other.baud, other.parity)
}

/// One unit under one of the settings, by their places in their lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Step {
    /// Which settings.
    pub settings: usize,
    /// Which unit.
    pub unit: usize,
}

/// The longest that the steps from `from` on take: every unit silent for `timeout`.
///
/// `None` for the settings of a line that has none.
pub fn longest(settings: &[Option<SerialSettings>], units: usize, from: Step, timeout: Duration) -> Duration {
    let count = |units: usize| u32::try_from(units).unwrap_or(u32::MAX);
    let left = settings.iter().enumerate().skip(from.settings);
    left.map(|(index, settings)| {
        let asked = if index == from.settings { units.saturating_sub(from.unit) } else { units };
        // Before the first question the line is listened to for one time-out.
        timeout + question_longest(settings.as_ref(), timeout) * count(asked)
    })
    .sum()
}

/// The longest that one question takes.
pub fn question_longest(settings: Option<&SerialSettings>, timeout: Duration) -> Duration {
    let on_the_wire = settings.map_or(Duration::ZERO, |settings| {
        Timing::serial(*settings).transaction(PROBE.table, PROBE.count, Duration::ZERO)
    });
    on_the_wire + timeout + HOST
}

/// Whether what was heard is what a serial port makes of a line that is held low: zeros, and few of them.
pub fn is_break(bytes: &[u8]) -> bool {
    !bytes.is_empty() && bytes.len() <= BREAK_BYTES_MAX && bytes.iter().all(|byte| *byte == 0)
}

/// How long to wait for an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    told: Duration,
    adapts: bool,
    slowest: Option<Duration>,
}

impl Patience {
    /// Waits as long as it was `told`; when it `adapts`, less once answers have shown how fast the
    /// devices here are.
    pub fn new(told: Duration, adapts: bool) -> Patience {
        Patience { told, adapts, slowest: None }
    }

    /// An answer came so soon after its question.
    pub fn answered(&mut self, response: Duration) {
        self.slowest = self.slowest.max(Some(response));
    }

    /// How long to wait now.
    pub fn timeout(&self) -> Duration {
        match self.slowest.filter(|_| self.adapts) {
            Some(slowest) => (slowest * SLOWER_BY).max(TIMEOUT_MIN).min(self.told),
            None => self.told,
        }
    }

    /// Whether it is less than what was told, because the others have answered sooner.
    pub fn is_shortened(&self) -> bool {
        self.timeout() < self.told
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::config::Parity;

    const OWN: SerialSettings = SerialSettings { baud: 9600, parity: Parity::None, stop_bits: 1 };
    const TIMEOUT: Duration = Duration::from_millis(500);

    #[test]
    fn the_lines_own_settings_come_first_and_none_is_looked_under_twice() {
        let all = settings(Some(OWN), &BAUDS, &Format::STANDARD);
        let words: Vec<String> = all.iter().map(crate::commission::format::settings_text).collect();
        assert_eq!(words, ["9600 8N1", "19200 8E1", "19200 8O1", "19200 8N2", "9600 8E1", "9600 8O1"]);
        let asked_for = [Format::from_word("8N1").unwrap(), Format::from_word("8N2").unwrap()];
        assert_eq!(settings(None, &[1200], &asked_for).len(), 1);
    }

    /// The bound that is promised: 247 times the time of a request and the time-out.
    #[test]
    fn a_whole_sweep_at_9600_takes_no_longer_than_a_request_and_a_time_out_for_each_unit() {
        let units = UNITS.count();
        let longest = longest(&[Some(OWN)], units, Step { settings: 0, unit: 0 }, TIMEOUT);
        let request = Timing::serial(OWN).transaction(Table::Holding, 1, Duration::ZERO) + HOST;
        assert_eq!(longest, (request + TIMEOUT) * 247 + TIMEOUT);
        // 8 characters of question, 7 of answer and 3.5 of silence, at 10 bits each, and half a millisecond.
        assert_eq!(request.as_micros(), 18_500_000 / 960 + 500);
    }

    #[test]
    fn what_is_left_is_less_than_the_whole() {
        let list = [Some(OWN), None];
        let all = longest(&list, 10, Step { settings: 0, unit: 0 }, TIMEOUT);
        let left = longest(&list, 10, Step { settings: 0, unit: 4 }, TIMEOUT);
        assert_eq!(all - left, question_longest(Some(&OWN), TIMEOUT) * 4);
        assert_eq!(longest(&list, 10, Step { settings: 2, unit: 0 }, TIMEOUT), Duration::ZERO);
    }

    #[test]
    fn the_time_out_follows_the_slowest_answer_and_never_passes_what_was_told() {
        let mut patience = Patience::new(TIMEOUT, true);
        assert_eq!(patience.timeout(), TIMEOUT);
        patience.answered(Duration::from_millis(5));
        assert_eq!(patience.timeout(), TIMEOUT_MIN);
        assert!(patience.is_shortened());
        patience.answered(Duration::from_millis(60));
        patience.answered(Duration::from_millis(10));
        assert_eq!(patience.timeout(), Duration::from_millis(240));
        patience.answered(Duration::from_millis(300));
        assert_eq!(patience.timeout(), TIMEOUT);
        assert!(!patience.is_shortened());
        let mut patient = Patience::new(TIMEOUT, false);
        patient.answered(Duration::from_millis(5));
        assert_eq!(patient.timeout(), TIMEOUT);
    }
}
