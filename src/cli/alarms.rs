//! `siskin alarms`: the alarms that somebody has still something to do about, or all of them.

use std::cmp::Reverse;
use std::io::{self, Write};

use crate::cli::connect::{to_daemon, understood};
use crate::cli::terminal::{Mark, Terminal};
use crate::cli::{CliError, Common, Outcome};
use crate::control::protocol::Request;
use crate::view::{Alarm, Signal, Status, words};

/// Which alarms.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Every alarm, those in their normal state too
    #[arg(long)]
    all: bool,
}

/// Tells the alarms, the most urgent first.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    if common.json {
        writeln!(out, "{}", to_daemon(common)?.ask(&Request::Alarms {})?)?;
        return Ok(Outcome::Done);
    }
    let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
    let told = tell(&status, |alarm| args.all || alarm.needs_somebody(), &Terminal::of_stdout(), out)?;
    if !told {
        writeln!(out, "Every alarm is in its normal state.")?;
    }
    Ok(Outcome::Done)
}

/// Tells the wanted alarms: those not acknowledged first, then by priority, the newest first. Whether
/// there was one.
pub fn tell(
    status: &Status,
    wanted: impl Fn(&Alarm) -> bool,
    terminal: &Terminal,
    out: &mut dyn Write,
) -> io::Result<bool> {
    let mut alarms: Vec<&Alarm> = status.alarms.iter().filter(|alarm| wanted(alarm)).collect();
    alarms.sort_by_key(|alarm| {
        let unheard = alarm.state.is_unacknowledged();
        (!alarm.needs_somebody(), !unheard, alarm.priority.0, Reverse(alarm.since))
    });
    for alarm in &alarms {
        tell_one(alarm, status, terminal, out)?;
    }
    Ok(!alarms.is_empty())
}

fn tell_one(alarm: &Alarm, status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let head = format!("  {}  {} ({} priority)", alarm.id, alarm.name, alarm.priority);
    for line in terminal.fold(4, &head) {
        writeln!(out, "{}", terminal.mark(mark(alarm), &line))?;
    }
    let mut about = vec![state(alarm, status, terminal)];
    // Once the condition is gone, what it would have led to and what to do about it mislead.
    if alarm.needs_somebody() && alarm.active != Some(false) {
        about.extend(alarm.consequence.clone());
        about.extend(alarm.action.as_ref().map(|action| format!("Do: {action}")));
    }
    for line in about.iter().flat_map(|text| terminal.wrap(4, text)) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn mark(alarm: &Alarm) -> Mark {
    match alarm.active {
        Some(true) => Mark::Wrong,
        None => Mark::Doubt,
        Some(false) if alarm.needs_somebody() => Mark::Doubt,
        Some(false) => Mark::Plain,
    }
}

/// The state, since when, and what the signal says against the limit now.
fn state(alarm: &Alarm, status: &Status, terminal: &Terminal) -> String {
    let mut text = words::alarm_state(alarm.state.0).to_owned();
    if let Some(since) = alarm.since {
        text += &format!(", {}", terminal.since(since, status.time));
    }
    if alarm.active.is_none() {
        text += ", cannot be judged now";
    }
    let signal = status.signals.iter().find(|signal| Some(&signal.id) == alarm.signal.as_ref());
    if let Some(signal) = signal {
        text += &format!("; {}", now(alarm, signal));
    }
    text
}

fn now(alarm: &Alarm, signal: &Signal) -> String {
    let place = signal.tag.as_ref().unwrap_or(&signal.id);
    let value = words::value_text(signal);
    match words::limit_text(alarm, Some(signal)) {
        Some(limit) => format!("{place} now {value}, limit {limit}"),
        None => format!("{place} now {value}"),
    }
}
