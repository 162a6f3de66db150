//! `siskin alarms`: the alarms that somebody has still something to do about and those that are withheld,
//! or all of them.

use std::cmp::Reverse;
use std::io::{self, Write};

use crate::cli::connect::{to_daemon, understood};
use crate::cli::terminal::{Mark, Terminal};
use crate::cli::{CliError, Common, Outcome, performance};
use crate::control::protocol::Request;
use crate::view::{Alarm, Signal, Status, words};

/// Which alarms.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Every alarm, those in their normal state too
    #[arg(long)]
    all: bool,
    /// How well the alarms serve their operator: how many call, how fast, which ones
    #[arg(long, conflicts_with = "all")]
    performance: bool,
    #[command(flatten)]
    between: performance::Between,
}

/// Tells the alarms, the most urgent first.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    if args.performance {
        return performance::run(&args.between, common, out);
    }
    if common.json {
        writeln!(out, "{}", to_daemon(common)?.ask(&Request::Alarms {})?)?;
        return Ok(Outcome::Done);
    }
    let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
    show(args.all, &status, &Terminal::of_stdout(&status.site.time_zone), out)?;
    Ok(Outcome::Done)
}

fn show(all: bool, status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    if status.stale {
        let told =
            format!("All this is {} old: the daemon does not keep up.", words::duration(status.age_s.0));
        writeln!(out, "{}", terminal.mark(Mark::Wrong, &told))?;
    }
    let is_withheld = |alarm: &Alarm| alarm.withheld().is_some();
    if !tell(status, |alarm| !is_withheld(alarm) && (all || alarm.needs_somebody()), terminal, out)? {
        writeln!(out, "No alarm needs anybody.")?;
    }
    tell_what_was_seen(status, terminal, out)?;
    if status.alarms.iter().any(is_withheld) {
        writeln!(out, "\nWithheld: these go on watching and call nobody")?;
        tell(status, is_withheld, terminal, out)?;
    }
    Ok(())
}

/// How to acknowledge what is shown, and nothing that calls later.
pub fn tell_what_was_seen(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    if status.summary.alarms_unacknowledged == 0 {
        return Ok(());
    }
    let how = format!("To acknowledge all that is shown here: siskin ack --all --seen {}", status.seq);
    terminal.wrap(2, &how).iter().try_for_each(|line| writeln!(out, "{line}"))
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
    let withheld = words::withheld_text(alarm, status.time, &terminal.zone);
    let is_withheld = withheld.is_some();
    let mut text = withheld.unwrap_or_else(|| words::standing(alarm));
    if let Some(since) = alarm.since {
        text += &format!(", {}", terminal.since(since, status.time));
    }
    match alarm.active {
        None if is_withheld => text += ", cannot be judged now",
        Some(true) if is_withheld => text += ", its condition holds",
        None | Some(_) => {}
    }
    if alarm.first_out {
        text += ", the first of its group";
    }
    if let Some(group) = &alarm.first_out_group {
        text += &format!(", group {group}");
    }
    let signal = status.signals.iter().find(|signal| Some(&signal.id) == alarm.signal.as_ref());
    if let Some(signal) = signal {
        text += &format!("; {}", now(alarm, signal));
    }
    text
}

fn now(alarm: &Alarm, signal: &Signal) -> String {
    let place = signal.tag.as_ref().unwrap_or(&signal.id);
    let value = words::value_with_quality_text(signal);
    match words::limit_text(alarm, Some(signal)) {
        Some(limit) => format!("{place} now {value}, limit {limit}"),
        None => format!("{place} now {value}"),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use jiff::tz::TimeZone;

    use super::*;
    use crate::alarm::Withheld;
    use crate::cli::status::tests::bad_afternoon;
    use crate::signal::Quality;
    use crate::view::{AlarmState, Word};

    fn shown(all: bool, status: &Status, width: usize) -> String {
        let terminal = Terminal { width, colour: false, zone: TimeZone::get("America/Chicago").unwrap() };
        let mut out = Vec::new();
        show(all, status, &terminal, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_bad_afternoons_alarms_are_told_in_80_columns() {
        insta::with_settings!({ snapshot_path => "golden", prepend_module_to_snapshot => false }, {
            let told = shown(false, &bad_afternoon(), 80);
            insta::assert_snapshot!("alarms_in_80_columns", told);
        });
    }

    #[test]
    fn no_line_is_wider_than_the_terminal() {
        for (width, all) in [(60, true), (80, true), (120, false)] {
            for line in shown(all, &bad_afternoon(), width).lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
        }
    }

    #[test]
    fn each_reason_to_withhold_an_alarm_is_said() {
        for (why, expected) in [
            (Withheld::Shelved, "shelved until 10:00:00 by night shift (operator): filter is being changed"),
            (Withheld::Suppressed, "suppressed by design"),
            (Withheld::OutOfService, "out of service by night shift (operator): filter is being changed"),
        ] {
            let mut status = bad_afternoon();
            let alarm = status.alarms.iter_mut().find(|alarm| alarm.id == "flow-low").unwrap();
            alarm.state = Word(AlarmState::Withheld(why));
            if why == Withheld::Suppressed {
                alarm.withheld_by = None;
            }
            let told = shown(false, &status, 140);
            assert!(told.contains(expected), "{why:?}: {told}");
        }
    }

    #[test]
    fn a_value_to_be_used_with_care_is_marked_beside_its_limit() {
        let mut status = bad_afternoon();
        assert!(!shown(false, &status, 140).contains("use with care"));
        let h2s = status.signals.iter_mut().find(|signal| signal.id == "h2s-1.concentration").unwrap();
        h2s.quality = Word(Quality::Uncertain);
        let told = shown(false, &status, 140);
        assert!(told.contains("AIT-1101 now 4.312 ppmv (use with care), limit above"), "{told}");
    }
}
