//! The cover page of a packet: what it is about, what it shows, how to check it, what it does not show.

use std::io::Write;

use jiff::tz::TimeZone;
use serde_json::Value;

use crate::cli::CliError;
use crate::cli::evidence::case::Case;
use crate::history::JournalEntry;
use crate::moment::Wall;
use crate::signal::Reason;
use crate::view::{Entry, Instant, words};

const HOW: &str = "\
HOW TO CHECK IT
  tar xf THIS.tar && cd FOLDER
  sha256sum -c MANIFEST.sha256     nothing was changed since the packet was made
  python3 check.py                 the same; that the journal's chain is whole; and the figures, worked out
                                   again from samples.csv. Read it: it is short, and needs nothing of siskin
  sha256sum MANIFEST.sha256        the packet's fingerprint, to compare with the one that was noted

WHAT THE FILES ARE
  case.json       what this page says, for programs
  settings.txt    every setting in force when the alarm was raised, as the journal has them
  samples.csv     the samples as they were judged (RFC 4180, times in UTC): a sample without a value was no
                  measurement, and says why
  journal.jsonl   every entry from the first one spoken of here to the head of the chain. The hash of an entry
                  is the SHA-256 of the hash before it, a line feed, and the entry's text

HOW FIGURES ARE MADE
  A value counts from its sample to the next one, and no longer than the hold named above. Samples that are bad
  or settling count for nothing; uncertain ones count, and it is said for how long. Mean = sum of values times
  their time, over the measured time.

WHAT IT DOES NOT SHOW
  That the analyzer was right: see its calibrations. That samples were not changed before the packet was made:
  they are not in the chain. That nobody wrote a whole new chain: compare the journal's head with one that was
  noted elsewhere. It is no finding about the contract. siskin is not a safety system.
";

/// Writes the page.
pub fn write(case: &Case, made: Wall, out: &mut dyn Write) -> Result<(), CliError> {
    let zone = TimeZone::get(case.setting("site.time_zone")).unwrap_or(TimeZone::UTC);
    let at = |time: Wall| format!("{time:.3} ({})", words::date_and_time(Instant(time), &zone));
    let of_alarm = |key: &str| case.setting(&format!("alarm.{}.{key}", case.alarm)).to_owned();
    writeln!(out, "EVIDENCE: ALARM {}", case.alarm)?;
    writeln!(out, "  {}\n", of_alarm("name"))?;
    writeln!(out, "  site        {} ({})", case.setting("site.id"), case.setting("site.name"))?;
    writeln!(out, "  signal      {}", of_alarm("signal"))?;
    writeln!(out, "  condition   {}, setpoint {}", of_alarm("kind"), of_alarm("setpoint"))?;
    writeln!(out, "  raised      {}", at(case.episode.raised))?;
    let cleared = case.episode.cleared.map_or("not when this was made".to_owned(), at);
    writeln!(out, "  cleared     {cleared}")?;
    writeln!(out, "  goes in     {} to {}", at(case.window.from), at(case.window.to))?;
    writeln!(out, "  made        {} by siskin {}", at(made), env!("CARGO_PKG_VERSION"))?;
    figures(case, out)?;
    entries("CARE OF THE DEVICE, BEFORE AND AFTER", &case.care, 0, &zone, out)?;
    entries("WHAT HAPPENED", &case.told, case.untold, &zone, out)?;
    writeln!(out)?;
    out.write_all(HOW.as_bytes())?;
    Ok(())
}

fn figures(case: &Case, out: &mut dyn Write) -> Result<(), CliError> {
    let told = case.as_json();
    let figure = |key: &str| told.pointer(&format!("/figures/{key}")).and_then(Value::as_f64);
    let number = |key: &str| figure(key).map_or("none".to_owned(), words::number);
    let unit =
        case.setting(&format!("signal.{}.unit", case.setting(&format!("alarm.{}.signal", case.alarm))));
    writeln!(out, "\nWHILE IT WAS ACTIVE")?;
    if case.samples_missing() {
        writeln!(out, "  No measurement of that time is on record.")?;
        return Ok(());
    }
    if told["figures"].is_null() {
        writeln!(out, "  The alarm is not of one signal: see samples.csv.")?;
        return Ok(());
    }
    for (what, key) in [("least", "least"), ("mean", "mean"), ("greatest", "greatest")] {
        writeln!(out, "  {what:<11} {} {unit}", number(key))?;
    }
    writeln!(out, "  measured    {:.2} % of the time", figure("coverage").unwrap_or(0.0) * 100.0)?;
    if let Some(uncertain) = figure("uncertain_s").filter(|uncertain| *uncertain > 0.0) {
        let words = told["figures"]["uncertain_because"].as_array().into_iter().flatten();
        let words = words.filter_map(Value::as_str).filter_map(Reason::from_word);
        let because: Vec<&str> = words.map(Reason::sentence).collect();
        writeln!(out, "  uncertain   for {uncertain:.3} s of that: {}", because.join("; "))?;
    }
    if let Some(above) = figure("above_setpoint_s") {
        writeln!(out, "  above the setpoint of {} {unit} for {above:.3} s", number("setpoint"))?;
    }
    writeln!(out, "  a value is held for {} s at most", number("hold_s_max"))?;
    for (until, hold) in case.held_before() {
        writeln!(out, "  one read before {until:.3} for {} s at most", hold.as_secs_f64())?;
    }
    Ok(())
}

fn entries(
    heading: &str,
    entries: &[JournalEntry],
    untold: usize,
    zone: &TimeZone,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    writeln!(out, "\n{heading}")?;
    if entries.is_empty() {
        writeln!(out, "  Nothing is on record.")?;
    }
    for entry in entries.iter().cloned().map(Entry::from) {
        let who = words::event_who_text(&entry).map(|who| format!(", by {who}")).unwrap_or_default();
        let time = words::date_and_time(entry.time, zone);
        writeln!(out, "  {:>6}  {time}  {}{who}", entry.seq, words::event_text(&entry, zone))?;
    }
    if untold > 0 {
        writeln!(out, "  and {untold} more: see journal.jsonl")?;
    }
    Ok(())
}
