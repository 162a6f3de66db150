//! `siskin read`: registers or bits by hand, shown under every type and order at once.
//!
//! `--expect` marks what fits the device's display and writes the lines for the site file; of a signal
//! of the site file, `--reference` tells how far it lies from what another instrument shows.

use std::io::Write;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use crate::cli::borrow::{Borrowed, OVER};
use crate::cli::interrupt::stop_signals;
use crate::cli::target::{self, Character, Chosen, Ways};
use crate::cli::{CliError, Common, Outcome};
use crate::commission::meaning::Shown;
use crate::commission::reference::Reference;
use crate::config::{Site, table_and_item};
use crate::modbus::plan::Block;
use crate::modbus::{Answered, VisitError, Visitor};
use crate::signal::{SignalSpec, Table};

mod show;

use show::{Asked, Wanted};

/// For how long the daemon lends a line for one reading: its silence, the answer, and some.
const LOAN_SPARE: Duration = Duration::from_secs(5);
/// For how long it lends it for `--watch`, which ends with Ctrl-C.
const WATCH_LOAN: Duration = Duration::from_secs(1800);
/// Registers that are read when nothing is said: the widest common value.
const COUNT_DEFAULT: u16 = 2;

/// What to read.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A device or a signal of the site file (h2s-1, h2s-1.concentration), or a unit on a line or port
    /// (east:5, /dev/ttyUSB0:5, 192.0.2.10:4001:5)
    #[arg(value_name = "WHAT")]
    what: String,
    /// Where: a table and a zero-based address (input:0, holding:40, discrete:3, coil:7), or a reference
    /// number of five or six digits (30001)
    #[arg(value_name = "PLACE", value_parser = place)]
    place: Option<Place>,
    /// How many registers or bits [default: 2, or as many as the signal has]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=2000))]
    count: Option<u16>,
    /// What the device's display shows, such as 12.3: marks what fits it
    #[arg(long, value_name = "NUMBER", allow_hyphen_values = true, value_parser = shown)]
    expect: Option<Shown>,
    /// Of a signal: what another instrument shows, in its unit or as a loop current such as 6.57mA
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true, value_parser = reference)]
    reference: Option<Reference>,
    /// With --reference: how far the signal may lie from it, in percent of span
    #[arg(long, value_name = "PERCENT", requires = "reference", value_parser = percent)]
    tolerance: Option<f64>,
    /// Read again and again, until Ctrl-C
    #[arg(long, value_name = "TIME", num_args = 0..=1, default_missing_value = "1s", value_parser = target::time)]
    watch: Option<Duration>,
    #[command(flatten)]
    character: Character,
    #[command(flatten)]
    ways: Ways,
}

/// A table and a zero-based address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place(Table, u16);

const TABLES: [Table; 4] = [Table::Input, Table::Holding, Table::Discrete, Table::Coil];

fn place(text: &str) -> Result<Place, String> {
    let wrong =
        || "a table and a zero-based address such as input:0, or a reference number such as 30001".to_owned();
    if let Some((table, address)) = text.split_once(':') {
        let table = TABLES.into_iter().find(|known| known.word() == table).ok_or_else(wrong)?;
        return address.parse().map(|address| Place(table, address)).map_err(|_| wrong());
    }
    let (table, item) = text.parse().ok().and_then(table_and_item).ok_or_else(wrong)?;
    let address = u16::try_from(item - 1).map_err(|_| wrong())?;
    table.map(|table| Place(table, address)).ok_or_else(wrong)
}

fn shown(text: &str) -> Result<Shown, String> {
    Shown::parse(text).ok_or_else(|| {
        "a number as the display shows it, such as 12.3; not zero, which fits everywhere".to_owned()
    })
}

fn reference(text: &str) -> Result<Reference, String> {
    Reference::parse(text)
        .ok_or_else(|| "a number in the signal's unit, or a loop current such as 6.57mA".to_owned())
}

fn percent(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|percent| (0.0..=100.0).contains(percent)).ok_or_else(|| "0 to 100".to_owned())
}

/// Reads, and tells what is there.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let goal = Goal::of(args, common)?;
    let stop = stop_signals()?;
    let time = match args.watch {
        Some(_) => WATCH_LOAN,
        None => LOAN_SPARE + goal.chosen.spec.response_timeout * 4,
    };
    let borrowed = Borrowed::line(&goal.chosen, time, "read", &args.ways, common)?;
    let mut visitor = Visitor::open(&goal.chosen.spec).map_err(unreachable)?;
    loop {
        let answered = visitor.ask(goal.unit, goal.block).map_err(unreachable)?;
        let asked = goal.asked(&answered);
        let wanted = Wanted { expect: args.expect, reference: args.reference, tolerance: args.tolerance };
        let outcome = show::tell(&asked, &wanted, common.json, out)?;
        out.flush()?;
        match args.watch {
            Some(pause) if waited(&stop, pause) => {}
            _ => return Ok(outcome),
        }
        if borrowed.is_over() {
            return Err(CliError::Unreachable(OVER.to_owned()));
        }
    }
}

fn unreachable(error: VisitError) -> CliError {
    match error {
        VisitError::NoSuchBlock(_) => CliError::BadInput(error.to_string()),
        VisitError::Open(_) | VisitError::Gone(_) | VisitError::Runtime(_) => {
            CliError::Unreachable(error.to_string())
        }
    }
}

/// Whether the pause has passed without anybody telling to stop.
fn waited(stop: &Receiver<()>, pause: Duration) -> bool {
    matches!(stop.recv_timeout(pause), Err(RecvTimeoutError::Timeout))
}

/// What is asked of whom.
struct Goal {
    chosen: Chosen,
    unit: u8,
    block: Block,
    /// The signal of the site file, when one was named.
    signal: Option<SignalSpec>,
    who: String,
}

impl Goal {
    fn of(args: &Args, common: &Common) -> Result<Goal, CliError> {
        let (line, unit, who, signal) = whom(&args.what, common)?;
        let mut chosen = Chosen::line(&line, &args.ways, common)?;
        args.character.apply(&mut chosen.spec)?;
        let (place, width) = match (args.place, &signal) {
            (Some(place), _) => (place, None),
            (None, Some(signal)) => {
                (Place(signal.place.table, signal.place.address), Some(signal.place.value_type.width()))
            }
            (None, None) => {
                let told = "say where to read, such as input:0, or name a signal of the site file";
                return Err(CliError::BadInput(told.to_owned()));
            }
        };
        if args.reference.is_some() && (signal.is_none() || args.place.is_some()) {
            let told = "`--reference` compares a signal of the site file: name one, without a place";
            return Err(CliError::BadInput(told.to_owned()));
        }
        let count = args.count.or(width).unwrap_or(if place.0.is_registers() { COUNT_DEFAULT } else { 1 });
        let block = Block { table: place.0, start: place.1, count };
        Ok(Goal { chosen, unit, block, signal: signal.filter(|_| args.place.is_none()), who })
    }

    fn asked<'a>(&'a self, answered: &'a Answered) -> Asked<'a> {
        Asked {
            who: &self.who,
            port: target::port_text(&self.chosen.spec.port),
            unit: self.unit,
            block: self.block,
            signal: self.signal.as_ref(),
            answered,
        }
    }
}

/// The line, the unit, what to call it, and the signal when one is meant.
fn whom(what: &str, common: &Common) -> Result<(String, u8, String, Option<SignalSpec>), CliError> {
    if let Some((line, unit)) = what.rsplit_once(':') {
        let unit = unit.parse().map_err(|_| {
            CliError::BadInput(format!(
                "{what:?} does not end with a unit id, as in east:5 or /dev/ttyUSB0:5"
            ))
        })?;
        return Ok((line.to_owned(), unit, format!("unit {unit}"), None));
    }
    let site = crate::cli::site_file::load(common.config())?;
    of_site(what, &site)
}

fn of_site(what: &str, site: &Site) -> Result<(String, u8, String, Option<SignalSpec>), CliError> {
    let signal = site.signals.iter().find(|signal| signal.id == what);
    let device = match signal {
        Some(signal) => site.devices.get(signal.device.0),
        None => site.devices.iter().find(|device| device.id == what),
    };
    let Some(device) = device else {
        let known: Vec<&str> = site.devices.iter().map(|device| device.id.as_str()).collect();
        let known = known.join(", ");
        return Err(CliError::BadInput(format!(
            "there is no device or signal {what:?} in the site file; its devices are {known}"
        )));
    };
    let line = site.lines.get(device.line.0).map(|line| line.id.clone()).unwrap_or_default();
    Ok((line, device.unit_id, format!("{what} (unit {})", device.unit_id), signal.cloned()))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_a_table_and_an_address_or_a_reference_number() {
        for (text, table, address) in [
            ("input:0", Table::Input, 0),
            ("coil:65535", Table::Coil, 65_535),
            ("30001", Table::Input, 0),
            ("40041", Table::Holding, 40),
            ("465536", Table::Holding, 65_535),
        ] {
            assert_eq!(place(text), Ok(Place(table, address)), "{text}");
        }
        for wrong in ["", "input", "input:", "input:65536", "inputs:0", "7", "20001"] {
            assert!(place(wrong).is_err(), "{wrong}");
        }
    }
}
