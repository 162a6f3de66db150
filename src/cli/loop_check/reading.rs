//! Several readings of register and loop, as the daemon last heard them: also while they are no
//! measurement.

use std::time::{Duration, Instant};

use crate::cli::CliError;
use crate::cli::answers::Answers;
use crate::cli::connect::{Connection, understood};
use crate::control::proof::{Reading, ReadingsRequest};
use crate::control::protocol::Request;
use crate::proving::loop_check::Measured;
use crate::signal::device_id;
use crate::view::{self, Value};

/// How often the daemon is asked for new readings.
const ASK_EVERY: Duration = Duration::from_millis(100);
/// What is waited beyond the time that the readings should take: a device that is asked again.
const PATIENCE: Duration = Duration::from_secs(10);

/// One signal whose readings are gathered.
pub(super) struct Gathered {
    id: String,
    /// The times of the readings so far, those that do not count among them.
    seen: Vec<Option<view::Instant>>,
    numbers: Vec<f64>,
}

impl Gathered {
    /// Nothing so far.
    pub fn of(id: &str) -> Gathered {
        Gathered { id: id.to_owned(), seen: Vec::new(), numbers: Vec::new() }
    }

    /// What was gathered.
    pub fn measured(&self) -> Option<Measured> {
        Measured::of(&self.numbers)
    }

    fn take(&mut self, reading: &Reading) {
        if self.seen.last() == Some(&reading.time) {
            return;
        }
        self.seen.push(reading.time);
        // The first was there before the point was set, and the question for the second may have been.
        if self.seen.len() <= 2 {
            return;
        }
        if let Some(Value::Number(number)) = reading.said {
            self.numbers.push(number);
        }
    }
}

/// Gathers `count` new readings of each, or as many as come in their time; `poll_every` is that of the
/// slowest.
pub(super) fn gather(
    signals: &mut [Gathered],
    count: usize,
    poll_every: Duration,
    daemon: &mut Connection,
    answers: &mut Answers,
) -> Result<(), CliError> {
    let began = Instant::now();
    let count_or_max = u32::try_from(count).unwrap_or(u32::MAX);
    let time = poll_every.saturating_mul(count_or_max.saturating_add(2)).saturating_add(PATIENCE);
    while signals.iter().any(|signal| signal.numbers.len() < count) && began.elapsed() < time {
        if answers.is_stopped() {
            return Ok(());
        }
        for signal in signals.iter_mut() {
            let device = device_id(&signal.id).to_owned();
            let told = daemon.ask(&Request::Readings(ReadingsRequest { device }))?;
            let readings: Vec<Reading> = understood(&told)?;
            if let Some(reading) = readings.iter().find(|reading| reading.signal == signal.id) {
                signal.take(reading);
            }
        }
        std::thread::sleep(ASK_EVERY);
    }
    Ok(())
}
