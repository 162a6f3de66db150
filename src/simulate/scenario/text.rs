//! A scenario as it is written, and what it means for a site.
//!
//! Keys and words are looked at first, all of them; then the values; then what the site has. It plays nothing.

use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;
use toml::de::DeTable;

use super::keys::{SCENARIO, Wrong, meant};
use super::{Move, Problem, Step};
use crate::config::{Parity, SerialSettings, Site};
use crate::simulate::{Fault, Rule};

/// The scenario of a text, or all that is wrong with its keys and words, or else the first value that is of
/// the wrong kind.
pub(super) fn read(text: &str) -> Result<ScenarioText, Vec<Problem>> {
    let mut wrong = Wrong::of(text);
    match DeTable::parse(text) {
        Err(error) => wrong.parser(&error),
        Ok(table) => SCENARIO.look(table.span().start, table.get_ref(), &mut wrong),
    }
    if wrong.problems.is_empty() {
        match toml::from_str(text) {
            Ok(read) => return Ok(read),
            Err(error) => wrong.parser(&error),
        }
    }
    wrong.problems.sort_by_key(|problem| problem.line);
    Err(wrong.problems)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioText {
    #[serde(default)]
    pub repeat: bool,
    #[serde(default)]
    pub step: Vec<Spanned<StepText>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StepText {
    lasts: Spanned<String>,
    say: String,
    #[serde(rename = "try")]
    command: Option<String>,
    #[serde(default)]
    set: Vec<Spanned<SetText>>,
    #[serde(default)]
    fault: Vec<Spanned<FaultText>>,
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

impl FaultKind {
    const fn word(self) -> &'static str {
        match self {
            FaultKind::Silent => "silent",
            FaultKind::Late => "late",
            FaultKind::Exception => "exception",
            FaultKind::Truncated => "truncated",
            FaultKind::Doubled => "doubled",
            FaultKind::Foreign => "foreign",
            FaultKind::HangUp => "hang_up",
            FaultKind::Noise => "noise",
            FaultKind::Echo => "echo",
            FaultKind::OtherSettings => "other_settings",
            FaultKind::Swapped => "swapped",
            FaultKind::Floating => "floating",
            FaultKind::BeginningLost => "beginning_lost",
            FaultKind::PowerCycle => "power_cycle",
        }
    }

    /// The keys that say more of it.
    const fn takes(self) -> &'static [&'static str] {
        match self {
            FaultKind::Late => &["time", "chance"],
            FaultKind::PowerCycle => &["time"],
            FaultKind::Exception => &["code", "chance"],
            FaultKind::Truncated | FaultKind::BeginningLost => &["bytes", "chance"],
            FaultKind::Noise => &["bit_error_rate", "chance"],
            FaultKind::OtherSettings => &["baud", "parity", "stop_bits", "chance"],
            FaultKind::Silent
            | FaultKind::Doubled
            | FaultKind::Foreign
            | FaultKind::HangUp
            | FaultKind::Echo
            | FaultKind::Swapped
            | FaultKind::Floating => &["chance"],
        }
    }
}

impl StepText {
    /// The step; what is wrong with it goes to `wrong`, and is left out of it.
    pub(super) fn resolve(&self, site: &Site, wrong: &mut Wrong) -> Step {
        let lasts = duration("lasts", self.lasts.get_ref()).and_then(|lasts| {
            let never = "a step lasts longer than nothing: give `lasts` at least \"1ms\"";
            if lasts.is_zero() { Err(never.to_owned()) } else { Ok(lasts) }
        });
        let mut step = Step {
            lasts: lasts.unwrap_or_else(|what| {
                wrong.at(self.lasts.span().start, what);
                Duration::ZERO
            }),
            say: self.say.clone(),
            command: self.command.clone(),
            moves: Vec::new(),
            faults: Vec::new(),
            power_cycles: Vec::new(),
        };
        for set in &self.set {
            match set.get_ref().movement(site) {
                Ok(movement) => step.moves.push(movement),
                Err(what) => wrong.at(set.span().start, what),
            }
        }
        for fault in &self.fault {
            if let Err(what) = fault.get_ref().resolve(site, &mut step) {
                wrong.at(fault.span().start, what);
            }
        }
        step
    }
}

impl SetText {
    /// The signal's place in the site, and how it moves.
    fn movement(&self, site: &Site) -> Result<(usize, Move), String> {
        let moved = signal(site, &self.signal)?;
        let movement = match (self.to, &self.follow, self.free) {
            (Some(value), None, false) if self.offset.is_none() => {
                let over = self.over.as_deref().map_or(Ok(Duration::ZERO), |over| duration("over", over))?;
                Move::To { value, over }
            }
            (None, Some(source), false) if self.over.is_none() => {
                Move::Follow { source: signal(site, source)?, offset: self.offset.unwrap_or(0.0) }
            }
            (None, None, true) if self.over.is_none() && self.offset.is_none() => Move::Free,
            _ => {
                return Err(format!(
                    "`{}` needs one of: `to` (with `over`), `follow` (with `offset`), `free = true`",
                    self.signal
                ));
            }
        };
        Ok((moved, movement))
    }
}

impl FaultText {
    fn resolve(&self, site: &Site, step: &mut Step) -> Result<(), String> {
        let (line, unit) = self.whom(site)?;
        self.only_what_it_takes()?;
        if let FaultKind::PowerCycle = self.kind {
            let unit = unit.ok_or("`power_cycle` befalls a `device`, not a `line`")?;
            step.power_cycles.push((line, unit, self.time()?));
            return Ok(());
        }
        let chance = share("chance", self.chance.unwrap_or(1.0))?;
        step.faults.push((line, Rule { unit, fault: self.fault()?, chance }));
        Ok(())
    }

    /// The line, and the unit unless the whole line is meant.
    fn whom(&self, site: &Site) -> Result<(usize, Option<u8>), String> {
        match (&self.device, &self.line) {
            (Some(id), None) => {
                let device = site.devices.iter().find(|device| device.id == *id);
                let known = || site.devices.iter().map(|device| device.id.as_str()).collect();
                let device = device.ok_or_else(|| not_there("device", id, known()))?;
                Ok((device.line.0, Some(device.unit_id)))
            }
            (None, Some(id)) => {
                let line = site.lines.iter().position(|line| line.id == *id);
                let known = || site.lines.iter().map(|line| line.id.as_str()).collect();
                Ok((line.ok_or_else(|| not_there("line", id, known()))?, None))
            }
            _ => Err("a fault befalls either a `device` or a `line`: give one of them".to_owned()),
        }
    }

    /// A key that would have no effect is refused.
    fn only_what_it_takes(&self) -> Result<(), String> {
        let given = [
            ("chance", self.chance.is_some()),
            ("time", self.time.is_some()),
            ("code", self.code.is_some()),
            ("bytes", self.bytes.is_some()),
            ("bit_error_rate", self.bit_error_rate.is_some()),
            ("baud", self.baud.is_some()),
            ("parity", self.parity.is_some()),
            ("stop_bits", self.stop_bits.is_some()),
        ];
        let takes = self.kind.takes();
        match given.into_iter().find(|(key, given)| *given && !takes.contains(key)) {
            None => Ok(()),
            Some((key, _)) => Err(format!(
                "`{}` has no use for `{key}`; beside whom it befalls it takes `{}`",
                self.kind.word(),
                takes.join("`, `")
            )),
        }
    }

    fn fault(&self) -> Result<Fault, String> {
        let befalls_a_line = || Err(format!("`{}` befalls a `line`, not a `device`", self.kind.word()));
        Ok(match self.kind {
            FaultKind::Silent | FaultKind::PowerCycle => Fault::Silent,
            FaultKind::Late => Fault::Late(self.time()?),
            FaultKind::Exception => Fault::Exception(self.needs("code = 6", self.code)?),
            FaultKind::Truncated => Fault::Truncated(self.needs("bytes = 4", self.bytes)?),
            FaultKind::Doubled => Fault::Doubled,
            FaultKind::Foreign => Fault::Foreign,
            FaultKind::HangUp => Fault::HangUp,
            FaultKind::Noise => {
                let rate = self.needs("bit_error_rate = 0.001", self.bit_error_rate)?;
                Fault::Noise(share("bit_error_rate", rate)?)
            }
            FaultKind::Echo if self.line.is_some() => Fault::Echo,
            FaultKind::Swapped if self.line.is_some() => Fault::Swapped,
            FaultKind::Echo | FaultKind::Swapped => return befalls_a_line(),
            FaultKind::Floating => Fault::Floating,
            FaultKind::BeginningLost => Fault::BeginningLost(self.needs("bytes = 2", self.bytes)?),
            FaultKind::OtherSettings => Fault::Settings(self.settings()?),
        })
    }

    fn settings(&self) -> Result<SerialSettings, String> {
        let baud = self.needs("baud = 19200", self.baud.filter(|baud| *baud > 0))?;
        let parity = match self.needs("parity = \"even\"", self.parity)? {
            ParityText::None => Parity::None,
            ParityText::Even => Parity::Even,
            ParityText::Odd => Parity::Odd,
        };
        let stop_bits = self.stop_bits.unwrap_or(1);
        if !(1..=2).contains(&stop_bits) {
            return Err(format!("`stop_bits` is {stop_bits}, expected 1 or 2"));
        }
        Ok(SerialSettings { baud, parity, stop_bits })
    }

    fn time(&self) -> Result<Duration, String> {
        duration("time", self.needs("time = \"700ms\"", self.time.as_deref())?)
    }

    /// What a fault of its kind cannot be without.
    fn needs<T>(&self, such_as: &str, given: Option<T>) -> Result<T, String> {
        given.ok_or_else(|| {
            let (key, value) = such_as.split_once(" = ").unwrap_or((such_as, ""));
            format!("`{}` needs `{key}`, such as {value}", self.kind.word())
        })
    }
}

fn share(key: &str, value: f64) -> Result<f64, String> {
    if (0.0..=1.0).contains(&value) { Ok(value) } else { Err(format!("`{key}` is {value}, expected 0 to 1")) }
}

fn signal(site: &Site, id: &str) -> Result<usize, String> {
    let found = site.signals.iter().position(|signal| signal.id == id);
    let known = || site.signals.iter().map(|signal| signal.id.as_str()).collect();
    found.ok_or_else(|| not_there("signal", id, known()))
}

fn not_there(what: &str, id: &str, known: Vec<&str>) -> String {
    format!("the site has no {what} `{id}`; {}", meant(id, "it has", &known))
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
