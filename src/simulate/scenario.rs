//! A scenario: what happens to a simulated site, step by step, as a TOML file tells it.
//!
//! A step lasts for a while, lets values move, and lets things go wrong. Values stay as a step has
//! left them; faults end with their step. Nothing here knows a clock: [`super::Stage`] plays it.

use std::time::Duration;

use serde::Deserialize;

use crate::config::{Parity, SerialSettings, Site};
use crate::simulate::{Fault, Rule};

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
pub enum ScenarioError {
    /// It is not TOML, or has keys or values that mean nothing here.
    #[error("the scenario cannot be read: {0}")]
    Text(#[from] toml::de::Error),
    /// A step asks for something that cannot be.
    #[error("step {number} of the scenario: {cause}")]
    Step {
        /// Counted from one.
        number: usize,
        /// What is wrong, and what would be right.
        cause: String,
    },
    /// There is nothing to play.
    #[error("the scenario has no [[step]]")]
    Empty,
}

impl Scenario {
    /// So many steps at most.
    const STEPS_MAX: usize = 1000;

    /// The scenario of a TOML text, for this site.
    ///
    /// # Errors
    /// The first thing in it that cannot be read, or that the site does not have.
    pub fn parse(text: &str, site: &Site) -> Result<Scenario, ScenarioError> {
        let text: ScenarioText = toml::from_str(text)?;
        if text.step.is_empty() {
            return Err(ScenarioError::Empty);
        }
        let steps = (1..)
            .zip(text.step.iter().take(Self::STEPS_MAX))
            .map(|(number, step)| step.resolve(site).map_err(|cause| ScenarioError::Step { number, cause }))
            .collect::<Result<_, _>>()?;
        Ok(Scenario { repeat: text.repeat, steps })
    }

    /// How long it lasts once through.
    pub fn lasts(&self) -> Duration {
        self.steps.iter().map(|step| step.lasts).sum()
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ScenarioText {
    #[serde(default)]
    repeat: bool,
    #[serde(default)]
    step: Vec<StepText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StepText {
    lasts: String,
    say: String,
    #[serde(rename = "try")]
    command: Option<String>,
    #[serde(default)]
    set: Vec<SetText>,
    #[serde(default)]
    fault: Vec<FaultText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SetText {
    signal: String,
    to: Option<f64>,
    over: Option<String>,
    follow: Option<String>,
    offset: Option<f64>,
    #[serde(default)]
    free: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FaultText {
    device: Option<String>,
    line: Option<String>,
    kind: FaultKind,
    chance: Option<f64>,
    time: Option<String>,
    code: Option<u8>,
    bytes: Option<usize>,
    bit_error_rate: Option<f64>,
    baud: Option<u32>,
    parity: Option<ParityText>,
    stop_bits: Option<u8>,
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum ParityText {
    None,
    Even,
    Odd,
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum FaultKind {
    Silent,
    Late,
    Exception,
    Truncated,
    Doubled,
    Foreign,
    HangUp,
    Noise,
    Echo,
    OtherSettings,
    Swapped,
    Floating,
    BeginningLost,
    PowerCycle,
}

impl StepText {
    fn resolve(&self, site: &Site) -> Result<Step, String> {
        let mut step = Step {
            lasts: duration("lasts", &self.lasts)?,
            say: self.say.clone(),
            command: self.command.clone(),
            moves: Vec::new(),
            faults: Vec::new(),
            power_cycles: Vec::new(),
        };
        for set in &self.set {
            step.moves.push((signal(site, &set.signal)?, set.movement(site)?));
        }
        for fault in &self.fault {
            fault.resolve(site, &mut step)?;
        }
        Ok(step)
    }
}

impl SetText {
    fn movement(&self, site: &Site) -> Result<Move, String> {
        match (self.to, &self.follow, self.free) {
            (Some(value), None, false) if self.offset.is_none() => {
                let over = self.over.as_deref().map_or(Ok(Duration::ZERO), |over| duration("over", over))?;
                Ok(Move::To { value, over })
            }
            (None, Some(source), false) if self.over.is_none() => {
                Ok(Move::Follow { source: signal(site, source)?, offset: self.offset.unwrap_or(0.0) })
            }
            (None, None, true) if self.over.is_none() && self.offset.is_none() => Ok(Move::Free),
            _ => Err(format!(
                "`{}` needs one of: `to` (with `over`), `follow` (with `offset`), `free = true`",
                self.signal
            )),
        }
    }
}

impl FaultText {
    fn resolve(&self, site: &Site, step: &mut Step) -> Result<(), String> {
        let (line, unit) = self.whom(site)?;
        if let FaultKind::PowerCycle = self.kind {
            let unit = unit.ok_or("`power_cycle` needs a `device`")?;
            step.power_cycles.push((line, unit, self.time()?));
            return Ok(());
        }
        let chance = self.chance.unwrap_or(1.0);
        if !(0.0..=1.0).contains(&chance) {
            return Err(format!("`chance` is {chance}, expected 0 to 1"));
        }
        step.faults.push((line, Rule { unit, fault: self.fault()?, chance }));
        Ok(())
    }

    /// The line, and the unit unless the whole line is meant.
    fn whom(&self, site: &Site) -> Result<(usize, Option<u8>), String> {
        match (&self.device, &self.line) {
            (Some(id), None) => {
                let device = site.devices.iter().find(|device| device.id == *id);
                let device = device.ok_or_else(|| format!("the site has no device `{id}`"))?;
                Ok((device.line.0, Some(device.unit_id)))
            }
            (None, Some(id)) => {
                let line = site.lines.iter().position(|line| line.id == *id);
                Ok((line.ok_or_else(|| format!("the site has no line `{id}`"))?, None))
            }
            _ => Err("a fault befalls either a `device` or a `line`".to_owned()),
        }
    }

    fn fault(&self) -> Result<Fault, String> {
        Ok(match self.kind {
            FaultKind::Silent | FaultKind::PowerCycle => Fault::Silent,
            FaultKind::Late => Fault::Late(self.time()?),
            FaultKind::Exception => Fault::Exception(self.code.ok_or("`exception` needs a `code`")?),
            FaultKind::Truncated => Fault::Truncated(self.bytes.ok_or("`truncated` needs `bytes`")?),
            FaultKind::Doubled => Fault::Doubled,
            FaultKind::Foreign => Fault::Foreign,
            FaultKind::HangUp => Fault::HangUp,
            FaultKind::Noise => Fault::Noise(self.bit_error_rate.ok_or("`noise` needs a `bit_error_rate`")?),
            FaultKind::Echo if self.line.is_some() => Fault::Echo,
            FaultKind::Swapped if self.line.is_some() => Fault::Swapped,
            FaultKind::Echo => return Err("`echo` befalls a `line`".to_owned()),
            FaultKind::Swapped => return Err("`swapped` befalls a `line`".to_owned()),
            FaultKind::Floating => Fault::Floating,
            FaultKind::BeginningLost => {
                Fault::BeginningLost(self.bytes.ok_or("`beginning_lost` needs `bytes`")?)
            }
            FaultKind::OtherSettings => Fault::Settings(self.settings()?),
        })
    }

    fn settings(&self) -> Result<SerialSettings, String> {
        let needs = "`other_settings` needs `baud` and `parity`";
        let (baud, parity) = self.baud.filter(|baud| *baud > 0).zip(self.parity).ok_or(needs)?;
        let parity = match parity {
            ParityText::None => Parity::None,
            ParityText::Even => Parity::Even,
            ParityText::Odd => Parity::Odd,
        };
        Ok(SerialSettings { baud, parity, stop_bits: self.stop_bits.unwrap_or(1) })
    }

    fn time(&self) -> Result<Duration, String> {
        duration("time", self.time.as_deref().ok_or("this fault needs a `time`")?)
    }
}

fn signal(site: &Site, id: &str) -> Result<usize, String> {
    let found = site.signals.iter().position(|signal| signal.id == id);
    found.ok_or_else(|| format!("the site has no signal `{id}`"))
}

/// A duration as in the site file: a whole number and `ms`, `s`, `m` or `h`.
fn duration(key: &str, text: &str) -> Result<Duration, String> {
    let wrong = || format!("`{key} = \"{text}\"`, expected a duration like \"500ms\", \"20s\" or \"3m\"");
    let digits = text.find(|character: char| !character.is_ascii_digit()).ok_or_else(wrong)?;
    let (number, unit) = text.split_at(digits);
    let number: u32 = number.parse().map_err(|_| wrong())?;
    let unit = match unit {
        "ms" => Duration::from_millis(1),
        "s" => Duration::from_secs(1),
        "m" => Duration::from_secs(60),
        "h" => Duration::from_secs(3600),
        _ => return Err(wrong()),
    };
    Ok(unit.saturating_mul(number))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first thing that is not as it should be")]
mod tests {
    use super::*;
    use crate::simulate::rig;

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

    #[test]
    fn what_cannot_be_is_told_with_its_step() {
        let wrong = [
            (
                "set = [{ signal = 'a.nothing', to = 1 }]",
                "step 2 of the scenario: the site has no signal `a.nothing`",
            ),
            (
                "set = [{ signal = 'a.gas' }]",
                "step 2 of the scenario: `a.gas` needs one of: `to` (with `over`)",
            ),
            (
                "fault = [{ device = 'x', kind = 'silent' }]",
                "step 2 of the scenario: the site has no device `x`",
            ),
            ("fault = [{ line = 'x', kind = 'silent' }]", "step 2 of the scenario: the site has no line `x`"),
            ("fault = [{ kind = 'silent' }]", "step 2 of the scenario: a fault befalls either a `device` or"),
            (
                "fault = [{ device = 'a', kind = 'late' }]",
                "step 2 of the scenario: this fault needs a `time`",
            ),
            (
                "fault = [{ device = 'a', kind = 'silent', chance = 2 }]",
                "step 2 of the scenario: `chance` is 2",
            ),
            (
                "set = [{ signal = 'a.gas', to = 1, over = '1 fortnight' }]",
                "step 2 of the scenario: `over = ",
            ),
            ("colour = 'red'", "the scenario cannot be read: "),
        ];
        for (step, told) in wrong {
            let error = parse(step).unwrap_err();
            assert!(error.starts_with(told), "{step}: {error}");
        }
        assert!(matches!(Scenario::parse("", &rig::site()), Err(ScenarioError::Empty)));
    }
}
