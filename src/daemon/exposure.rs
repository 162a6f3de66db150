//! How much gas each sensor has seen: read from the history now and then, and handed to the monitor.
//!
//! The hours of the history hold what a whole year comes to, so that it is little work; it is still done
//! on a thread of its own, since a disk may be slow and the monitor waits for none. What cannot be read is
//! said in the log and asked again: the sum before it stands.

use std::time::Duration;

use tokio::sync::mpsc;

use crate::calibration::Exposure;
use crate::history::{ReadError, SampleReader};
use crate::moment::{Moment, Mono, Wall};
use crate::monitor::{ExposureReport, SensorInPlace};

/// How often it is read. A sensor wears over months.
const READ_EVERY: Duration = Duration::from_secs(600);
/// Reports that may wait for the monitor: those of every device of a great site.
const REPORTS_WAITING_MAX: usize = 512;

/// Reads the exposures of all sensors, one round at a time.
pub(super) struct Exposures {
    history: SampleReader,
    next: Mono,
    /// Which sensors the last round was about.
    known: Vec<SensorInPlace>,
    tell: mpsc::Sender<ExposureReport>,
    told: mpsc::Receiver<ExposureReport>,
}

impl Exposures {
    /// Of the sensors of a site whose samples lie in `history`; nothing has been read yet.
    pub(super) fn new(history: SampleReader) -> Exposures {
        let (tell, told) = mpsc::channel(REPORTS_WAITING_MAX);
        Exposures { history, next: Mono::ZERO, known: Vec::new(), tell, told }
    }

    /// The next report.
    pub(super) async fn next(&mut self) -> Option<ExposureReport> {
        self.told.recv().await
    }

    /// Begins a round when one is due, or when a sensor was changed.
    pub(super) fn begin_when_due(&mut self, sensors: Vec<SensorInPlace>, now: Moment) {
        if sensors.is_empty() || (now.mono < self.next && sensors == self.known) {
            return;
        }
        (self.next, self.known) = (now.mono + READ_EVERY, sensors.clone());
        let (history, tell) = (self.history.clone(), self.tell.clone());
        drop(tokio::task::spawn_blocking(move || round(&history, &sensors, now.wall, &tell)));
    }
}

fn round(history: &SampleReader, sensors: &[SensorInPlace], now: Wall, tell: &mpsc::Sender<ExposureReport>) {
    for SensorInPlace { device, signal, since } in sensors {
        match seen(history, signal, *since, now) {
            // What finds no room is told with the next round.
            Ok(exposure) => drop(tell.try_send(ExposureReport { device: *device, since: *since, exposure })),
            Err(error) => tracing::warn!("{signal}: how much gas its sensor has seen is not known: {error}"),
        }
    }
}

/// What a signal comes to between two times.
fn seen(history: &SampleReader, signal: &str, since: Wall, now: Wall) -> Result<Exposure, ReadError> {
    let lapsed = Duration::try_from(now.duration_since(since)).unwrap_or_default();
    let edges = if lapsed.is_zero() { Vec::new() } else { vec![since, now] };
    let whole = history.figures(signal, &edges)?;
    let (mean, measured) = whole.first().map_or((None, Duration::ZERO), |all| (all.mean, all.measured));
    Ok(Exposure::of(mean, measured, lapsed))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test that cannot go on must fail")]
mod tests {
    use super::*;

    #[test]
    fn of_a_signal_that_was_never_recorded_nothing_was_measured() {
        let data = tempfile::tempdir().unwrap();
        let at = |second| Wall::from_second(second).unwrap();
        let nothing =
            seen(&SampleReader::new(data.path()), "h2s-1.concentration", at(7200), at(3600)).unwrap();
        assert_eq!(nothing, Exposure { amount: 0.0, measured: Duration::ZERO, lapsed: Duration::ZERO });
        assert!(seen(&SampleReader::new(data.path()), "h2s-1.concentration", at(0), at(3600)).is_err());
    }
}
