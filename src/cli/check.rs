//! `siskin check`: every error and every doubt in a site file, read as the daemon reads it, and what
//! the site asks of each line against what the wire can carry. `--schema` prints what an editor can
//! check by itself.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::cli::recorded_noise::{self, Wavering};
use crate::cli::site_file::{self, Files};
use crate::cli::terminal::count;
use crate::cli::{CliError, Common, Outcome, run};
use crate::config::{self, Describes, Located, Problems, Site};
use crate::daemon::nothing_known;
use crate::modbus::{self, LineLoad};
use crate::moment::{Moment, Mono, Wall};
use crate::scada;

/// Names told of what has no number yet; the others are counted.
const NAMES_TOLD_MAX: usize = 3;

/// What `siskin check` takes.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site file [default: as given by --config]
    #[arg(value_name = "FILE")]
    file: Option<PathBuf>,
    /// Print the JSON Schema of the site file, or of a profile, for editors
    #[arg(long, value_name = "OF", num_args = 0..=1, require_equals = true, default_missing_value = "site")]
    #[arg(conflicts_with = "file")]
    schema: Option<SchemaOf>,
}

/// Which file's schema is printed.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum SchemaOf {
    Site,
    Profile,
}

impl From<SchemaOf> for Describes {
    fn from(of: SchemaOf) -> Describes {
        match of {
            SchemaOf::Site => Describes::Site,
            SchemaOf::Profile => Describes::Profile,
        }
    }
}

/// Tells errors on standard error and ends with exit code 2, or tells doubts and the load of each
/// line on standard output.
///
/// # Errors
/// [`CliError::Unreachable`] when the file cannot be read, [`CliError::BadInput`] when it has errors.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    if let Some(of) = args.schema {
        write_json(out, &config::schema(of.into()))?;
        return Ok(Outcome::Done);
    }
    let path = args.file.as_deref().unwrap_or(common.config());
    match config::load_with_doubts(path, &Files) {
        Ok((site, doubts)) => {
            let unnumbered = scada_doubt(path, &site)?;
            site.http.as_ref().map(|http| run::access(http, path)).transpose()?;
            let (lines, wavering) = (lines(&site), recorded_noise::of(&site, common.data()));
            if common.json {
                let mut doubts = located(&doubts);
                doubts.extend(unnumbered.map(Finding::plain));
                let site = Some((&site).into());
                write_json(out, &Answer { site, errors: Vec::new(), doubts, lines, wavering })?;
            } else {
                write_words(out, path, &site, (&doubts, unnumbered), &lines, &wavering)?;
            }
            Ok(Outcome::Done)
        }
        Err(problems) if common.json && !problems.is_unreadable() => {
            let errors = located(&problems);
            let (doubts, lines, wavering) = (Vec::new(), Vec::new(), Vec::new());
            write_json(out, &Answer { site: None, errors, doubts, lines, wavering })?;
            Err(CliError::BadInput(site_file::summary(path, problems.len(), "error")))
        }
        Err(problems) => Err(site_file::told(path, &problems)),
    }
}

/// What is doubtful about the numbers of the SCADA map, which lie beside the site file. Numbers that are
/// wrong are an error, since a daemon would refuse them.
fn scada_doubt(path: &Path, site: &Site) -> Result<Option<String>, CliError> {
    if site.scada.is_none() {
        return Ok(None);
    }
    let opened = scada::read(path).map_err(|error| match error.is_content() {
        true => CliError::BadInput(error.to_string()),
        false => CliError::Unreachable(error.to_string()),
    })?;
    let at = Moment { mono: Mono::ZERO, wall: Wall::UNIX_EPOCH };
    let (unnumbered, gone) = opened.numbers.against(&nothing_known(site, at));
    let file = opened.path.display();
    let advice = "run `siskin map` once, as somebody who may write there, before the daemon starts";
    Ok(match (opened.path.exists(), unnumbered.as_slice(), gone.as_slice()) {
        (_, [], _) => None,
        (false, ..) => {
            Some(format!("{file} is not there: no address of the SCADA map is fixed yet; {advice}"))
        }
        (true, new, []) => Some(format!("{file} has no number for {}; {advice}", few(new))),
        (true, new, gone) => Some(format!(
            "{file} has no number for {}, but has numbers for {}, which the site file does not have: if these \
             were renamed, rename them there too, else their addresses move; then {advice}",
            few(new),
            few(gone)
        )),
    })
}

/// The first of them, and how many more.
fn few(names: &[String]) -> String {
    let (told, more) = names.split_at(names.len().min(NAMES_TOLD_MAX));
    let told = told.join(", ");
    if more.is_empty() { told } else { format!("{told} and {} more", more.len()) }
}

fn write_words(
    out: &mut dyn Write,
    path: &Path,
    site: &Site,
    (doubts, unnumbered): (&Problems, Option<String>),
    lines: &[Line],
    wavering: &[Wavering],
) -> io::Result<()> {
    if !doubts.is_empty() {
        writeln!(out, "{doubts}")?;
    }
    let of_lines = lines.iter().filter_map(|line| line.doubt.as_ref());
    let of_alarms = wavering.iter().map(|alarm| &alarm.doubt);
    let told_apart: Vec<&String> = unnumbered.iter().chain(of_lines).chain(of_alarms).collect();
    for told in &told_apart {
        writeln!(out, "doubt: {told}\n")?;
    }
    let [devices, signals, alarms] = [
        count(site.devices.len(), "device"),
        count(site.signals.len(), "signal"),
        count(site.alarms.len(), "alarm"),
    ];
    let their_lines = count(site.lines.len(), "line");
    writeln!(out, "{}: {their_lines}, {devices}, {signals}, {alarms}", site.name)?;
    for line in lines {
        write_line(out, line)?;
    }
    match doubts.len() + told_apart.len() {
        0 => writeln!(out, "{}: no errors, no doubts", path.display()),
        doubts => writeln!(out, "{}, no errors", site_file::summary(path, doubts, "doubt")),
    }
}

fn write_line(out: &mut dyn Write, line: &Line) -> io::Result<()> {
    let Line { id, demand, reads, cycle_longest_s, .. } = line;
    let reads = count(*reads, "read");
    let millis = cycle_longest_s * 1000.0;
    write!(
        out,
        "line {id}: {:.0} % of what it can carry; {reads}, all of them once take {millis:.0} ms",
        demand * 100.0
    )?;
    match line.response_time_assumed.as_slice() {
        [] => writeln!(out),
        assumed => writeln!(out, " (response time assumed for {})", assumed.join(", ")),
    }
}

fn lines(site: &Site) -> Vec<Line> {
    let loads = modbus::load(site);
    loads.iter().zip(&site.lines).map(|(load, spec)| line(load, &spec.id, site)).collect()
}

/// Above this share of what it can carry, a line has no time left for an answer that fails.
const DEMAND_COMFORTABLE: f64 = 0.8;

fn line(load: &LineLoad, id: &str, site: &Site) -> Line {
    let assumed = load.devices.iter().filter(|device| device.turnaround_assumed);
    let percent = load.demand * 100.0;
    let doubt = if load.demand > 1.0 {
        Some(format!("line {id} is asked for {percent:.0} % of what it can carry: polls will come late"))
    } else if load.demand > DEMAND_COMFORTABLE {
        Some(format!("line {id} is asked for {percent:.0} % of what it can carry: too full to ask twice"))
    } else {
        None
    };
    Line {
        id: id.to_owned(),
        demand: load.demand,
        reads: load.devices.iter().map(|device| device.blocks.len()).sum(),
        cycle_longest_s: load.cycle_longest.as_secs_f64(),
        response_time_assumed: assumed
            .filter_map(|device| site.devices.get(device.device.0))
            .map(|device| device.id.clone())
            .collect(),
        doubt: doubt.map(|doubt| doubt + "; poll its devices less often, or give it a higher speed"),
    }
}

/// The answer for machines.
#[derive(Serialize)]
struct Answer<'a> {
    site: Option<Counts<'a>>,
    errors: Vec<Finding>,
    doubts: Vec<Finding>,
    lines: Vec<Line>,
    /// Alarms whose deadband is smaller than what their signals waver by on record.
    wavering: Vec<Wavering>,
}

#[derive(Serialize)]
struct Counts<'a> {
    id: &'a str,
    sha256: &'a str,
    lines: usize,
    devices: usize,
    signals: usize,
    alarms: usize,
}

impl<'a> From<&'a Site> for Counts<'a> {
    fn from(site: &'a Site) -> Counts<'a> {
        Counts {
            id: &site.id,
            sha256: &site.sha256,
            lines: site.lines.len(),
            devices: site.devices.len(),
            signals: site.signals.len(),
            alarms: site.alarms.len(),
        }
    }
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

impl Finding {
    /// A finding about no place in the site file.
    fn plain(found: String) -> Finding {
        let title = "the SCADA map".to_owned();
        Finding { file: None, line: None, column: None, title, found, help: None }
    }
}

/// What the site asks of a line.
#[derive(Serialize)]
struct Line {
    id: String,
    /// Share of what the line can carry; above 1 it cannot.
    demand: f64,
    reads: usize,
    cycle_longest_s: f64,
    /// Devices whose response time is not known yet.
    response_time_assumed: Vec<String>,
    doubt: Option<String>,
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

fn write_json(out: &mut dyn Write, answer: &impl Serialize) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, answer)?;
    writeln!(out)
}
