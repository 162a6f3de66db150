//! `siskin export` and `siskin journal --export`: recorded samples, as CSV or JSON lines, and the
//! journal with its hashes, for other programs.
//!
//! They read the files themselves, beside the daemon or without one, and write each sample and entry as
//! it comes, so that they take a year as well as an hour. Numbers are written so that they read back
//! exactly, and entries byte by byte as they were hashed.

use std::io::{self, Write};

use clap::ValueEnum;
use jiff::tz::TimeZone;
use serde::Serialize;
use serde_json::json;

use crate::cli::{CliError, Common, Outcome, when};
use crate::history::{ReadError, SampleReader, Stopped, Verified, VerifyError, verify_each};
use crate::moment::Wall;
use crate::signal::{Quality, Reason, Sample};
use crate::view::{Instant, Value, Word};

/// Which samples, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A signal, device.signal; may be given again [default: every signal]
    #[arg(long, value_name = "ID")]
    signal: Vec<String>,
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
    time: Instant,
    signal: &'a str,
    value: Option<Value>,
    quality: Word<Quality>,
    reasons: Vec<Word<Reason>>,
}

/// Writes every sample that was asked for, in the order of time.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let now = Wall::now();
    let typed = |text: &String| when::when(text, &TimeZone::UTC, now);
    let from = args.from.as_ref().map(typed).transpose()?.unwrap_or(Wall::MIN);
    let to = args.to.as_ref().map(typed).transpose()?.unwrap_or(Wall::MAX);
    if from >= to {
        return Err(CliError::BadInput("--from must be earlier than --to".to_owned()));
    }
    let reader = SampleReader::new(common.data());
    let signals = signals(&args.signal, reader.signals().map_err(unreachable)?)?;
    let format = if common.json { Format::Jsonl } else { args.format };
    let out = &mut io::BufWriter::new(out);
    if format == Format::Csv {
        write!(out, "time,signal,value,quality,reasons\r\n")?;
    }
    for sample in reader.replay(&signals, from, to).map_err(unreachable)? {
        let (signal, sample) = sample.map_err(unreachable)?;
        let signal = signals.get(signal.0).map_or("", String::as_str);
        match format {
            Format::Csv => write_csv(out, signal, &sample)?,
            Format::Jsonl => write_json(out, signal, &sample)?,
        }
    }
    out.flush()?;
    Ok(Outcome::Done)
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

fn write_csv(out: &mut impl Write, signal: &str, sample: &Sample) -> io::Result<()> {
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

fn unreachable(error: ReadError) -> CliError {
    CliError::Unreachable(error.to_string())
}
