//! Which number each line, device, signal and alarm has in the SCADA map. A number is given once: what
//! comes later gets the next one, what goes leaves its own unused, and nothing ever moves.
//!
//! This is the pure part: the text of the lock file, and the giving. [`crate::scada::lock`] reads
//! and writes the file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use serde::Deserialize;

use crate::monitor::Snapshot;
use crate::scada::layout::{LAYOUT, List};

/// The numbers of a site.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Numbers {
    revision: u16,
    lines: BTreeMap<String, u16>,
    devices: BTreeMap<String, u16>,
    signals: BTreeMap<String, u16>,
    alarms: BTreeMap<String, u16>,
}

/// Why the text of a lock file holds no numbers, or no more can be given.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NumbersError {
    /// It is not a lock file.
    #[error("{0}")]
    NotALock(String),
    /// It is the lock file of another layout.
    #[error("it is of layout {0}, and this siskin knows layout {LAYOUT} only")]
    OtherLayout(u16),
    /// Two things have one number.
    #[error("{list} {first:?} and {second:?} both have number {number}", list = .list.word())]
    Collision {
        /// On which list.
        list: List,
        /// The number.
        number: u16,
        /// The one that has it.
        first: String,
        /// The other.
        second: String,
    },
    /// A number has no address.
    #[error(
        "{} {id:?} has number {number}, and {} is the greatest there is", .list.item(),
        .list.numbers_max() - 1
    )]
    TooGreat {
        /// On which list.
        list: List,
        /// Whose number.
        id: String,
        /// The number.
        number: u16,
    },
    /// Every number has been given.
    #[error(
        "there is no number left for {} {id:?}: {} have been given, those of what is gone included",
        .list.item(), .list.numbers_max()
    )]
    Full {
        /// On which list.
        list: List,
        /// What needs one.
        id: String,
    },
}

impl Numbers {
    /// The numbers in the text of a lock file.
    ///
    /// # Errors
    /// When it is anything but a whole lock file in which each thing has a number of its own.
    pub fn parse(text: &str) -> Result<Numbers, NumbersError> {
        let file: File = toml::from_str(text).map_err(|error| NumbersError::NotALock(in_one_line(&error)))?;
        if file.layout != LAYOUT {
            return Err(NumbersError::OtherLayout(file.layout));
        }
        let File { revision, lines, devices, signals, alarms, .. } = file;
        let numbers = Numbers { revision, lines, devices, signals, alarms };
        List::ALL.into_iter().try_for_each(|list| numbers.check(list))?;
        Ok(numbers)
    }

    /// The text of a lock file with these numbers, each list in the order of its numbers.
    pub fn to_text(&self) -> String {
        let mut text = format!(
            "# The numbers under which SCADA masters read this site. Made by siskin; keep it with the site file.\n\
             # A number is given once and never moves: what is new gets the next one.\n\n\
             layout = {LAYOUT}\nrevision = {}\n",
            self.revision
        );
        for list in List::ALL {
            // Writing into a string cannot fail.
            let _ = writeln!(text, "\n[{}]", list.word());
            for (number, id) in self.by_number(list) {
                let _ = writeln!(text, "{} = {number}", toml::Value::from(id));
            }
        }
        text
    }

    /// Gives a number to everything in `snapshot` that has none, in its order; says how many it gave.
    ///
    /// # Errors
    /// When no number is left.
    pub fn complete(&mut self, snapshot: &Snapshot) -> Result<usize, NumbersError> {
        let mut given = 0;
        for list in List::ALL {
            for id in ids(snapshot, list) {
                given += usize::from(self.give(list, id)?);
            }
        }
        if given > 0 {
            self.revision = self.revision.wrapping_add(1);
        }
        Ok(given)
    }

    /// What in `snapshot` has no number yet, and what has one although it is not there (any more): each as
    /// `signal h2s-1.concentration`.
    pub fn against(&self, snapshot: &Snapshot) -> (Vec<String>, Vec<String>) {
        let (mut unnumbered, mut gone) = (Vec::new(), Vec::new());
        for list in List::ALL {
            let there = ids(snapshot, list);
            let named = |id: &str| format!("{} {id}", list.item());
            unnumbered.extend(there.iter().filter(|id| self.of(list, id).is_none()).map(|id| named(id)));
            let known = self.by_number(list).into_iter().map(|(_, id)| id);
            gone.extend(known.filter(|id| !there.contains(id)).map(named));
        }
        (unnumbered, gone)
    }

    /// The number of `id`.
    pub fn of(&self, list: List, id: &str) -> Option<u16> {
        self.on(list).get(id).copied()
    }

    /// How often numbers have been given.
    pub fn revision(&self) -> u16 {
        self.revision
    }

    /// One more than the greatest number that has been given.
    pub fn next(&self, list: List) -> u16 {
        self.on(list).values().max().map_or(0, |greatest| greatest.saturating_add(1))
    }

    /// Every number that has been given with whose it is, in order.
    pub fn by_number(&self, list: List) -> BTreeSet<(u16, &str)> {
        self.on(list).iter().map(|(id, number)| (*number, id.as_str())).collect()
    }

    fn give(&mut self, list: List, id: &str) -> Result<bool, NumbersError> {
        if self.on(list).contains_key(id) {
            return Ok(false);
        }
        let number = self.next(list);
        if number >= list.numbers_max() {
            return Err(NumbersError::Full { list, id: id.to_owned() });
        }
        let on = match list {
            List::Lines => &mut self.lines,
            List::Devices => &mut self.devices,
            List::Signals => &mut self.signals,
            List::Alarms => &mut self.alarms,
        };
        on.insert(id.to_owned(), number);
        Ok(true)
    }

    fn check(&self, list: List) -> Result<(), NumbersError> {
        let mut taken: BTreeMap<u16, &str> = BTreeMap::new();
        for (id, number) in self.on(list) {
            if *number >= list.numbers_max() {
                return Err(NumbersError::TooGreat { list, id: id.clone(), number: *number });
            }
            if let Some(first) = taken.insert(*number, id) {
                let (first, second) = (first.to_owned(), id.clone());
                return Err(NumbersError::Collision { list, number: *number, first, second });
            }
        }
        Ok(())
    }

    fn on(&self, list: List) -> &BTreeMap<String, u16> {
        match list {
            List::Lines => &self.lines,
            List::Devices => &self.devices,
            List::Signals => &self.signals,
            List::Alarms => &self.alarms,
        }
    }
}

/// The ids of a list, in site order.
fn ids(snapshot: &Snapshot, list: List) -> Vec<&str> {
    match list {
        List::Lines => snapshot.lines.iter().map(|line| line.id.as_str()).collect(),
        List::Devices => snapshot.devices.iter().map(|device| device.id.as_str()).collect(),
        List::Signals => snapshot.signals.iter().map(|signal| signal.id.as_str()).collect(),
        List::Alarms => snapshot.alarms.iter().map(|alarm| alarm.id.as_str()).collect(),
    }
}

fn in_one_line(error: &toml::de::Error) -> String {
    error.to_string().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The lock file as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    layout: u16,
    revision: u16,
    lines: BTreeMap<String, u16>,
    devices: BTreeMap<String, u16>,
    signals: BTreeMap<String, u16>,
    alarms: BTreeMap<String, u16>,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::view::story::story;

    fn numbered(snapshot: &Snapshot) -> Numbers {
        let mut numbers = Numbers::default();
        numbers.complete(snapshot).unwrap();
        numbers
    }

    #[test]
    fn numbers_are_given_in_site_order_and_read_back_as_they_were() {
        let numbers = numbered(&story());
        for (number, signal) in (0..).zip(&story().signals) {
            assert_eq!(numbers.of(List::Signals, &signal.id), Some(number));
        }
        assert_eq!(Numbers::parse(&numbers.to_text()).unwrap(), numbers);
        assert_eq!(numbers.revision(), 1);
    }

    #[test]
    fn what_comes_in_between_moves_nothing_and_what_goes_leaves_its_number_unused() {
        let before = numbered(&story());
        let mut changed = story();
        let gone = changed.signals.remove(1);
        let mut new = gone.clone();
        new.id = "h2s-1.pressure".to_owned();
        changed.signals.insert(0, new);
        let mut after = before.clone();
        assert_eq!(after.complete(&changed), Ok(1));
        for signal in &story().signals {
            assert_eq!(after.of(List::Signals, &signal.id), before.of(List::Signals, &signal.id));
        }
        assert_eq!(after.of(List::Signals, "h2s-1.pressure"), Some(6));
        assert_eq!(after.revision(), 2);

        changed.signals.push(gone);
        assert_eq!(after.complete(&changed), Ok(0), "what comes back has its old number still");
        assert_eq!(after.revision(), 2);
    }

    #[test]
    fn two_things_with_one_number_are_refused_by_name() {
        let text = numbered(&story()).to_text().replace("\"h2s-1.flow\" = 1", "\"h2s-1.flow\" = 0");
        let refused = Numbers::parse(&text).unwrap_err().to_string();
        assert_eq!(refused, "signals \"h2s-1.concentration\" and \"h2s-1.flow\" both have number 0");
    }

    #[test]
    fn anything_but_a_whole_lock_file_is_refused() {
        let whole = numbered(&story()).to_text();
        for (from, to, part) in [
            ("layout = 1", "layout = 2", "layout 2"),
            ("revision = 1", "revision = -1", "invalid value"),
            ("[alarms]", "[alarms", "TOML parse error"),
            ("[alarms]", "[alarm]", "unknown field `alarm`"),
            ("\"east\" = 0", "\"east\" = 100", "\"east\" has number 100, and 99 is the greatest"),
            ("\"east\" = 0", "\"east\" = 0\n\"east\" = 1", "duplicate key"),
            ("\"east\" = 0", "\"east\" = \"0\"", "invalid type"),
        ] {
            assert!(whole.contains(from), "{from}");
            let refused = Numbers::parse(&whole.replace(from, to)).unwrap_err().to_string();
            assert!(refused.contains(part) && !refused.contains('\n'), "{refused}");
        }
        for cut in [0, 1, whole.len() / 2, whole.find("[alarms]").unwrap()] {
            assert!(Numbers::parse(&whole[..cut]).is_err(), "cut at {cut}");
        }
    }

    #[test]
    fn when_every_number_is_given_the_next_thing_is_refused() {
        let all = (0..List::Lines.numbers_max()).map(|number| (format!("line-{number}"), number));
        let mut numbers = Numbers { lines: all.collect(), ..Numbers::default() };
        let full = numbers.complete(&story()).unwrap_err().to_string();
        assert!(full.starts_with("there is no number left for line \"east\": 100 have been given"), "{full}");
    }
}
