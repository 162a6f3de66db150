//! A scenario: what happens to a simulated site, step by step, as a TOML file tells it.
//!
//! A step lasts for a while, lets values move, and lets things go wrong. Values stay as a step has
//! left them; faults end with their step. Nothing here knows a clock: [`super::Stage`] plays it.

use std::time::Duration;

use crate::config::Site;
use crate::simulate::Rule;

mod keys;
mod text;

/// A whole scenario, checked against its site.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// Whether it begins again after its last step.
    pub repeat: bool,
    /// Never empty.
    pub steps: Vec<Step>,
}

/// One step.
#[derive(Debug, Clone)]
pub struct Step {
    /// How long it lasts.
    pub lasts: Duration,
    /// What happens, in words for a person.
    pub say: String,
    /// A command worth trying now, as words behind `siskin`.
    pub command: Option<String>,
    /// Values that move from now on: the signal's place in the site, and where to.
    pub moves: Vec<(usize, Move)>,
    /// What goes wrong until the step ends: the line's place in the site, and the rule.
    pub faults: Vec<(usize, Rule)>,
    /// Devices that lose their power at the start: line, unit, and the time until they answer again.
    pub power_cycles: Vec<(usize, u8, Duration)>,
}

/// How a value is to move.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Move {
    /// To a value, in the signal's unit, within a time.
    To {
        /// The value; a bit is 0 or 1.
        value: f64,
        /// The time.
        over: Duration,
    },
    /// As another signal, plus an offset.
    Follow {
        /// Its place in the site.
        source: usize,
        /// What is added.
        offset: f64,
    },
    /// Freely within its range, as at the start.
    Free,
}

/// Why a scenario cannot be played.
#[derive(Debug, thiserror::Error)]
#[error("{}", .problems.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n"))]
pub struct ScenarioError {
    /// All that is wrong, in the order of the text; never empty.
    pub problems: Vec<Problem>,
}

/// One thing that is wrong in a scenario.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct Problem {
    /// Where, counted from one.
    pub line: usize,
    /// What, and what would be right.
    pub what: String,
}

impl Scenario {
    /// So many steps at most.
    const STEPS_MAX: usize = 1000;

    /// The scenario of a TOML text, for this site.
    ///
    /// # Errors
    /// All that cannot be read in it, or else all that the site does not have or that cannot be.
    pub fn parse(text: &str, site: &Site) -> Result<Scenario, ScenarioError> {
        let read = text::read(text).map_err(|problems| ScenarioError { problems })?;
        let mut wrong = keys::Wrong::of(text);
        let steps: Vec<Step> =
            read.step.iter().map(|step| step.get_ref().resolve(site, &mut wrong)).collect();
        if steps.is_empty() {
            wrong.at(0, "there is no [[step]], so that nothing would happen".to_owned());
        }
        if let Some(beyond) = read.step.get(Self::STEPS_MAX) {
            wrong.at(beyond.span().start, format!("a scenario has at most {} steps", Self::STEPS_MAX));
        }
        if wrong.problems.is_empty() {
            Ok(Scenario { repeat: read.repeat, steps })
        } else {
            Err(ScenarioError { problems: wrong.problems })
        }
    }

    /// How long it lasts once through.
    pub fn lasts(&self) -> Duration {
        self.steps.iter().map(|step| step.lasts).sum()
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use super::*;
    use crate::config::{Parity, SerialSettings};
    use crate::simulate::{Fault, rig};

    fn parse(step: &str) -> Result<Scenario, String> {
        let text = format!("[[step]]\nlasts = '1s'\nsay = 'x'\n[[step]]\nlasts = '90s'\nsay = 'y'\n{step}");
        Scenario::parse(&text, &rig::site()).map_err(|error| error.to_string())
    }

    fn faults(fault: &str) -> Result<Vec<(usize, Rule)>, String> {
        parse(&format!("fault = [{{ {fault} }}]")).map(|scenario| scenario.steps[1].faults.clone())
    }

    #[test]
    fn values_move_in_the_ways_that_are_asked_for() {
        let scenario = parse(
            "set = [{ signal = 'a.flow', to = 0, over = '500ms' }, \
                    { signal = 'b.loop', follow = 'a.gas', offset = 1.5 }, { signal = 'a.gas', free = true }]",
        )
        .unwrap();
        let expected = [
            (1, Move::To { value: 0.0, over: Duration::from_millis(500) }),
            (4, Move::Follow { source: 0, offset: 1.5 }),
            (0, Move::Free),
        ];
        assert_eq!(scenario.steps[1].moves, expected);
        assert_eq!(scenario.lasts(), Duration::from_secs(91));
    }

    #[test]
    fn every_fault_can_be_asked_for_by_its_name() {
        let by_name = [
            ("kind = 'silent'", Fault::Silent),
            ("kind = 'late', time = '700ms'", Fault::Late(Duration::from_millis(700))),
            ("kind = 'exception', code = 6", Fault::Exception(6)),
            ("kind = 'truncated', bytes = 4", Fault::Truncated(4)),
            ("kind = 'doubled'", Fault::Doubled),
            ("kind = 'foreign'", Fault::Foreign),
            ("kind = 'hang_up'", Fault::HangUp),
            ("kind = 'floating'", Fault::Floating),
            ("kind = 'beginning_lost', bytes = 2", Fault::BeginningLost(2)),
            (
                "kind = 'other_settings', baud = 4800, parity = 'odd'",
                Fault::Settings(SerialSettings { baud: 4800, parity: Parity::Odd, stop_bits: 1 }),
            ),
            ("kind = 'noise', bit_error_rate = 1e-3", Fault::Noise(1e-3)),
        ];
        for (text, fault) in by_name {
            let one = faults(&format!("device = 'b', {text}, chance = 0.5")).unwrap();
            assert_eq!(one, [(1, Rule::unit(2, fault).with_chance(0.5))], "{text}");
            assert_eq!(faults(&format!("line = 'socket', {text}")).unwrap(), [(2, Rule::line(fault))]);
        }
        assert_eq!(faults("line = 'serial', kind = 'echo'").unwrap(), [(0, Rule::line(Fault::Echo))]);
        let power = parse("fault = [{ device = 'c', kind = 'power_cycle', time = '3s' }]").unwrap();
        assert_eq!(power.steps[1].power_cycles, [(2, 3, Duration::from_secs(3))]);
    }

    /// In the second step, which begins in the fourth line.
    #[test]
    fn what_is_wrong_is_told_with_its_line_and_what_would_be_right() {
        let wrong = [
            (
                "set = [{ signal = 'a.flwo', to = 1 }]",
                "line 7: the site has no signal `a.flwo`; is `a.flow` meant?",
            ),
            ("set = [{ signal = 'a.gas' }]", "line 7: `a.gas` needs one of: `to` (with `over`)"),
            (
                "fault = [{ device = 'x', kind = 'silent' }]",
                "line 7: the site has no device `x`; it has `a`, `b`",
            ),
            (
                "fault = [{ line = 'serail', kind = 'silent' }]",
                "line 7: the site has no line `serail`; is `serial` meant?",
            ),
            ("fault = [\n { kind = 'silent' }]", "line 8: a fault befalls either a `device` or a `line`"),
            ("fault = [{ device = 'a', kind = 'late' }]", "line 7: `late` needs `time`, such as \"700ms\""),
            (
                "fault = [{ device = 'a', kind = 'silent', chance = 2 }]",
                "line 7: `chance` is 2, expected 0 to 1",
            ),
            (
                "fault = [{ device = 'a', kind = 'noise', bit_error_rate = 3 }]",
                "line 7: `bit_error_rate` is 3",
            ),
            (
                "fault = [{ device = 'a', kind = 'silnet' }]",
                "line 7: no `kind` of fault is `silnet`; is `silent`",
            ),
            (
                "fault = [{ device = 'a', kind = 'silent', time = '1s' }]",
                "line 7: `silent` has no use for `time`",
            ),
            (
                "fault = [{ device = 'a', kind = 'other_settings', baud = 9600, parity = 'evne' }]",
                "line 7: no `parity` is `evne`; is `even` meant?",
            ),
            ("fault = [{ device = 'a' }]", "line 7: the fault has no `kind`, which it needs"),
            ("set = [{ to = 1 }]", "line 7: the entry of `set` has no `signal`, which it needs"),
            (
                "set = [{ signal = 'a.gas', to = 1, over = '1 fortnight' }]",
                "line 7: `over = \"1 fortnight\"`",
            ),
            ("set = [{ signal = 'a.gas', to = 'much' }]", "line 7: invalid type"),
            (
                "colour = 'red'",
                "line 7: a step has no `colour`; it has `lasts`, `say`, `try`, `set`, `fault`",
            ),
            ("\nsayy = 'red'", "line 8: a step has no `sayy`; is `say` meant?"),
            (
                "[[step]]\nlasts = '1s'",
                "line 7: the step has no `say`, which it needs: what happens, in words",
            ),
            ("[[step]]\nsay = 'x'\nlasts = '0s'", "line 9: a step lasts longer than nothing"),
            ("[[stpe]]\nsay = 'x'", "line 7: a scenario has no `stpe`; is `step` meant?"),
            ("set = 3", "line 7: `set` is a list of tables, as in set = [{ … }]"),
            ("set = [", "line 7: "),
        ];
        for (step, told) in wrong {
            let error = parse(step).unwrap_err();
            assert!(error.starts_with(told), "{step}: {error}");
        }
        let nothing = Scenario::parse("", &rig::site()).unwrap_err().to_string();
        assert!(nothing.contains("there is no [[step]]"), "{nothing}");
    }

    #[test]
    fn all_that_is_wrong_is_told_at_once() {
        let keys = parse("colour = 'red'\nset = [{ to = 1 }]\nfault = [{ kind = 'silnet' }]").unwrap_err();
        assert_eq!(keys.lines().count(), 3, "{keys}");
        let names = parse(
            "set = [{ signal = 'x', to = 1 }, { signal = 'y', to = 1 }]\nfault = [{ kind = 'silent' }]",
        );
        assert_eq!(names.unwrap_err().lines().count(), 3);
    }

    #[test]
    fn a_step_beyond_the_last_is_refused_and_not_left_out() {
        let step = "[[step]]\nlasts = '1s'\nsay = 'x'\n";
        assert!(Scenario::parse(&step.repeat(Scenario::STEPS_MAX), &rig::site()).is_ok());
        let error = Scenario::parse(&step.repeat(Scenario::STEPS_MAX + 1), &rig::site()).unwrap_err();
        assert_eq!(error.to_string(), "line 3001: a scenario has at most 1000 steps");
    }
}
