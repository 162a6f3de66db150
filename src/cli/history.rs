//! `siskin history salvage`: save what can still be read of a damaged file that was moved aside.
//!
//! It asks no daemon and changes nothing that is there: the damaged file is only read, and what is saved
//! goes into a directory in which there is no such file yet.

use std::io::Write;
use std::path::PathBuf;

use serde_json::{Value, json};

use crate::cli::{CliError, Common, Outcome};
use crate::history::{EntryGap, Gap, SalvageError, Salvaged, SalvagedJournal, SalvagedSamples, salvage};
use crate::moment::Wall;
use crate::view::Instant;

/// So many gaps are told to people; JSON has all of them.
const GAPS_SHOWN_MAX: usize = 20;
/// So many signals of a gap are named to people.
const SIGNALS_SHOWN_MAX: usize = 4;

/// What is to be done.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Save what can be read of a damaged journal or history into a new file, and tell what is missing
    Salvage(Salvage),
}

#[derive(Debug, clap::Args)]
struct Salvage {
    /// The damaged file, such as history.db.damaged-2026-03-02T15-04-05Z; its log is looked for beside it
    #[arg(value_name = "FROM")]
    from: PathBuf,
    /// A directory for the new file, made where there is none; `siskin export --data TO` reads it
    #[arg(value_name = "TO")]
    to: PathBuf,
}

/// Saves what can be read, and tells what that is. Nothing to be found is the answer no.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let What::Salvage(Salvage { from, to }) = &args.what;
    let (target, salvaged) = match salvage(from, to, Wall::now()) {
        Ok(done) => done,
        Err(error @ SalvageError::Nothing(_)) => {
            writeln!(
                out,
                "{}",
                if common.json { json!({ "saved": null }).to_string() } else { error.to_string() }
            )?;
            return Ok(Outcome::No);
        }
        Err(error @ SalvageError::Exists(_)) => return Err(CliError::BadInput(error.to_string())),
        Err(error) => return Err(CliError::Unreachable(error.to_string())),
    };
    if common.json {
        let told = match &salvaged {
            Salvaged::Journal(journal) => of_journal(journal),
            Salvaged::Samples(samples) => of_samples(samples),
        };
        writeln!(out, "{}", json!({ "saved": target, "found": told }))?;
        return Ok(Outcome::Done);
    }
    match &salvaged {
        Salvaged::Journal(journal) => tell_journal(journal, out)?,
        Salvaged::Samples(samples) => tell_samples(samples, out)?,
    }
    let (target, directory) = (target.display(), to.display());
    writeln!(
        out,
        "Saved in {target}. Read it with siskin export, journal or report, each with --data {directory}"
    )?;
    Ok(Outcome::Done)
}

fn tell_journal(journal: &SalvagedJournal, out: &mut dyn Write) -> Result<(), CliError> {
    tell_pages(journal.pages, journal.pages_unreadable, out)?;
    let SalvagedJournal { entries, proven, left_out, gaps, .. } = journal;
    writeln!(out, "Entries saved: {entries}, of which {proven} are proven by the one before them")?;
    if *left_out > 0 {
        writeln!(out, "Left out, because they are not what was recorded: {left_out}")?;
    }
    for EntryGap { first_seq, last_seq, from, to } in gaps.iter().take(GAPS_SHOWN_MAX) {
        let from = from.map_or("the beginning".to_owned(), minute);
        writeln!(out, "Missing: entries {first_seq} to {last_seq}, from {from} to {}", minute(*to))?;
    }
    tell_more(gaps.len(), false, out)
}

fn tell_samples(samples: &SalvagedSamples, out: &mut dyn Write) -> Result<(), CliError> {
    tell_pages(samples.pages, samples.pages_unreadable, out)?;
    let SalvagedSamples { rows, samples: count, signals, unnamed, rows_left_out, gaps, .. } = samples;
    let between = samples.first.zip(samples.last);
    let between = between.map_or(String::new(), |(from, to)| format!(", {} to {}", minute(from), minute(to)));
    writeln!(
        out,
        "Samples saved: {count} of {} signals, in {rows} minutes of signals{between}",
        signals.len()
    )?;
    if *rows_left_out > 0 {
        writeln!(out, "Minutes of signals left out, because they do not fit together: {rows_left_out}")?;
    }
    if !unnamed.is_empty() {
        writeln!(out, "Signals whose name was lost: {}", unnamed.join(", "))?;
    }
    for Gap { from, to, signals } in gaps.iter().take(GAPS_SHOWN_MAX) {
        let mut named = signals.iter().take(SIGNALS_SHOWN_MAX).cloned().collect::<Vec<_>>().join(", ");
        if let Some(more) = signals.len().checked_sub(SIGNALS_SHOWN_MAX).filter(|more| *more > 0) {
            named += &format!(" and {more} more");
        }
        writeln!(out, "Missing (lost, or never recorded): {} to {}, {named}", minute(*from), minute(*to))?;
    }
    tell_more(gaps.len(), samples.more_gaps, out)?;
    writeln!(out, "Samples are not in the journal's chain: a value that was changed may not show.")?;
    Ok(())
}

fn tell_pages(pages: u64, unreadable: u64, out: &mut dyn Write) -> Result<(), CliError> {
    Ok(writeln!(out, "Pages looked at: {pages}; not readable, in whole or in part: {unreadable}")?)
}

fn tell_more(gaps: usize, beyond: bool, out: &mut dyn Write) -> Result<(), CliError> {
    let more = gaps.saturating_sub(GAPS_SHOWN_MAX);
    if more > 0 {
        let at_least = if beyond { "at least " } else { "" };
        writeln!(out, "Missing as well: {at_least}{more} more times; --json tells them")?;
    }
    Ok(())
}

/// As people write it, in universal time: a salvage may have no site file at hand.
fn minute(at: Wall) -> String {
    at.strftime("%Y-%m-%d %H:%M UTC").to_string()
}

fn of_journal(journal: &SalvagedJournal) -> Value {
    let SalvagedJournal { pages, pages_unreadable, entries, proven, left_out, gaps } = journal;
    let gap = |gap: &EntryGap| {
        let EntryGap { first_seq, last_seq, from, to } = gap;
        json!({ "first_seq": first_seq, "last_seq": last_seq, "from": from.map(Instant), "to": Instant(*to) })
    };
    json!({
        "kind": "journal", "pages": pages, "pages_unreadable": pages_unreadable,
        "entries": entries, "entries_proven": proven, "entries_left_out": left_out,
        "missing": gaps.iter().map(gap).collect::<Vec<_>>(),
    })
}

fn of_samples(salvaged: &SalvagedSamples) -> Value {
    let SalvagedSamples {
        pages,
        pages_unreadable,
        rows,
        samples,
        signals,
        unnamed,
        rows_left_out,
        first,
        last,
        gaps,
        more_gaps,
    } = salvaged;
    let gap = |gap: &Gap| json!({ "from": Instant(gap.from), "to": Instant(gap.to), "signals": gap.signals });
    json!({
        "kind": "history", "pages": pages, "pages_unreadable": pages_unreadable,
        "rows": rows, "rows_left_out": rows_left_out, "samples": samples,
        "signals": signals, "signals_unnamed": unnamed,
        "first": first.map(Instant), "last": last.map(Instant),
        "missing": gaps.iter().map(gap).collect::<Vec<_>>(), "missing_more": more_gaps,
    })
}
