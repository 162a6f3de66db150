//! `siskin scan`: who answers on a line, and under which settings.
//!
//! Every unit is asked for one register under every speed and format asked for. What is found is told
//! at once; a search that ends early says how to go on. In which order, and how long to wait, is decided
//! in [`crate::commission::sweep`].

use std::io::Write;
use std::str::FromStr;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use crate::cli::borrow::{Borrowed, OVER};
use crate::cli::interrupt::stop_signals;
use crate::cli::progress::Progress;
use crate::cli::target::{self, Chosen, Ways};
use crate::cli::terminal::count;
use crate::cli::{CliError, Common, Outcome};
use crate::commission::format::{Format, settings_text};
use crate::commission::sweep::{self, BAUDS, GARBLED_TRIES, PROBE, Patience, Step, UNITS, UNREST_MAX};
use crate::config::SerialSettings;
use crate::control::protocol::LOAN_MAX;
use crate::modbus::{Answered, Heard, Reply, VisitError, Visitor};
use crate::view::words;

mod findings;

use findings::{Device, Found, Garbled, Under, beginning, conclude, device_text, garbled_text};

/// What a loan is longer than the search is reckoned to take: retries and closing the port.
const LOAN_SPARE: Duration = Duration::from_secs(30);

/// What to look for, and where.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A line of the site file, or a port: /dev/ttyUSB0, 192.0.2.10:4001
    #[arg(value_name = "LINE")]
    line: String,
    /// Speeds to look under [default: the line's own, then 19200 and 9600]
    #[arg(long, value_name = "SPEED,…", value_delimiter = ',', value_parser = target::baud)]
    baud: Vec<u32>,
    /// Character formats to look under [default: the line's own, then 8E1, 8O1 and 8N2, which also finds
    /// devices with 8N1]
    #[arg(long, value_name = "FORMAT,…", value_delimiter = ',', value_parser = target::format)]
    format: Vec<Format>,
    /// Unit ids to look for, such as 1-32,40 [default: 1-247]
    #[arg(long, value_name = "UNIT,…", value_delimiter = ',', value_parser = units)]
    unit: Vec<UnitSpan>,
    /// Go on where an earlier search ended, as it told
    #[arg(long, value_name = "SPEED-FORMAT-UNIT")]
    from: Option<From>,
    /// Give every unit the whole time, however fast those were that have answered
    #[arg(long)]
    patient: bool,
    /// End after the first settings under which anybody has answered
    #[arg(long)]
    until_found: bool,
    #[command(flatten)]
    ways: Ways,
}

/// Unit ids from one to another.
#[derive(Debug, Clone, Copy)]
struct UnitSpan(u8, u8);

fn units(text: &str) -> Result<UnitSpan, String> {
    let unit = |text: &str| text.trim().parse().ok().filter(|unit| UNITS.contains(unit));
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    match (unit(first), unit(last)) {
        (Some(first), Some(last)) if first <= last => Ok(UnitSpan(first, last)),
        _ => Err(format!("unit ids are {} to {}, such as 7 or 1-32", UNITS.start(), UNITS.end())),
    }
}

/// Where to go on: settings, where the line has any, and a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct From {
    settings: Option<SerialSettings>,
    unit: u8,
}

impl FromStr for From {
    type Err = String;

    fn from_str(text: &str) -> Result<From, String> {
        let wrong = || "as the search told: such as 9600-8E1-57, or 57 over TCP".to_owned();
        let parts: Vec<&str> = text.split('-').collect();
        let unit = |text: &str| text.parse().ok().filter(|unit| UNITS.contains(unit)).ok_or_else(wrong);
        match parts[..] {
            [last] => Ok(From { settings: None, unit: unit(last)? }),
            [baud, format, last] => {
                let settings = target::format(format)?.at(target::baud(baud)?);
                Ok(From { settings: Some(settings), unit: unit(last)? })
            }
            _ => Err(wrong()),
        }
    }
}

/// Searches, and tells what was found.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let chosen = Chosen::line(&args.line, &args.ways, common)?;
    let plan = Plan::of(args, &chosen)?;
    let stop = stop_signals()?;
    if !common.json {
        introduce(&plan, &chosen, out)?;
    }
    let borrowed = Borrowed::line(&chosen, plan.longest() + LOAN_SPARE, "scan", &args.ways, common)?;
    if borrowed.is_lent() && !common.json {
        writeln!(out, "The running daemon lends the line; nothing of it is measured meanwhile.")?;
    }
    let mut search = Search {
        plan: &plan,
        chosen: &chosen,
        borrowed: &borrowed,
        stop: &stop,
        patience: Patience::new(chosen.spec.response_timeout, !args.patient && chosen.hears_late_answers()),
        progress: Progress::new(),
        began: Instant::now(),
        json: common.json,
        unrest: 0,
        found: Found::default(),
        out,
    };
    let ended = search.all(args.until_found);
    search.progress.clear();
    let (found, took) = (search.found, search.began.elapsed());
    drop(borrowed);
    let ended = ended?;
    conclude(&found, &ended, &chosen, &plan, took, common, out)
}

/// What is asked, in order.
struct Plan {
    settings: Vec<Option<SerialSettings>>,
    units: Vec<u8>,
    from: Step,
    timeout: Duration,
}

impl Plan {
    fn of(args: &Args, chosen: &Chosen) -> Result<Plan, CliError> {
        let settings = match chosen.settings() {
            None if !args.baud.is_empty() || !args.format.is_empty() => return Err(target::over_tcp()),
            None => vec![None],
            Some(own) => {
                // What is asked for is looked under, and nothing else.
                let own = Some(own).filter(|_| args.baud.is_empty() && args.format.is_empty());
                let bauds = if args.baud.is_empty() { &BAUDS[..] } else { &args.baud };
                let formats = if args.format.is_empty() { &Format::STANDARD[..] } else { &args.format };
                sweep::settings(own, bauds, formats).into_iter().map(Some).collect()
            }
        };
        let mut units: Vec<u8> = args.unit.iter().flat_map(|span| span.0..=span.1).collect();
        if units.is_empty() {
            units = UNITS.collect();
        }
        units.sort_unstable();
        units.dedup();
        let mut plan = Plan {
            settings,
            units,
            from: Step { settings: 0, unit: 0 },
            timeout: chosen.spec.response_timeout,
        };
        if let Some(from) = args.from {
            plan.from = plan.step(from).ok_or_else(|| {
                CliError::BadInput(
                    "`--from` names settings or a unit that this search does not ask".to_owned(),
                )
            })?;
        }
        Ok(plan)
    }

    fn step(&self, from: From) -> Option<Step> {
        let settings = self.settings.iter().position(|settings| *settings == from.settings)?;
        let unit = self.units.iter().position(|unit| *unit == from.unit)?;
        Some(Step { settings, unit })
    }

    fn longest(&self) -> Duration {
        self.longest_from(self.from, self.timeout)
    }

    fn longest_from(&self, from: Step, timeout: Duration) -> Duration {
        sweep::longest(&self.settings, self.units.len(), from, timeout)
    }

    /// How to name a step to `--from`.
    fn name(&self, step: Step) -> Option<String> {
        let unit = self.units.get(step.unit)?;
        Some(match self.settings.get(step.settings)? {
            Some(settings) => format!("{}-{}-{unit}", settings.baud, Format::of(settings).word()),
            None => unit.to_string(),
        })
    }
}

/// How the search ended.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Ended {
    /// All was asked that was to be asked.
    Whole,
    /// It was broken off before this step, and why.
    Early(Step, String),
}

/// A search under way.
struct Search<'a> {
    plan: &'a Plan,
    chosen: &'a Chosen,
    borrowed: &'a Borrowed,
    stop: &'a Receiver<()>,
    patience: Patience,
    progress: Progress,
    began: Instant,
    json: bool,
    unrest: u32,
    found: Found,
    out: &'a mut dyn Write,
}

impl Search<'_> {
    fn all(&mut self, until_found: bool) -> Result<Ended, CliError> {
        for (index, settings) in self.plan.settings.iter().enumerate().skip(self.plan.from.settings) {
            let first = if index == self.plan.from.settings { self.plan.from.unit } else { 0 };
            if let Some(ended) = self.under(index, *settings, first)? {
                return Ok(ended);
            }
            if until_found && !self.found.devices.is_empty() {
                break;
            }
        }
        Ok(Ended::Whole)
    }

    fn under(
        &mut self,
        index: usize,
        settings: Option<SerialSettings>,
        first: usize,
    ) -> Result<Option<Ended>, CliError> {
        let spec = self.chosen.under(settings);
        let mut visitor = match Visitor::open(&spec) {
            Ok(visitor) => visitor,
            // What was found so far is not to be lost.
            Err(error) if index > self.plan.from.settings => {
                return Ok(Some(Ended::Early(Step { settings: index, unit: first }, error.to_string())));
            }
            Err(error) => return Err(CliError::Unreachable(error.to_string())),
        };
        for (place, unit) in self.plan.units.iter().enumerate().skip(first) {
            let step = Step { settings: index, unit: place };
            if self.stop.try_recv().is_ok() {
                return Ok(Some(Ended::Early(step, "interrupted".to_owned())));
            }
            if self.borrowed.is_over() {
                return Ok(Some(Ended::Early(step, OVER.to_owned())));
            }
            visitor.set_response_timeout(self.patience.timeout());
            self.show(step, settings, *unit);
            match self.ask(&mut visitor, *unit, settings) {
                Ok(()) => {}
                Err(VisitError::Gone(cause)) => {
                    return Ok(Some(Ended::Early(step, format!("the port has gone away: {cause}"))));
                }
                Err(error) => return Err(CliError::Unreachable(error.to_string())),
            }
            if self.unrest >= UNREST_MAX {
                let told =
                    "the line is never silent: another master asks on it, or a device talks without end";
                return Ok(Some(Ended::Early(step, told.to_owned())));
            }
        }
        // A port that goes away now is found out when it is opened for the next settings, or not missed.
        if let Ok(heard) = visitor.listen(self.plan.timeout.saturating_sub(self.patience.timeout())) {
            // The last units were given less than the whole time: whoever answers after it is heard here.
            self.tell_late(&heard, u8::MAX, settings);
        }
        for hint in visitor.hints() {
            self.note(&match settings {
                Some(settings) => format!("{}: {hint}", settings_text(&settings)),
                None => hint.clone(),
            });
        }
        Ok(None)
    }

    fn show(&mut self, step: Step, settings: Option<SerialSettings>, unit: u8) {
        let left = self.plan.longest_from(step, self.patience.timeout());
        let all = left + self.began.elapsed();
        let done = if all.is_zero() { 1.0 } else { self.began.elapsed().div_duration_f64(all) };
        let under = settings.as_ref().map_or_else(String::new, |settings| settings_text(settings) + "  ");
        let found = count(self.found.devices.len(), "device");
        self.progress.at(done, &format!("{under}unit {unit}  {found}"), left);
    }

    fn ask(
        &mut self,
        visitor: &mut Visitor,
        unit: u8,
        settings: Option<SerialSettings>,
    ) -> Result<(), VisitError> {
        let mut garbled = 0;
        loop {
            let answered = visitor.ask(unit, PROBE)?;
            self.overhear(&answered, unit, settings);
            self.unrest = if answered.reply == Reply::Unrest { self.unrest + 1 } else { 0 };
            match &answered.reply {
                Reply::Silence | Reply::Unrest => return Ok(()),
                Reply::Garbled => {
                    garbled += 1;
                    if garbled >= GARBLED_TRIES {
                        self.tell_garbled(unit, settings, &answered.heard.bytes);
                        return Ok(());
                    }
                }
                reply @ (Reply::Registers(_) | Reply::Bits(_) | Reply::Exception(_)) => {
                    self.patience.answered(answered.response.unwrap_or_default());
                    if let Some(says) = says(reply) {
                        self.tell_device(unit, settings, answered.response, says, garbled);
                    }
                    return Ok(());
                }
            }
        }
    }

    /// Takes note of what was heard besides.
    fn overhear(&mut self, answered: &Answered, asked: u8, settings: Option<SerialSettings>) {
        if answered.heard.questions > 0 {
            self.note("questions were heard that are not ours: another master is on this line");
        }
        self.tell_late(&answered.heard, asked, settings);
    }

    /// Tells of whole answers of units that were asked before.
    fn tell_late(&mut self, heard: &Heard, asked: u8, settings: Option<SerialSettings>) {
        for unit in heard.units.iter().filter(|unit| **unit != asked) {
            let known = self.found.devices.iter().any(|device| device.unit == *unit);
            if self.plan.units.contains(unit) && *unit < asked && !known {
                let more = if self.patience.is_shortened() { "--patient" } else { "a longer --timeout" };
                let says = format!("an answer that came too late: look again with {more} --unit {unit}");
                self.tell_device(*unit, settings, None, says, 0);
            }
        }
    }

    fn tell_device(
        &mut self,
        unit: u8,
        settings: Option<SerialSettings>,
        response: Option<Duration>,
        says: String,
        garbled_before: u32,
    ) {
        let response_ms = response.map(|response| response.as_secs_f64() * 1e3);
        let device = Device { unit, under: Under::of(settings), response_ms, says, garbled_before };
        self.say(&device_text(&device));
        self.found.devices.push(device);
    }

    fn tell_garbled(&mut self, unit: u8, settings: Option<SerialSettings>, bytes: &[u8]) {
        if sweep::is_break(bytes) {
            self.note(
                "zeros are heard after questions and nothing else: A and B may be swapped, or nothing holds the \
                 idle line (polarization)",
            );
            return;
        }
        let garbled = Garbled { unit, under: Under::of(settings), heard: beginning(bytes) };
        self.say(&garbled_text(&garbled));
        self.found.garbled.push(garbled);
    }

    fn note(&mut self, note: &str) {
        if !self.found.notes.iter().any(|known| known == note) {
            self.found.notes.push(note.to_owned());
        }
    }

    fn say(&mut self, line: &str) {
        if !self.json {
            self.progress.clear();
            // What cannot be written is noticed at the end, when all is told once more in numbers.
            let _ = writeln!(self.out, "{line}").and_then(|()| self.out.flush());
        }
    }
}

/// What a device says; `None` for a gateway that speaks for one that is not there (Application Protocol
/// V1.1b3, section 7: 0A and 0B).
fn says(reply: &Reply) -> Option<String> {
    match reply {
        Reply::Registers(words) => {
            let hex: String = words.iter().map(|word| format!(" {word:04X}")).collect();
            Some(format!("{PROBE} is{hex}"))
        }
        Reply::Exception(0x0A | 0x0B) => None,
        Reply::Exception(code) => Some(format!("it refuses {PROBE} with exception {code:02X}: it is there")),
        Reply::Bits(_) | Reply::Silence | Reply::Garbled | Reply::Unrest => None,
    }
}

fn introduce(plan: &Plan, chosen: &Chosen, out: &mut dyn Write) -> Result<(), CliError> {
    let under: Vec<String> = plan.settings.iter().flatten().map(settings_text).collect();
    let line = chosen.id().map_or_else(String::new, |id| format!("line {id}, "));
    let port = match &chosen.spec.port {
        crate::config::Port::Serial { path, .. } => path.display().to_string(),
        port @ crate::config::Port::Tcp { .. } => target::port_text(port),
    };
    writeln!(out, "Looking for {} on {line}{port}", count(plan.units.len(), "unit"))?;
    if !under.is_empty() {
        writeln!(out, "under {}.", under.join(", "))?;
    }
    let longest = plan.longest();
    writeln!(
        out,
        "This takes at most {}; less once answers have shown how fast the devices are.",
        words::duration(longest)
    )?;
    if chosen.id().is_some() && longest + LOAN_SPARE > LOAN_MAX {
        let told = words::duration(LOAN_MAX);
        writeln!(out, "A daemon lends a line for at most {told}: the search may end before it is through.")?;
    }
    Ok(out.flush()?)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn units_are_single_or_from_one_to_another() {
        for (text, first, last) in [("7", 7, 7), ("1-32", 1, 32), ("247", 247, 247)] {
            let span = units(text).unwrap();
            assert_eq!((span.0, span.1), (first, last));
        }
        for wrong in ["0", "248", "9-3", "x", ""] {
            assert!(units(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn where_to_go_on_is_read_back_as_it_was_told() {
        let settings = Format::from_word("8E1").unwrap().at(9600);
        assert_eq!("9600-8E1-57".parse(), Ok(From { settings: Some(settings), unit: 57 }));
        assert_eq!("57".parse(), Ok(From { settings: None, unit: 57 }));
        for wrong in ["9600-57", "9600-7E1-57", "9600-8E1-0", "x"] {
            assert!(From::from_str(wrong).is_err(), "{wrong}");
        }
    }
}
