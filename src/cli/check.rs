//! `siskin check`: every error and every doubt in a site file, read as the daemon reads it.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::cli::site_file::{self, Files};
use crate::cli::{CliError, Common, Outcome};
use crate::config::{self, Located, Problems, Site};

/// What `siskin check` takes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site file [default: as given by --config]
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
}

/// Tells errors on standard error and ends with exit code 2, or tells doubts on standard output.
///
/// # Errors
/// [`CliError::Unreachable`] when the file cannot be read, [`CliError::BadInput`] when it has errors.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let path = args.file.as_deref().unwrap_or(common.config());
    match config::load_with_doubts(path, &Files) {
        Ok((site, doubts)) if common.json => write_json(out, Some(&site), &[], &located(&doubts))?,
        Ok((site, doubts)) => write_words(out, path, &site, &doubts)?,
        Err(problems) if common.json => {
            write_json(out, None, &located(&problems), &[])?;
            return Err(if problems.is_unreadable() {
                site_file::told(path, &problems)
            } else {
                CliError::BadInput(site_file::summary(path, &problems))
            });
        }
        Err(problems) => return Err(site_file::told(path, &problems)),
    }
    Ok(Outcome::Done)
}

fn write_words(out: &mut dyn Write, path: &Path, site: &Site, doubts: &Problems) -> io::Result<()> {
    if !doubts.is_empty() {
        writeln!(out, "{doubts}")?;
    }
    writeln!(
        out,
        "{}: {} lines, {} devices, {} signals, {} alarms",
        site.name,
        site.lines.len(),
        site.devices.len(),
        site.signals.len(),
        site.alarms.len()
    )?;
    if doubts.is_empty() {
        writeln!(out, "{}: no errors, no doubts", path.display())
    } else {
        writeln!(out, "{}; no errors", site_file::summary(path, doubts))
    }
}

/// The answer for machines.
#[derive(Serialize)]
struct Answer<'a> {
    site: Option<SiteCounts<'a>>,
    errors: &'a [Finding],
    doubts: &'a [Finding],
}

#[derive(Serialize)]
struct SiteCounts<'a> {
    id: &'a str,
    sha256: &'a str,
    lines: usize,
    devices: usize,
    signals: usize,
    alarms: usize,
}

#[derive(Serialize)]
struct Finding {
    file: Option<String>,
    line: Option<usize>,
    column: Option<usize>,
    title: String,
    found: String,
    help: Option<String>,
}

fn located(problems: &Problems) -> Vec<Finding> {
    let finding = |Located { file, line, column, title, label, help }| Finding {
        file,
        line,
        column,
        title,
        found: label,
        help,
    };
    problems.located().map(finding).collect()
}

fn write_json(
    out: &mut dyn Write,
    site: Option<&Site>,
    errors: &[Finding],
    doubts: &[Finding],
) -> io::Result<()> {
    let site = site.map(|site| SiteCounts {
        id: &site.id,
        sha256: &site.sha256,
        lines: site.lines.len(),
        devices: site.devices.len(),
        signals: site.signals.len(),
        alarms: site.alarms.len(),
    });
    serde_json::to_writer_pretty(&mut *out, &Answer { site, errors, doubts })?;
    writeln!(out)
}
