//! Whether the daemon keeps its promises: what makes progress, and whether the record is written.
//!
//! A part that stands still is a reason to start the daemon anew; a record that cannot be written is
//! none, since polling and alarming go on without it. So the two are told apart.

use std::time::Duration;

use crate::moment::Mono;

/// The monitor is heard of every second, and a line about as often; what has not been heard of for this
/// long stands still. A line that waits for an answer says nothing meanwhile: it is given that time too.
pub(super) const STANDSTILL_MAX: Duration = Duration::from_secs(15);

/// Whether the daemon keeps its promises.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Health {
    /// When the monitor and each line were last heard of.
    pub progress: Vec<Progress>,
    /// Why the record cannot be written, while it cannot.
    pub record_failing: Option<String>,
}

/// When a part of the daemon was last heard of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// Which part, in words.
    pub part: String,
    /// When.
    pub at: Mono,
    /// For how long it may be silent.
    pub silent_max: Duration,
}

impl Health {
    /// The record cannot be written; nothing else is wrong.
    pub fn failing(cause: &str) -> Health {
        Health { record_failing: Some(cause.to_owned()), ..Health::default() }
    }

    /// Whether every part makes progress.
    pub fn progresses(&self, now: Mono) -> bool {
        self.standing_still(now).next().is_none()
    }

    /// One sentence for each promise that is not kept; empty = all is well.
    pub fn reasons(&self, now: Mono) -> Vec<String> {
        let still = self.standing_still(now).map(|progress| {
            let seconds = now.since(progress.at).as_secs();
            format!("{} has made no progress for {seconds} s", progress.part)
        });
        let record = self.record_failing.iter().map(|cause| format!("the record cannot be written: {cause}"));
        still.chain(record).collect()
    }

    fn standing_still(&self, now: Mono) -> impl Iterator<Item = &Progress> {
        self.progress.iter().filter(move |progress| now.since(progress.at) > progress.silent_max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(part: &str, seconds: u64) -> Progress {
        let at = Mono::from_millis(seconds * 1000);
        Progress { part: part.to_owned(), at, silent_max: STANDSTILL_MAX }
    }

    #[test]
    fn one_part_that_stands_still_is_told_and_is_enough() {
        let progress = vec![heard("the monitor", 100), heard("line east", 100), heard("line annex", 85)];
        let mut health = Health { progress, record_failing: None };
        let now = Mono::from_millis(100_000);
        assert!(health.progresses(now));
        health.progress[2] = heard("line annex", 83);
        assert!(!health.progresses(now));
        assert_eq!(health.reasons(now), ["line annex has made no progress for 17 s"]);
    }

    #[test]
    fn a_patient_line_is_given_its_time() {
        let patient = Progress { silent_max: Duration::from_secs(75), ..heard("line east", 100) };
        let health = Health { progress: vec![patient], record_failing: None };
        assert!(health.progresses(Mono::from_millis(175_000)));
        assert!(!health.progresses(Mono::from_millis(175_001)));
    }

    #[test]
    fn a_monitor_that_stands_still_is_found_by_whoever_looks() {
        let health = Health { progress: vec![heard("the monitor", 100)], record_failing: None };
        assert!(!health.progresses(Mono::from_millis(116_000)));
    }

    #[test]
    fn a_record_that_cannot_be_written_is_told_but_is_no_standstill() {
        let health = Health::failing("journal: disk full");
        assert!(health.progresses(Mono::ZERO));
        assert_eq!(health.reasons(Mono::ZERO), ["the record cannot be written: journal: disk full"]);
    }
}
