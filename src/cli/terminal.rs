//! The terminal an answer is shown on: its width, its colours, its time zone.
//!
//! Colour marks only what is wrong, and only on a terminal whose user has not set `NO_COLOR`. What it
//! marks is said in words as well.

use std::io::{self, IsTerminal, Write};

use jiff::tz::TimeZone;

use crate::view::{Instant, words};

const WIDTH_DEFAULT: usize = 100;
const WIDTH_MIN: usize = 40;
const WIDTH_MAX: usize = 140;

/// Where an answer is shown.
#[derive(Debug, Clone)]
pub struct Terminal {
    /// Columns.
    pub width: usize,
    /// Whether to mark what is wrong by colour.
    pub colour: bool,
    /// The zone in which times are told.
    pub zone: TimeZone,
}

/// What is marked by colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// As it should be: no colour.
    Plain,
    /// Wrong now.
    Wrong,
    /// Not known well, or waiting for somebody.
    Doubt,
}

impl Terminal {
    /// Standard output, as its user has set it up; times are told in the zone of this IANA name.
    pub fn of_stdout(zone: &str) -> Terminal {
        let stdout = io::stdout();
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|set| !set.is_empty());
        let window = rustix::termios::tcgetwinsize(&stdout).ok().map(|size| usize::from(size.ws_col));
        let width = window.filter(|columns| *columns > 0).unwrap_or(WIDTH_DEFAULT);
        Terminal {
            width: width.clamp(WIDTH_MIN, WIDTH_MAX),
            colour: stdout.is_terminal() && !no_colour,
            zone: TimeZone::get(zone).unwrap_or(TimeZone::UTC),
        }
    }

    /// The text, marked.
    pub fn mark(&self, mark: Mark, text: &str) -> String {
        match mark {
            Mark::Wrong if self.colour => format!("\x1b[1;31m{text}\x1b[0m"),
            Mark::Doubt if self.colour => format!("\x1b[33m{text}\x1b[0m"),
            Mark::Plain | Mark::Wrong | Mark::Doubt => text.to_owned(),
        }
    }

    /// `since 09:04:05 (3 min 20 s)`.
    pub fn since(&self, then: Instant, now: Instant) -> String {
        let at = words::clock_time(then, now, &self.zone);
        match words::for_how_long(then, now) {
            Some(duration) => format!("since {at} ({duration})"),
            None => format!("since {at}"),
        }
    }

    /// `text` broken between words into lines, each beginning with `indent` spaces.
    pub fn wrap(&self, indent: usize, text: &str) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut() {
                Some(line) if width(line) + 1 + width(word) <= self.width => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(format!("{:indent$}{word}", "")),
            }
        }
        lines
    }

    /// A row of columns as it is; what does not fit follows on lines that begin with `indent` spaces.
    pub fn fold(&self, indent: usize, row: &str) -> Vec<String> {
        let fits = row
            .char_indices()
            .nth(self.width)
            .map_or(row.len(), |(end, _)| row.get(..end).and_then(|start| start.rfind(' ')).unwrap_or(end));
        let (first, rest) = row.split_at(fits);
        let mut lines = vec![first.trim_end().to_owned()];
        lines.extend(self.wrap(indent, rest));
        lines
    }
}

fn width(text: &str) -> usize {
    text.chars().count()
}

/// Says something to the person on standard error, apart from the answer on standard output. Where nobody
/// can be told any more, since the terminal is lost, what is to be put in order still is.
pub fn aside(text: &str) {
    let _ = writeln!(io::stderr(), "{text}");
}

/// Bytes as they are written down: `01 AB`.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

/// `1 alarm`, `2 alarms`.
pub fn count(number: usize, thing: &str) -> String {
    if number == 1 { format!("1 {thing}") } else { format!("{number} {thing}s") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_broken_between_words_and_indented() {
        let terminal = Terminal { width: 12, colour: false, zone: TimeZone::UTC };
        assert_eq!(terminal.wrap(2, "call gas control now"), ["  call gas", "  control", "  now"]);
        assert_eq!(terminal.wrap(0, "unbreakable-as-it-is"), ["unbreakable-as-it-is"]);
    }

    #[test]
    fn a_row_keeps_its_columns_and_what_does_not_fit_hangs_below() {
        let terminal = Terminal { width: 12, colour: false, zone: TimeZone::UTC };
        assert_eq!(terminal.fold(4, "  a    fits"), ["  a    fits"]);
        assert_eq!(terminal.fold(4, "  a    does not fit"), ["  a    does", "    not fit"]);
        assert_eq!(terminal.fold(4, "unbreakable-as-it-is"), ["unbreakable-", "    as-it-is"]);
    }

    #[test]
    fn nothing_is_coloured_where_colour_is_not_wanted() {
        let mut terminal = Terminal { width: 80, colour: false, zone: TimeZone::UTC };
        assert_eq!(terminal.mark(Mark::Wrong, "bad"), "bad");
        terminal.colour = true;
        assert_eq!(terminal.mark(Mark::Wrong, "bad"), "\x1b[1;31mbad\x1b[0m");
        assert_eq!(terminal.mark(Mark::Plain, "good"), "good");
    }
}
