//! A line at the bottom of the terminal that tells how far a long command is, and how long it will take.
//!
//! It goes to standard error, and only to a terminal: what is piped on or logged stays clean.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use crate::view::words;

/// How many marks a full bar has.
const BAR_MARKS: usize = 20;

/// The progress of one command.
#[derive(Debug)]
pub struct Progress {
    shown: bool,
    width: usize,
}

impl Progress {
    /// Nothing done yet.
    pub fn new() -> Progress {
        let stderr = io::stderr();
        Progress { shown: stderr.is_terminal(), width: 0 }
    }

    /// So much is done, a share from 0 to 1; at `what` now; the rest takes at most `left`.
    pub fn at(&mut self, done: f64, what: &str, left: Duration) {
        self.show(&line(done, what, "at most", left));
    }

    /// The same, where how long the rest takes is a guess.
    pub fn about(&mut self, done: f64, what: &str, left: Duration) {
        self.show(&line(done, what, "about", left));
    }

    fn show(&mut self, line: &str) {
        if self.shown {
            let width = line.chars().count();
            // Nobody is left to tell when the terminal is gone.
            let _ = write!(io::stderr(), "\r{line}{:1$}", "", self.width.saturating_sub(width));
            self.width = width;
        }
    }

    /// Takes the line away, so that something else can be written.
    pub fn clear(&mut self) {
        if self.shown && self.width > 0 {
            let _ = write!(io::stderr(), "\r{:1$}\r", "", self.width);
            self.width = 0;
        }
    }
}

#[expect(
    clippy::as_conversions,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "a share from 0 to 1 of a handful of marks"
)]
fn line(done: f64, what: &str, how_sure: &str, left: Duration) -> String {
    let done = done.clamp(0.0, 1.0);
    let marks = (done * BAR_MARKS as f64) as usize;
    let (full, empty) = ("#".repeat(marks), ".".repeat(BAR_MARKS - marks));
    format!("[{full}{empty}] {:3.0} %  {what}  {how_sure} {} to go", done * 100.0, words::duration(left))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_fills_and_never_bursts() {
        let at = |done| line(done, "unit 57", "at most", Duration::from_secs(75));
        assert_eq!(at(0.0), "[....................]   0 %  unit 57  at most 1 min 15 s to go");
        assert_eq!(at(0.5), "[##########..........]  50 %  unit 57  at most 1 min 15 s to go");
        assert_eq!(at(7.0), "[####################] 100 %  unit 57  at most 1 min 15 s to go");
    }
}
