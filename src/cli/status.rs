//! `siskin status`: everything known now, the most important first.

use std::io::{self, Write};

use serde_json::json;

use crate::cli::connect::{to_daemon, understood};
use crate::cli::terminal::{Mark, Terminal, count};
use crate::cli::{CliError, Common, Outcome, alarms, other_box};
use crate::control::protocol::Request;
use crate::monitor::DeviceState;
use crate::signal::Quality;
use crate::view::{Alarm, Device, Line, LineState, Signal, Status, Value, Verdict, words};

/// Which part, and of which daemon.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only what the record takes on the disk, what is written in a day, and how long the room lasts
    #[arg(long)]
    disk: bool,
    /// Ask another box over HTTP: where its page is, as in http://192.0.2.20:8485
    #[arg(long, value_name = "URL")]
    url: Option<String>,
}

/// Tells the status.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let answer = match &args.url {
        Some(url) => other_box::status(url)?,
        None => to_daemon(common)?.ask(&Request::Status {})?,
    };
    if common.json && !args.disk {
        writeln!(out, "{answer}")?;
        return Ok(Outcome::Done);
    }
    let status: Status = understood(&answer)?;
    let terminal = Terminal::of_stdout(&status.site.time_zone);
    match (args.disk, common.json) {
        (true, true) => writeln!(out, "{}", json!(status.storage))?,
        (true, false) => storage(&status, &terminal, out)?,
        (false, _) => tell(&status, &terminal, out)?,
    }
    Ok(Outcome::Done)
}

/// What the record takes, a line each.
fn storage(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let Some(storage) = &status.storage else {
        return writeln!(out, "What the record takes has not been measured yet.");
    };
    writeln!(out, "Record as of {}", words::date_and_time(storage.time, &terminal.zone))?;
    for (what, how_much) in words::storage_text(storage, &terminal.zone) {
        told(&terminal.fold(12, &format!("  {what:8}  {how_much}")), out)?;
    }
    told(&terminal.wrap(0, WRITTEN_NOTE), out)
}

/// What `written` counts.
const WRITTEN_NOTE: &str = "Written is what siskin had the kernel send to the disk since it started. What the \
    file system and a flash card write on their own account comes on top.";

fn tell(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    heading(status, terminal, out)?;
    if status.alarms.iter().any(Alarm::needs_somebody) {
        writeln!(out, "\nAlarms that need somebody")?;
        alarms::tell(status, Alarm::needs_somebody, terminal, out)?;
        alarms::tell_what_was_seen(status, terminal, out)?;
    }
    signals(status, terminal, out)?;
    devices(status, terminal, out)?;
    lines(status, terminal, out)?;
    clock(status, terminal, out)?;
    writeln!(out)?;
    told(&terminal.wrap(0, CAUTION), out)
}

/// What whoever reads it must not take it for.
const CAUTION: &str = "Not a safety system: never decide by this that a space is safe to enter.";

/// What there is to say of the clock.
fn clock(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let mark = if status.clock.is_doubtful() { Mark::Doubt } else { Mark::Plain };
    let text = format!("Clock: {}", words::clock_text(&status.clock, &terminal.zone).join("; "));
    writeln!(out)?;
    for line in terminal.wrap(0, &text) {
        writeln!(out, "{}", terminal.mark(mark, &line))?;
    }
    Ok(())
}

/// Which site and when, the answer to the first question, and the counts.
fn heading(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let time = words::date_and_time(status.time, &terminal.zone);
    let room = terminal.width.saturating_sub(time.chars().count() + 1);
    writeln!(out, "{:room$} {time}", status.site.name)?;
    if status.stale {
        let told =
            format!("All this is {} old: the daemon does not keep up.", words::duration(status.age_s.0));
        writeln!(out, "{}", terminal.mark(Mark::Wrong, &told))?;
    }
    let mark = match status.gas.verdict {
        Verdict::OutsideLimits => Mark::Wrong,
        Verdict::BeyondPending | Verdict::NotKnown => Mark::Doubt,
        Verdict::WithinLimits if !status.gas.is_certain() => Mark::Doubt,
        Verdict::WithinLimits | Verdict::NoLimits => Mark::Plain,
    };
    writeln!(out, "{}", terminal.mark(mark, &verdict(status, terminal)))?;
    for (what, ids) in [
        ("passed", &status.gas.outside),
        ("passed, not yet for the on-delay", &status.gas.pending),
        ("cannot be judged", &status.gas.not_known),
        ("to be used with care", &status.gas.with_care),
        ("two measurements of the same disagree", &status.gas.in_doubt),
    ] {
        if !ids.is_empty() {
            told(&terminal.wrap(2, &format!("{what}: {}", ids.join(", "))), out)?;
        }
    }
    told(&terminal.wrap(0, &counts(status)), out)
}

fn told(lines: &[String], out: &mut dyn Write) -> io::Result<()> {
    lines.iter().try_for_each(|line| writeln!(out, "{line}"))
}

fn verdict(status: &Status, terminal: &Terminal) -> String {
    let verdict = words::verdict_text(status.gas.verdict);
    match status.gas.since {
        Some(since) => format!("{verdict} {}", terminal.since(since, status.time)),
        None => verdict.to_owned(),
    }
}

fn counts(status: &Status) -> String {
    let summary = &status.summary;
    let signals = summary.signals_good + summary.signals_uncertain + summary.signals_bad;
    let mut text = format!(
        "{} active, {} not acknowledged",
        count(summary.alarms_active, "alarm"),
        summary.alarms_unacknowledged,
    );
    if summary.alarms_withheld > 0 {
        text += &format!(", {} withheld", summary.alarms_withheld);
    }
    text += &format!("; {} of {} good", summary.signals_good, count(signals, "signal"));
    for (number, what) in
        [(summary.signals_uncertain, "to be used with care"), (summary.signals_bad, "not measured")]
    {
        if number > 0 {
            text += &format!(", {number} {what}");
        }
    }
    text
}

/// The widths of the columns of the table of signals; those of quality and age are always the same.
struct Columns {
    id: usize,
    tag: usize,
    number: usize,
    value: usize,
}

/// `  id  tag  value  uncertain  59 min 59 s`, without id, tag and value.
const COLUMNS_FIXED: usize = 2 + 2 + 2 + 2 + 9 + 2 + 11;

impl Columns {
    fn for_signals(signals: &[Signal], width: usize) -> Columns {
        let widest = |text: &dyn Fn(&Signal) -> String| {
            signals.iter().map(|signal| text(signal).chars().count()).max().unwrap_or(0)
        };
        let id = widest(&|signal| signal.id.clone());
        let tag = widest(&|signal| signal.tag.clone().unwrap_or_default());
        let number = widest(&|signal| bare_number(signal).unwrap_or_default());
        let value = widest(&|signal| value(signal, number));
        let tag = if COLUMNS_FIXED + id + tag + value > width { 0 } else { tag };
        Columns { id, tag, number, value }
    }

    fn row(&self, signal: &Signal) -> String {
        let Columns { id, tag, value: width, number } = *self;
        let value = value(signal, number);
        let quality = signal.quality.word();
        let age = signal.age_s.filter(|_| signal.value.is_some());
        let age = age.map_or_else(String::new, |age| words::duration(age.0));
        let mut row = format!("  {:id$}", signal.id);
        if tag > 0 {
            row += &format!("  {:tag$}", signal.tag.as_deref().unwrap_or_default());
        }
        row += &format!("  {value:width$}  {quality:9}  {age}");
        row.trim_end().to_owned()
    }
}

fn signals(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let columns = Columns::for_signals(&status.signals, terminal.width);
    writeln!(out, "\nSignals")?;
    for signal in &status.signals {
        let mark = match signal.quality.0 {
            Quality::Good => Mark::Plain,
            Quality::Uncertain => Mark::Doubt,
            Quality::Bad => Mark::Wrong,
        };
        writeln!(out, "{}", terminal.mark(mark, &columns.row(signal)))?;
        told(&terminal.wrap(6, &why(signal, status, terminal)), out)?;
    }
    Ok(())
}

/// The value as its column shows it: numbers to the right, so that their units stand under another.
fn value(signal: &Signal, number_width: usize) -> String {
    match bare_number(signal) {
        Some(number) => format!("{number:>number_width$} {}", signal.unit.as_deref().unwrap_or_default())
            .trim_end()
            .to_owned(),
        None => words::value_text(signal),
    }
}

fn bare_number(signal: &Signal) -> Option<String> {
    match (&signal.state, signal.value) {
        (None, Some(Value::Number(number))) => Some(words::number(number)),
        (Some(_), _) | (None, Some(Value::Flag(_)) | None) => None,
    }
}

/// Why the signal is not good, or not for long, since when, and what it last was; nothing when all is well.
fn why(signal: &Signal, status: &Status, terminal: &Terminal) -> String {
    if signal.reasons.is_empty() {
        return String::new();
    }
    let since = terminal.since(signal.since, status.time);
    let mut text = format!("{}, {since}", words::reasons_text(signal));
    if signal.quality.0 == Quality::Bad
        && let Some(last_good) = words::last_good_text(signal, status.time, &terminal.zone)
    {
        text += &format!("; last good: {last_good}");
    }
    text
}

fn devices(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let width = status.devices.iter().map(|device| device.id.chars().count()).max().unwrap_or(0);
    writeln!(out, "\nDevices")?;
    for device in &status.devices {
        let mark = match device.state.0 {
            DeviceState::Online => Mark::Plain,
            DeviceState::Unknown | DeviceState::Degraded => Mark::Doubt,
            DeviceState::Lost => Mark::Wrong,
        };
        let care = words::function_check_text(device, status.time, &terminal.zone);
        let mark = if care.is_some() && mark == Mark::Plain { Mark::Doubt } else { mark };
        let text = [Some(device_text(device)), care].into_iter().flatten().collect::<Vec<_>>().join("; ");
        let row = format!("  {:width$}  {:8}  {text}", device.id, device.state.word());
        for line in terminal.fold(6, &row) {
            writeln!(out, "{}", terminal.mark(mark, &line))?;
        }
    }
    Ok(())
}

fn device_text(device: &Device) -> String {
    let mut text = format!("{}, unit {} on {}", device.name, device.unit_id, device.line);
    if device.state.0 != DeviceState::Online {
        text += &match device.last_response_s {
            Some(ago) => format!(", last answer {} ago", words::duration(ago.0)),
            None => ", no answer yet".to_owned(),
        };
    }
    if let Some(refused) = device.refused.as_ref().filter(|refused| !refused.is_empty()) {
        text += &format!(", refuses {}", refused.join(", "));
    }
    text
}

fn lines(status: &Status, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    let width = status.lines.iter().map(|line| line.id.chars().count()).max().unwrap_or(0);
    writeln!(out, "\nLines")?;
    for line in &status.lines {
        let mark = match line.state {
            Some(LineState::Up) if line.noisy == Some(true) => Mark::Doubt,
            Some(LineState::Up) => Mark::Plain,
            Some(LineState::Down) => Mark::Wrong,
            Some(LineState::Lent) | None => Mark::Doubt,
        };
        let row = format!("  {:width$}  {}", line.id, line_text(line));
        for line in terminal.fold(6, &row) {
            writeln!(out, "{}", terminal.mark(mark, &line))?;
        }
    }
    Ok(())
}

fn line_text(line: &Line) -> String {
    let mut text = match (line.state, &line.cause, line.load) {
        (None, _, _) => return "has not reported yet".to_owned(),
        (Some(LineState::Down), Some(cause), _) => format!("down: {cause}"),
        (Some(LineState::Down), None, _) => "down".to_owned(),
        (Some(LineState::Lent), cause, _) => format!("lent {}", cause.as_deref().unwrap_or_default()),
        (Some(LineState::Up), _, Some(load)) => format!("up, {:.0} % of its time in use", load * 100.0),
        (Some(LineState::Up), _, None) => "up".to_owned(),
    };
    if line.noisy == Some(true) {
        text += ", noisy";
    }
    if let Some(demand) = line.demand.filter(|demand| *demand > 1.0) {
        text += &format!(", asked for {:.0} % of what it can carry", demand * 100.0);
    }
    if let Some(counters) = line.counters {
        let questions = usize::try_from(counters.requests).unwrap_or(usize::MAX);
        text += &format!(", {}", count(questions, "question"));
        for (number, what) in [
            (counters.timeouts, "not answered"),
            (counters.crc_errors, "damaged"),
            (counters.exceptions, "refused"),
            (counters.late_responses, "late"),
        ] {
            if number > 0 {
                text += &format!(", {number} {what}");
            }
        }
    }
    text
}

#[cfg(test)]
pub mod tests {
    #![allow(clippy::unwrap_used)]
    use jiff::tz::TimeZone;

    use super::*;
    use crate::alarm::Life;
    use crate::view::Word;

    /// The answer that HTTP and the control socket give for a bad afternoon: the golden file of the
    /// JSON contract, so that the command is proven against what is really sent.
    pub fn bad_afternoon() -> Status {
        let golden = include_str!("../serve/golden/status.snap");
        serde_json::from_str(golden.splitn(3, "---").nth(2).unwrap()).unwrap()
    }

    fn shown(status: &Status, width: usize) -> String {
        let zone = TimeZone::get(&status.site.time_zone).unwrap();
        let terminal = Terminal { width, colour: false, zone };
        let mut out = Vec::new();
        tell(status, &terminal, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_bad_afternoon_is_told_in_80_columns() {
        insta::with_settings!({ snapshot_path => "golden", prepend_module_to_snapshot => false }, {
            insta::assert_snapshot!("status_in_80_columns", shown(&bad_afternoon(), 80));
        });
    }

    #[test]
    fn no_line_is_wider_than_the_terminal() {
        for width in [60, 80, 120] {
            for line in shown(&bad_afternoon(), width).lines() {
                assert!(line.chars().count() <= width, "{width}: {line}");
            }
        }
    }

    #[test]
    fn nobody_is_told_to_act_on_an_alarm_whose_condition_is_gone() {
        let mut status = bad_afternoon();
        assert!(shown(&status, 80).contains("Do: Confirm with a stain tube"));
        let h2s = status.alarms.iter_mut().find(|alarm| alarm.id == "h2s-high").unwrap();
        (h2s.state, h2s.active) = (Word(Life::LatchedUnacknowledged.into()), Some(false));
        let told = shown(&status, 80);
        assert!(told.contains("gone again") && !told.contains("Confirm with a stain tube"), "{told}");
    }

    #[test]
    fn figures_that_are_old_are_never_told_as_the_present() {
        let mut status = bad_afternoon();
        status.stale = true;
        assert!(shown(&status, 80).contains("the daemon does not keep up"));
    }
}
