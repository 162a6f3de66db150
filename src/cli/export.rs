//! `siskin export` and `siskin journal --export`: recorded samples or events, as CSV or JSON lines, and
//! the journal with its hashes, for other programs.
//!
//! They read the files themselves, beside the daemon or without one, and write each sample and entry as
//! it comes, so that they take a year as well as an hour. Numbers are written so that they read back
//! exactly, and entries byte by byte as they were hashed.

use std::io::{self, IsTerminal, Write};
use std::ops::Range;
use std::time::{Duration, Instant};

use clap::ValueEnum;
use jiff::tz::TimeZone;
use serde::Serialize;
use serde_json::json;

use crate::cli::progress::Progress;
use crate::cli::{CliError, Common, Outcome, csv, when};
use crate::history::{
    ENTRIES_READ_MAX, JournalReader, ReadError, SampleReader, Stopped, Verified, VerifyError, verify_each,
};
use crate::moment::Wall;
use crate::signal::{Quality, Reason, Sample};
use crate::view::{self, Entry, Value, Word};

/// The heading of samples as CSV.
pub const HEADING: &str = "time,signal,value,quality,reasons\r\n";

/// Which samples or events, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A signal, device.signal; may be given again [default: every signal]
    #[arg(long, value_name = "ID")]
    signal: Vec<String>,
    /// The journal's events instead of samples; `siskin journal --export` has their proof too
    #[arg(long, conflicts_with = "signal")]
    events: bool,
    /// From when (UTC), such as 2026-03-02, 2026-03-02T09:00, or 7d for seven days ago [default: the beginning]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Until when, not included [default: the end]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// How they are written; with --json as JSON lines
    #[arg(long, value_enum, default_value = "csv")]
    format: Format,
}

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Comma-separated values (RFC 4180) with a heading
    Csv,
    /// One JSON object a line
    Jsonl,
}

/// One sample, as JSON has it.
#[derive(Serialize)]
struct Line<'a> {
    time: view::Instant,
    signal: &'a str,
    value: Option<Value>,
    quality: Word<Quality>,
    reasons: Vec<Word<Reason>>,
}

/// Writes every sample or event that was asked for, in the order of time.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let now = Wall::now();
    let typed = |text: &String| when::when(text, &TimeZone::UTC, now);
    let from = args.from.as_ref().map(typed).transpose()?.unwrap_or(Wall::MIN);
    let to = args.to.as_ref().map(typed).transpose()?.unwrap_or(Wall::MAX);
    if from >= to {
        return Err(CliError::BadInput("--from must be earlier than --to".to_owned()));
    }
    let format = if common.json { Format::Jsonl } else { args.format };
    let out = &mut io::BufWriter::new(out);
    let span = from..to;
    if args.events {
        events(common, span, now, format, out)?;
    } else {
        samples(args, common, span, now, format, out)?;
    }
    out.flush()?;
    Ok(Outcome::Done)
}

fn samples(
    args: &Args,
    common: &Common,
    span: Range<Wall>,
    now: Wall,
    format: Format,
    out: &mut impl Write,
) -> Result<(), CliError> {
    let reader = SampleReader::new(common.data());
    let signals = signals(&args.signal, reader.signals().map_err(unreachable)?)?;
    if format == Format::Csv {
        out.write_all(HEADING.as_bytes())?;
    }
    let mut course = Course::of("sample", span.end.min(now));
    for sample in reader.replay(&signals, span.start, span.end).map_err(unreachable)? {
        let (signal, sample) = sample.map_err(unreachable)?;
        let signal = signals.get(signal.0).map_or("", String::as_str);
        match format {
            Format::Csv => write_csv(out, signal, &sample)?,
            Format::Jsonl => write_json(out, signal, &sample)?,
        }
        course.reached(sample.at.wall);
    }
    course.finish();
    Ok(())
}

/// Writes every event of a span, by number.
fn events(
    common: &Common,
    span: Range<Wall>,
    now: Wall,
    format: Format,
    out: &mut impl Write,
) -> Result<(), CliError> {
    let journal = JournalReader::new(common.data());
    if format == Format::Csv {
        csv::row(out, ["seq", "time", "kind", "subject", "user", "name", "detail"])?;
    }
    let mut course = Course::of("event", span.end.min(now));
    let mut after = 0;
    loop {
        let page = journal.read(after, ENTRIES_READ_MAX).map_err(unreachable)?;
        let Some(last) = page.last() else { break };
        after = last.seq;
        for entry in page.into_iter().filter(|entry| span.contains(&entry.time)).map(Entry::from) {
            course.reached(entry.time.0);
            match format {
                Format::Csv => csv_event(out, &entry)?,
                Format::Jsonl => {
                    writeln!(out, "{}", serde_json::to_string(&entry).map_err(io::Error::from)?)?;
                }
            }
        }
    }
    course.finish();
    Ok(())
}

fn csv_event(out: &mut impl Write, entry: &Entry) -> io::Result<()> {
    let detail = serde_json::to_string(&entry.detail).map_err(io::Error::from)?;
    let (seq, time) = (entry.seq.to_string(), format!("{:.3}", entry.time.0));
    let [user, name] = [&entry.user, &entry.name].map(|text| text.as_deref().unwrap_or(""));
    csv::row(out, [seq.as_str(), &time, &entry.kind, &entry.subject, user, name, &detail])
}

/// Writes the whole journal, proving it on the way: a journal whose end is not followed by a head is not
/// whole.
pub fn journal(common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let out = &mut io::BufWriter::new(out);
    let proven = verify_each(common.data(), None, &mut |text, hash| {
        writeln!(out, r#"{{"entry":{text},"hash":"{hash}"}}"#)
    });
    let ended = match proven {
        Ok(Verified { head, .. }) => {
            writeln!(out, r#"{{"head":{{"seq":{},"hash":"{}"}}}}"#, head.seq, head.hash)?;
            Outcome::Done
        }
        Err(Stopped::Not(VerifyError::Broken { seq, what })) => {
            let broken = json!({ "broken_at": { "seq": seq, "what": what } });
            writeln!(out, "{broken}")?;
            Outcome::No
        }
        Err(Stopped::Not(VerifyError::Unreadable(error))) => return Err(unreachable(error)),
        Err(Stopped::ByTaker(error)) => return Err(error.into()),
    };
    out.flush()?;
    Ok(ended)
}

/// So often it is told how far an export has come.
const TOLD_EVERY: Duration = Duration::from_millis(250);
/// So many pieces go by before the clock is looked at.
const LOOK_EVERY: u64 = 4_096;

/// How far an export has come: told unless it goes to the very terminal on which that would be told.
struct Course {
    progress: Option<Progress>,
    what: &'static str,
    from: Option<Wall>,
    to: Wall,
    pieces: u64,
    began: Instant,
    told: Instant,
}

impl Course {
    fn of(what: &'static str, to: Wall) -> Course {
        let progress = (!io::stdout().is_terminal()).then(Progress::new);
        let now = Instant::now();
        Course { progress, what, from: None, to, pieces: 0, began: now, told: now }
    }

    /// Another piece, of this time, has been written.
    fn reached(&mut self, at: Wall) {
        self.pieces += 1;
        let from = *self.from.get_or_insert(at);
        if self.pieces.is_multiple_of(LOOK_EVERY) && self.told.elapsed() >= TOLD_EVERY {
            self.told = Instant::now();
            let done = share(from, at, self.to);
            let left = self.began.elapsed().div_f64(done.max(1e-6)).mul_f64(1.0 - done);
            let what = format!("{}  {} {}s", at.strftime("%Y-%m-%d %H:%M"), self.pieces, self.what);
            if let Some(progress) = &mut self.progress {
                progress.about(done, &what, left);
            }
        }
    }

    fn finish(mut self) {
        if let Some(progress) = &mut self.progress {
            progress.clear();
        }
    }
}

/// How much of the way from one time to another lies before a third, 0 to 1.
fn share(from: Wall, at: Wall, to: Wall) -> f64 {
    let whole = to.duration_since(from).as_secs_f64();
    if whole > 0.0 { (at.duration_since(from).as_secs_f64() / whole).clamp(0.0, 1.0) } else { 1.0 }
}

/// Those asked for, or else all that were ever recorded.
fn signals(asked: &[String], recorded: Vec<String>) -> Result<Vec<String>, CliError> {
    match asked.iter().find(|signal| !recorded.contains(signal)) {
        _ if asked.is_empty() => Ok(recorded),
        None => Ok(asked.to_vec()),
        Some(unknown) => {
            let recorded = if recorded.is_empty() { "none".to_owned() } else { recorded.join(", ") };
            Err(CliError::BadInput(format!("signal {unknown:?} was never recorded; recorded: {recorded}")))
        }
    }
}

/// One sample as a line of CSV.
pub fn write_csv(out: &mut (impl Write + ?Sized), signal: &str, sample: &Sample) -> io::Result<()> {
    write!(out, "{:.3},{signal},", sample.at.wall)?;
    match sample.value().map(Value::from) {
        Some(Value::Number(number)) => write!(out, "{number}")?,
        Some(Value::Flag(flag)) => write!(out, "{flag}")?,
        None => {}
    }
    write!(out, ",{},", sample.quality().word())?;
    for (nth, reason) in sample.reasons().iter().enumerate() {
        write!(out, "{}{}", if nth > 0 { " " } else { "" }, reason.word())?;
    }
    write!(out, "\r\n")
}

fn write_json(out: &mut impl Write, signal: &str, sample: &Sample) -> io::Result<()> {
    let line = Line {
        time: sample.at.into(),
        signal,
        value: sample.value().map(Value::from),
        quality: Word(sample.quality()),
        reasons: sample.reasons().iter().map(Word).collect(),
    };
    serde_json::to_writer(&mut *out, &line)?;
    writeln!(out)
}

/// The record cannot be read.
pub fn unreachable(error: ReadError) -> CliError {
    CliError::Unreachable(error.to_string())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_way_of_an_export_is_told_by_the_time_it_has_reached() {
        let at = |text: &str| text.parse::<Wall>().unwrap();
        let (from, to) = (at("2026-03-01T00:00:00Z"), at("2026-03-05T00:00:00Z"));
        assert_eq!(share(from, at("2026-03-02T00:00:00Z"), to), 0.25);
        assert_eq!(share(from, at("2026-04-02T00:00:00Z"), to), 1.0, "a clock that was set back");
        assert_eq!(share(from, from, from), 1.0, "nothing lies between");
    }
}
