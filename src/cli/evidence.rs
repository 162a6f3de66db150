//! `siskin evidence`: everything on record about one time that an alarm was active, as one archive that
//! stands on its own.
//!
//! It holds samples, journal, settings in force, calibrations before and after, and a program that
//! proves what can be proven of it with nothing of siskin. It reads the record beside the daemon or
//! without one, and changes nothing in it. What it means to a contract is for people to say.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::tz::TimeZone;
use serde_json::json;

use crate::cli::export::{self, unreachable};
use crate::cli::{CliError, Common, Outcome, when};
use crate::config;
use crate::history::{JournalReader, SampleReader, Stopped, VerifyError, verify, verify_each};
use crate::moment::Wall;

mod archive;
mod case;
mod cover;

use archive::{Archive, Finished};
use case::{Case, Episodes, Window};

/// Proves a packet; Python's standard library is all it needs.
const CHECK: &str = include_str!("evidence/check.py");

/// Below the help.
pub const CAUTION: &str = "A packet shows what siskin recorded. It is no finding about the gas or the \
    contract, and siskin is not a safety system.";

/// Of which alarm, and where to.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The alarm's id
    #[arg(value_name = "ALARM")]
    alarm: String,
    /// A time (UTC) at which it was active, such as 2026-03-02T15:04 or 7d [default: the last time it was raised]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// How much of the record before it was raised goes in
    #[arg(long, value_name = "DURATION", default_value = "30m", value_parser = duration)]
    before: Duration,
    /// How much of the record after it was cleared goes in
    #[arg(long, value_name = "DURATION", default_value = "30m", value_parser = duration)]
    after: Duration,
    /// Another signal whose samples go in; may be given again [default: those of the alarm's device]
    #[arg(long, value_name = "ID")]
    signal: Vec<String>,
    /// The archive to write; it must not exist yet [default: ALARM-TIME.tar here]
    #[arg(long, value_name = "FILE")]
    output: Option<PathBuf>,
}

fn duration(text: &str) -> Result<Duration, String> {
    config::duration(text).ok_or_else(|| format!("{text:?} is no duration such as 90s, 30m or 2h"))
}

/// Writes the packet, and tells its fingerprint.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let now = Wall::now();
    let at = args.at.as_ref().map(|text| when::when(text, &TimeZone::UTC, now)).transpose()?;
    let journal = JournalReader::new(common.data());
    // A packet of a broken chain would prove nothing.
    let proven = match verify(common.data(), None) {
        Ok(proven) => proven,
        Err(VerifyError::Broken { seq, what }) => {
            writeln!(out, "The journal is broken at entry {seq}: {what}. No packet was written.")?;
            return Ok(Outcome::No);
        }
        Err(VerifyError::Unreadable(error)) => return Err(unreachable(error)),
    };
    let episodes = Episodes::of(&journal, &args.alarm).map_err(unreachable)?;
    let episode = match episodes.at(at) {
        Ok(episode) => episode,
        Err(no) => {
            writeln!(out, "{no}")?;
            return Ok(Outcome::No);
        }
    };
    let window = Window::around(&episode, args.before, args.after, now)?;
    let reader = SampleReader::kept_open(common.data());
    let case =
        Case::of(&args.alarm, episode, window, &args.signal, (&journal, &reader)).map_err(unreachable)?;
    if let Some(unknown) = case.unknown_signal(&args.signal) {
        let recorded = case.recorded.join(", ");
        return Err(CliError::BadInput(format!(
            "signal {unknown:?} was never recorded; recorded: {recorded}"
        )));
    }
    let name = case.name();
    let path = args.output.clone().unwrap_or_else(|| PathBuf::from(format!("{name}.tar")));
    let packet =
        Packet { case: &case, data: common.data(), reader: &reader, made: now, head: proven.head.seq };
    let finished = Archive::create(&path, &name, now, |archive| packet.write(archive))?;
    tell(&path, &finished, &case, common.json, out)?;
    Ok(Outcome::Done)
}

fn tell(
    path: &Path,
    finished: &Finished,
    case: &Case,
    json: bool,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    if json {
        let told = json!({
            "file": path, "bytes": finished.bytes, "manifest_sha256": finished.manifest_sha256,
            "case": case.as_json(),
        });
        writeln!(out, "{told}")?;
        return Ok(());
    }
    writeln!(out, "{}: written, {} bytes", path.display(), finished.bytes)?;
    writeln!(out, "Fingerprint (SHA-256 of its MANIFEST.sha256): {}", finished.manifest_sha256)?;
    writeln!(out, "Note it where both sides can see it: a packet that was changed later has another one.")?;
    if case.samples_missing() {
        writeln!(out, "No samples of that time are on record; the packet says so.")?;
    }
    Ok(())
}

/// What goes in.
struct Packet<'a> {
    case: &'a Case,
    data: &'a Path,
    reader: &'a SampleReader,
    made: Wall,
    /// The last entry that goes in: what was the head when the chain was proven.
    head: u64,
}

impl Packet<'_> {
    fn write(&self, archive: &mut Archive) -> Result<(), CliError> {
        archive.member("cover.txt", |out| cover::write(self.case, self.made, out))?;
        archive.member("case.json", |out| {
            serde_json::to_writer_pretty(&mut *out, &self.case.as_json()).map_err(std::io::Error::from)?;
            Ok(writeln!(out)?)
        })?;
        archive.member("settings.txt", |out| {
            self.case.settings.iter().try_for_each(|(path, value)| writeln!(out, "{path}={value}"))?;
            Ok(())
        })?;
        archive.member("samples.csv", |out| self.samples(out))?;
        archive.member("journal.jsonl", |out| self.journal(out))?;
        archive.member("check.py", |out| Ok(out.write_all(CHECK.as_bytes())?))
    }

    fn samples(&self, out: &mut dyn Write) -> Result<(), CliError> {
        let Case { signals, window, .. } = self.case;
        out.write_all(export::HEADING.as_bytes())?;
        for sample in self.reader.replay(signals, window.from, window.to).map_err(unreachable)? {
            let (signal, sample) = sample.map_err(unreachable)?;
            export::write_csv(out, signals.get(signal.0).map_or("", String::as_str), &sample)?;
        }
        Ok(())
    }

    /// Every entry from the first that is spoken of to the head, so that no link is left out.
    fn journal(&self, out: &mut dyn Write) -> Result<(), CliError> {
        let mut seq = 0;
        let proven = verify_each(self.data, None, &mut |text, hash| {
            seq += 1;
            if seq + 1 == self.case.first_seq {
                writeln!(out, r#"{{"previous":{{"seq":{seq},"hash":"{hash}"}}}}"#)?;
            }
            if (self.case.first_seq..=self.head).contains(&seq) {
                writeln!(out, r#"{{"entry":{text},"hash":"{hash}"}}"#)?;
            }
            Ok(())
        });
        match proven {
            Ok(_) => Ok(()),
            Err(Stopped::ByTaker(error)) => Err(error.into()),
            Err(Stopped::Not(error)) => Err(CliError::Unreachable(error.to_string())),
        }
    }
}
