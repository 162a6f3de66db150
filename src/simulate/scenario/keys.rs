//! The keys and words of a scenario: which there are, and what was probably meant by one that is not.
//!
//! All of them are looked at before any value is; what the values mean is the business of [`super::text`].

use toml::de::{DeTable, DeValue};

use super::Problem;
use crate::names::nearest;

/// What is wrong in a text, as it is found.
pub struct Wrong<'a> {
    text: &'a str,
    /// In the order in which it was found.
    pub problems: Vec<Problem>,
}

impl Wrong<'_> {
    pub(super) fn of(text: &str) -> Wrong<'_> {
        Wrong { text, problems: Vec::new() }
    }

    /// Something is wrong at this byte.
    pub(super) fn at(&mut self, byte: usize, what: String) {
        let before = self.text.get(..byte).unwrap_or(self.text);
        self.problems.push(Problem { line: before.matches('\n').count() + 1, what });
    }

    /// The parser stopped.
    pub(super) fn parser(&mut self, error: &toml::de::Error) {
        let byte = error.span().map_or(0, |span| span.start);
        self.at(byte, error.message().lines().collect::<Vec<_>>().join(", "));
    }
}

/// The keys of a table.
pub(super) struct Keys {
    /// What it is called, with its article.
    what: &'static str,
    /// A key that must be there, and what it says.
    required: &'static [(&'static str, &'static str)],
    optional: &'static [&'static str],
    /// Keys whose values are lists of tables.
    lists: &'static [(&'static str, &'static Keys)],
    /// Keys whose values are words of a list.
    words: &'static [(&'static str, &'static str, &'static [&'static str])],
}

pub(super) const SCENARIO: Keys =
    Keys { what: "a scenario", required: &[], optional: &["repeat"], lists: &[("step", &STEP)], words: &[] };
const STEP: Keys = Keys {
    what: "a step",
    required: &[
        ("lasts", "how long it lasts, such as \"25s\""),
        ("say", "what happens, in words, which are printed when it begins"),
    ],
    optional: &["try"],
    lists: &[("set", &SET), ("fault", &FAULT)],
    words: &[],
};
const SET: Keys = Keys {
    what: "an entry of `set`",
    required: &[("signal", "which one moves, as `device.signal`")],
    optional: &["to", "over", "follow", "offset", "free"],
    lists: &[],
    words: &[],
};
const FAULT: Keys = Keys {
    what: "a fault",
    required: &[("kind", "what goes wrong, such as \"silent\"")],
    optional: &[
        "device",
        "line",
        "chance",
        "time",
        "code",
        "bytes",
        "bit_error_rate",
        "baud",
        "parity",
        "stop_bits",
    ],
    lists: &[],
    words: &[("kind", "of fault ", &KINDS), ("parity", "", &["none", "even", "odd"])],
};
const KINDS: [&str; 14] = [
    "silent",
    "late",
    "exception",
    "truncated",
    "doubled",
    "foreign",
    "hang_up",
    "noise",
    "echo",
    "other_settings",
    "swapped",
    "floating",
    "beginning_lost",
    "power_cycle",
];

impl Keys {
    /// Looks at the keys of a table, and of the tables in it.
    pub(super) fn look(&self, byte: usize, table: &DeTable, wrong: &mut Wrong) {
        let lists = self.lists.iter().map(|(key, _)| *key);
        let required = self.required.iter().map(|(key, _)| *key);
        let known: Vec<&str> = required.chain(self.optional.iter().copied()).chain(lists).collect();
        for (key, value) in table {
            let (name, at): (&str, usize) = (key.get_ref(), key.span().start);
            if !known.contains(&name) {
                wrong.at(at, format!("{} has no `{name}`; {}", self.what, meant(name, "it has", &known)));
            } else if let Some((_, keys)) = self.lists.iter().find(|(list, _)| *list == name) {
                keys.look_at_list(at, name, value.get_ref(), wrong);
            } else if let Some((_, of, words)) = self.words.iter().find(|(word, ..)| *word == name) {
                look_at_word((at, name, of), value.get_ref(), words, wrong);
            }
        }
        let the =
            ["an ", "a "].iter().find_map(|article| self.what.strip_prefix(article)).unwrap_or(self.what);
        for (key, says) in self.required.iter().filter(|(key, _)| !table.contains_key(*key)) {
            wrong.at(byte, format!("the {the} has no `{key}`, which it needs: {says}"));
        }
    }

    fn look_at_list(&self, at: usize, name: &str, value: &DeValue, wrong: &mut Wrong) {
        let items =
            value.as_array().map(|items| items.iter().map(|item| (item.span().start, item.get_ref())));
        let tables = items.and_then(|items| {
            items.map(|(at, item)| item.as_table().map(|table| (at, table))).collect::<Option<Vec<_>>>()
        });
        match tables {
            Some(tables) => tables.into_iter().for_each(|(at, table)| self.look(at, table, wrong)),
            None if name == "step" => wrong.at(at, "each step begins with [[step]]".to_owned()),
            None => wrong.at(at, format!("`{name}` is a list of tables, as in {name} = [{{ … }}]")),
        }
    }
}

fn look_at_word((at, name, of): (usize, &str, &str), value: &DeValue, words: &[&str], wrong: &mut Wrong) {
    if let Some(word) = value.as_str().filter(|word| !words.contains(word)) {
        wrong.at(at, format!("no `{name}` {of}is `{word}`; {}", meant(word, "there are", words)));
    }
}

/// What was probably meant, or else what there is.
pub(super) fn meant(found: &str, there: &str, known: &[&str]) -> String {
    match nearest(found, known.iter().copied()) {
        Some(nearest) => format!("is `{nearest}` meant?"),
        None if known.is_empty() => format!("{there} none"),
        None => format!("{there} `{}`", known.join("`, `")),
    }
}
