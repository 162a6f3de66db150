//! The list of what is seen to when an analyzer is put into service, as its TOML file has it.
//!
//! `config/commissioning.toml` is built in; a site may have its own. A step says what to do and asks a person
//! for an answer; a `check` is what siskin can see for itself. What is in force is the maker's manual and
//! local rules, never this list.

use serde::Deserialize;

/// The list that is built in.
pub const BUILT_IN: &str = include_str!("../../config/commissioning.toml");
/// The most steps in a list.
pub const STEPS_MAX: usize = 100;
/// The longest text in a list, in characters.
pub const TEXT_CHARS_MAX: usize = 1000;

/// A list of steps.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Checklist {
    /// What it is for.
    pub name: String,
    /// The steps, in their order.
    #[serde(rename = "step")]
    pub steps: Vec<ListStep>,
}

/// One step.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListStep {
    /// By which answers and the record know it.
    pub id: String,
    /// What it is about.
    pub title: String,
    /// What to do and to look at.
    #[serde(rename = "do")]
    pub tasks: Vec<String>,
    /// What can hurt somebody.
    #[serde(default)]
    pub caution: Option<String>,
    /// What stands above this list.
    pub defer: Option<String>,
    /// What siskin looks at by itself.
    #[serde(default)]
    pub check: Option<Check>,
    /// For `zero_pressure`: how far from zero it may read, as a share of the signal's range.
    #[serde(default)]
    pub within: Option<f64>,
    /// A number that the person notes.
    #[serde(default)]
    pub number: Option<Number>,
    /// Words that the person notes.
    #[serde(default)]
    pub text: Option<String>,
}

/// A number to be noted.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Number {
    /// Which.
    pub ask: String,
    /// In which unit.
    pub unit: String,
}

/// What siskin can see for itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Check {
    /// The device answers: it is online.
    Answers,
    /// Every gauge pressure of the device reads nearly zero.
    ZeroPressure,
    /// Every flow of the device is a measurement, within its range and not nought.
    Flow,
    /// Every signal of the device is a measurement.
    Signals,
    /// A calibration was recorded since the commissioning began, and its last results pass.
    Calibrated,
    /// A loop check was recorded since then, and the last one passed.
    LoopAgrees,
    /// Every alarm on the device's signals was raised and cleared since then.
    AlarmsProven,
    /// The device is not in function check, and none of its alarms is withheld.
    InService,
}

impl Check {
    /// Whether what it sees must still be so when somebody signs. Pressure, flow and readings are those of
    /// the step, and change.
    pub const fn lasts(self) -> bool {
        match self {
            Check::Calibrated | Check::LoopAgrees | Check::AlarmsProven | Check::InService => true,
            Check::Answers | Check::ZeroPressure | Check::Flow | Check::Signals => false,
        }
    }

    /// Every check.
    pub const ALL: [Check; 8] = [
        Check::Answers,
        Check::ZeroPressure,
        Check::Flow,
        Check::Signals,
        Check::Calibrated,
        Check::LoopAgrees,
        Check::AlarmsProven,
        Check::InService,
    ];

    /// The word in the file.
    pub const fn word(self) -> &'static str {
        match self {
            Check::Answers => "answers",
            Check::ZeroPressure => "zero_pressure",
            Check::Flow => "flow",
            Check::Signals => "signals",
            Check::Calibrated => "calibrated",
            Check::LoopAgrees => "loop_agrees",
            Check::AlarmsProven => "alarms_proven",
            Check::InService => "in_service",
        }
    }
}

impl Checklist {
    /// The list of a file's text.
    ///
    /// # Errors
    /// Everything that is wrong with it, each in a line.
    pub fn parse(text: &str) -> Result<Checklist, Vec<String>> {
        let list: Checklist = toml::from_str(text).map_err(|error| vec![error.to_string()])?;
        let wrong = list.wrong();
        if wrong.is_empty() { Ok(list) } else { Err(wrong) }
    }

    /// The step with this id.
    pub fn step(&self, id: &str) -> Option<&ListStep> {
        self.steps.iter().find(|step| step.id == id)
    }

    fn wrong(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        if self.steps.is_empty() || self.steps.len() > STEPS_MAX {
            wrong.push(format!("a list has 1 to {STEPS_MAX} steps, this one {}", self.steps.len()));
        }
        wrong.extend(unfit("name", &self.name));
        for (index, step) in self.steps.iter().enumerate() {
            let said = |what: String| format!("step \"{}\": {what}", step.id);
            let known = |character: char| {
                character.is_ascii_lowercase() || character.is_ascii_digit() || "-_".contains(character)
            };
            if step.id.is_empty() || step.id.len() > 64 || !step.id.chars().all(known) {
                wrong.push(said("an id has 1 to 64 characters out of a-z, 0-9, - and _".to_owned()));
            }
            if self.steps.iter().take(index).any(|earlier| earlier.id == step.id) {
                wrong.push(said("an earlier step has this id".to_owned()));
            }
            if step.tasks.is_empty() {
                wrong.push(said("`do` tells nothing to do".to_owned()));
            }
            if step.within.is_some() != (step.check == Some(Check::ZeroPressure)) {
                wrong.push(said("`within` goes with the check `zero_pressure`, which needs it".to_owned()));
            }
            if step.within.is_some_and(|within| !(0.0..=1.0).contains(&within)) {
                wrong.push(said("`within` is a share of the range, from 0 to 1".to_owned()));
            }
            let texts = [("title", Some(&step.title)), ("caution", step.caution.as_ref())];
            let more = [("defer", step.defer.as_ref()), ("text", step.text.as_ref())];
            let number = step.number.iter().flat_map(|number| [("ask", &number.ask), ("unit", &number.unit)]);
            let tasks = step.tasks.iter().map(|task| ("do", task));
            let given = texts.into_iter().chain(more).filter_map(|(key, text)| Some((key, text?)));
            let unfit = given.chain(number).chain(tasks).filter_map(|(key, text)| unfit(key, text));
            wrong.extend(unfit.map(said));
        }
        wrong
    }
}

/// Texts are shown on terminals: one line, not too long.
fn unfit(key: &str, text: &str) -> Option<String> {
    let fits = !text.trim().is_empty()
        && text.chars().count() <= TEXT_CHARS_MAX
        && !text.chars().any(char::is_control);
    (!fits).then(|| format!("`{key}` has 1 to {TEXT_CHARS_MAX} characters on one line"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_list_that_is_built_in_makes_every_check_and_says_what_can_hurt() {
        let list = Checklist::parse(BUILT_IN).unwrap();
        for check in Check::ALL {
            assert!(list.steps.iter().any(|step| step.check == Some(check)), "nobody asks for {check:?}");
        }
        for step in
            ["permit", "mount", "wire", "ground", "leak-check", "flow", "sensor", "calibrate", "agreement"]
        {
            let step = list.step(step).unwrap_or_else(|| panic!("{step}"));
            assert!(step.caution.is_some() && step.defer.is_some(), "{}", step.id);
        }
    }

    #[test]
    fn everything_that_is_wrong_with_a_list_is_told_at_once() {
        let told = Checklist::parse(
            "name = ''\n[[step]]\nid = 'A'\ntitle = 't'\ndo = []\n[[step]]\nid = 'b'\ntitle = 't'\ndo = ['x']\n\
             within = 2.0\n[[step]]\nid = 'b'\ntitle = 't'\ndo = ['x']\ncheck = 'zero_pressure'\n",
        )
        .unwrap_err()
        .join("\n");
        for expected in [
            "`name`",
            "step \"A\": an id",
            "`do` tells nothing",
            "an earlier step",
            "`within` goes with",
            "a share of",
        ] {
            assert!(told.contains(expected), "{expected}: {told}");
        }
        assert!(Checklist::parse("name = 'x'\nstep = []\n").unwrap_err()[0].contains("1 to 100 steps"));
    }

    #[test]
    fn a_key_or_a_check_that_nobody_knows_is_refused_with_its_line() {
        let told = Checklist::parse("name = 'x'\n[[step]]\nid = 'a'\ntitel = 't'\ndo = ['x']\n").unwrap_err();
        assert!(told[0].contains("line 4") && told[0].contains("title"), "{told:?}");
        let told =
            Checklist::parse("name = 'x'\n[[step]]\nid = 'a'\ntitle = 't'\ndo = ['x']\ncheck = 'gas'\n")
                .unwrap_err();
        assert!(told[0].contains("zero_pressure"), "{told:?}");
    }
}
