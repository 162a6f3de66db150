//! `siskin replay`: try alarm settings on the record before they go live.
//!
//! The samples come from the history as they were judged then, the alarms that were from the journal.
//! Nothing is changed, and no daemon is needed.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use crate::cli::{CliError, Common, Outcome, site_file};
use crate::config::Site;
use crate::daemon::monitor_plan;
use crate::history::{ENTRIES_READ_MAX, JournalEntry, JournalReader, SampleReader};
use crate::moment::Wall;
use crate::monitor::{EventKind, Plan};
use crate::replay::{Spell, Sweep, SweepError, SweepPoint, Tally, Trial, svg};
use crate::view::words;

/// What to try, and on which part of the record.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site file with the settings to try [default: the one in force, --config]
    #[arg(long, value_name = "FILE")]
    with: Option<PathBuf>,
    /// Begin at this time, e.g. 2026-03-01T00:00:00Z [default: the journal's first entry]
    #[arg(long, value_name = "TIME")]
    from: Option<Wall>,
    /// End at this time [default: now]
    #[arg(long, value_name = "TIME")]
    to: Option<Wall>,
    /// Tell of this alarm only
    #[arg(long, value_name = "ALARM")]
    alarm: Option<String>,
    /// Try one setting of the alarm at many values, e.g. `deadband=0.05..0.5` or `on_delay=0..60/13`
    #[arg(long, value_name = "SETTING=LOW..HIGH[/N]", requires = "alarm")]
    sweep: Option<String>,
    /// Also draw the sweep into this file
    #[arg(long, value_name = "FILE", requires = "sweep")]
    svg: Option<PathBuf>,
}

/// Runs the core over the record, and tells what it would have done beside what it did.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let tried = args.with.as_deref().unwrap_or(common.config());
    let site = site_file::load(tried)?;
    let plan = monitor_plan(&site);
    if let Some(alarm) = &args.alarm
        && !plan.alarms.iter().any(|spec| spec.id == *alarm)
    {
        writeln!(out, "{} has no alarm `{alarm}`", tried.display())?;
        return Ok(Outcome::No);
    }
    let record = Record::read(args, common, &site)?;
    match &args.sweep {
        Some(words) => {
            let sweep = Sweep::parse(words).map_err(refused)?;
            let alarm = args.alarm.as_deref().unwrap_or_default();
            let points = record.sweep(&sweep, &plan, alarm)?;
            if let Some(path) = &args.svg {
                let picture = svg(alarm, sweep.setting(), &points);
                std::fs::write(path, picture).map_err(|error| {
                    CliError::Unreachable(format!("{}: cannot be written: {error}", path.display()))
                })?;
            }
            tell_sweep(alarm, &sweep, &points, common.json, out)?;
        }
        None => {
            let spells = record.try_out(plan.clone())?;
            tell_comparison(args, &record, &plan, &spells, common.json, out)?;
        }
    }
    Ok(Outcome::Done)
}

fn refused(error: SweepError) -> CliError {
    CliError::BadInput(error.to_string())
}

/// What the record says of the time asked for.
struct Record {
    samples: SampleReader,
    signals: Vec<String>,
    from: Wall,
    to: Wall,
    /// When the daemon was started anew within it.
    starts: Vec<Wall>,
    /// When alarms were active.
    spells: Vec<Spell>,
}

impl Record {
    fn read(args: &Args, common: &Common, site: &Site) -> Result<Record, CliError> {
        let journal = JournalReader::new(common.data());
        let unreadable = |error: crate::history::ReadError| CliError::Unreachable(error.to_string());
        let first = journal.read(0, 1).map_err(unreadable)?.pop();
        let from = args.from.or(first.map(|entry| entry.time)).unwrap_or(Wall::UNIX_EPOCH);
        let to = args.to.unwrap_or_else(Wall::now);
        if from >= to {
            return Err(CliError::BadInput(format!("nothing lies between {from} and {to}")));
        }
        let mut record = Record {
            samples: SampleReader::new(common.data()),
            signals: site.signals.iter().map(|signal| signal.id.clone()).collect(),
            from,
            to,
            starts: Vec::new(),
            spells: Vec::new(),
        };
        let mut told = Vec::new();
        let mut after = 0;
        loop {
            let page = journal.read(after, ENTRIES_READ_MAX).map_err(unreadable)?;
            let Some(last) = page.last() else { break };
            after = last.seq;
            for entry in page.iter().filter(|entry| (from..to).contains(&entry.time)) {
                record.note(entry, &mut told);
            }
        }
        record.spells = Spell::told(told.iter().map(|(kind, alarm, at)| (*kind, alarm.as_str(), *at)));
        Ok(record)
    }

    fn note(&mut self, entry: &JournalEntry, told: &mut Vec<(EventKind, String, Wall)>) {
        match EventKind::from_word(&entry.kind) {
            Some(EventKind::Started) => self.starts.push(entry.time),
            Some(kind) => told.push((kind, entry.subject.clone(), entry.time)),
            None => {}
        }
    }

    /// Hands every sample, and every start between them, to `take`, in the order of time.
    fn walk(&self, mut take: impl FnMut(Step)) -> Result<(), CliError> {
        let unreadable = |error: crate::history::ReadError| CliError::Unreachable(error.to_string());
        let samples = self.samples.replay(&self.signals, self.from, self.to).map_err(unreadable)?;
        let mut starts = self.starts.iter().copied().peekable();
        for item in samples {
            let (signal, sample) = item.map_err(unreadable)?;
            while let Some(start) = starts.next_if(|start| *start <= sample.at.wall) {
                take(Step::Start(start));
            }
            take(Step::Sample(signal, sample));
        }
        starts.for_each(|start| take(Step::Start(start)));
        Ok(())
    }

    fn try_out(&self, plan: Plan) -> Result<Vec<Spell>, CliError> {
        let mut trial = Trial::new(plan, self.from);
        self.walk(|step| match step {
            Step::Start(at) => trial.interrupt(at),
            Step::Sample(signal, sample) => trial.take(signal, sample),
        })?;
        Ok(trial.finish(self.to))
    }

    fn sweep(&self, sweep: &Sweep, plan: &Plan, alarm: &str) -> Result<Vec<SweepPoint>, CliError> {
        let mut trials = sweep.trials(plan, alarm, self.from).map_err(refused)?;
        self.walk(|step| match step {
            Step::Start(at) => trials.interrupt(at),
            Step::Sample(signal, sample) => trials.take(signal, sample),
        })?;
        Ok(trials.finish(self.to))
    }
}

enum Step {
    Start(Wall),
    Sample(crate::signal::SignalIndex, crate::signal::Sample),
}

fn tell_comparison(
    args: &Args,
    record: &Record,
    plan: &Plan,
    tried: &[Spell],
    json: bool,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    let was = tallies(&record.spells, record.to);
    let would = tallies(tried, record.to);
    let watched = plan.alarms.iter().filter(|spec| spec.signal.is_some() || is_vote(spec));
    let wanted: Vec<&str> = watched
        .map(|spec| spec.id.as_str())
        .filter(|id| args.alarm.as_deref().is_none_or(|alarm| alarm == *id))
        .collect();
    let of = |tallies: &BTreeMap<&str, Tally>, id: &str| tallies.get(id).copied().unwrap_or_default();
    if json {
        let alarms: Vec<_> = wanted
            .iter()
            .map(|id| json!({ "id": id, "recorded": figures(&of(&was, id)), "tried": figures(&of(&would, id)) }))
            .collect();
        let spells = |spells: &[Spell]| -> Vec<_> {
            let told = spells.iter().filter(|spell| wanted.contains(&spell.alarm.as_str()));
            told.map(|spell| {
                let cleared = spell.cleared.map(|at| at.to_string());
                json!({ "alarm": spell.alarm, "raised": spell.raised.to_string(), "cleared": cleared })
            })
            .collect()
        };
        let answer = json!({
            "from": record.from.to_string(), "to": record.to.to_string(), "alarms": alarms,
            "recorded": spells(&record.spells), "tried": spells(tried),
        });
        writeln!(out, "{answer}")?;
        return Ok(());
    }
    writeln!(out, "From {} to {}; recorded first, then with the settings tried.\n", record.from, record.to)?;
    let width = wanted.iter().map(|id| id.len()).max().unwrap_or(0);
    writeln!(
        out,
        "{:width$}  {:>13}  {:>23}  {:>23}  {:>11}",
        "", "raised", "active", "longest", "chattering"
    )?;
    for id in wanted {
        let (was, would) = (of(&was, id), of(&would, id));
        let mark = if was == would { "" } else { "  differs" };
        writeln!(
            out,
            "{id:width$}  {:>5} → {:<5}  {:>10} → {:<10}  {:>10} → {:<10}  {:>4} → {:<4}{mark}",
            was.count,
            would.count,
            words::duration(was.active),
            words::duration(would.active),
            words::duration(was.longest),
            words::duration(would.longest),
            was.chattering,
            would.chattering,
        )?;
    }
    Ok(())
}

fn is_vote(spec: &crate::alarm::AlarmSpec) -> bool {
    matches!(spec.kind, crate::alarm::Kind::Vote { .. })
}

fn tallies(spells: &[Spell], until: Wall) -> BTreeMap<&str, Tally> {
    let mut by_alarm: BTreeMap<&str, Vec<&Spell>> = BTreeMap::new();
    for spell in spells {
        by_alarm.entry(&spell.alarm).or_default().push(spell);
    }
    by_alarm.into_iter().map(|(alarm, spells)| (alarm, Tally::of(spells, until))).collect()
}

fn figures(tally: &Tally) -> serde_json::Value {
    json!({
        "raised": tally.count,
        "active_s": tally.active.as_secs_f64(),
        "longest_s": tally.longest.as_secs_f64(),
        "chattering": tally.chattering,
    })
}

fn tell_sweep(
    alarm: &str,
    sweep: &Sweep,
    points: &[SweepPoint],
    json: bool,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    let setting = sweep.setting().word();
    if json {
        let points: Vec<_> = points
            .iter()
            .map(|point| json!({ "value": point.value, "tried": figures(&point.tally) }))
            .collect();
        writeln!(out, "{}", json!({ "alarm": alarm, "setting": setting, "points": points }))?;
        return Ok(());
    }
    writeln!(
        out,
        "{alarm}\n\n{setting:>12}  {:>8}  {:>12}  {:>12}  {:>10}",
        "raised", "active", "longest", "chattering"
    )?;
    for SweepPoint { value, tally } in points {
        let (active, longest) = (words::duration(tally.active), words::duration(tally.longest));
        let value = words::number(*value);
        writeln!(
            out,
            "{value:>12}  {:>8}  {active:>12}  {longest:>12}  {:>10}",
            tally.count, tally.chattering
        )?;
    }
    Ok(())
}
