//! `siskin simulate`: stand in for the devices of a site file, so that a site can be proven before
//! the hardware comes.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use crate::cli::interrupt::stop_signals;
use crate::cli::site_file::{self, Files};
use crate::cli::{CliError, Common, Outcome};
use crate::config::{Site, Sources};
use crate::simulate::{BusPort, Counts, Scenario, ScenarioProblem, Stage, StageOptions, Twin};

/// What to stand in for, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The site file whose devices are simulated
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Where to write the site file that leads to the simulated devices [default: FILE with
    /// `.simulated.toml`]
    #[arg(long, value_name = "OUT")]
    write_site: Option<PathBuf>,
    /// Script values and faults over time; docs/simulate.md explains the file
    #[arg(long, value_name = "SCENARIO")]
    scenario: Option<PathBuf>,
    /// Listen for TCP lines on 127.0.0.1 from this port on, instead of the site's own loopback
    /// addresses or any free port
    #[arg(long, value_name = "PORT")]
    tcp_port_base: Option<u16>,
    /// Have the same chances again
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
}

/// Simulates until SIGINT or SIGTERM.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let site = site_file::load(&args.file)?;
    let scenario = args.scenario.as_deref().map(|path| scenario(path, &site)).transpose()?;
    let options = StageOptions { tcp_port_base: args.tcp_port_base, seed: args.seed };
    let stage = Stage::open(&site, options).map_err(unreachable)?;
    let stop = stop_signals()?;
    let twin = args.write_site.clone().unwrap_or_else(|| args.file.with_extension("simulated.toml"));
    write_twin(&args.file, &twin, &stage)?;
    introduce(&site, &stage, &twin, common, out)?;
    match scenario {
        Some(scenario) => play(&scenario, &stage, &stop, out)?,
        None => until_stopped(&stop),
    }
    conclude(&site, &stage.counts(), out)?;
    Ok(Outcome::Done)
}

fn unreachable(error: impl std::error::Error) -> CliError {
    CliError::Unreachable(error.to_string())
}

fn scenario(path: &Path, site: &Site) -> Result<Scenario, CliError> {
    let told = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let text = Files.read(path).map_err(|error| CliError::Unreachable(told(&error)))?;
    Scenario::parse(&text, site).map_err(|error| {
        let told =
            |problem: &ScenarioProblem| format!("{}:{}: {}", path.display(), problem.line, problem.what);
        CliError::BadInput(error.problems.iter().map(told).collect::<Vec<_>>().join("\n"))
    })
}

fn write_twin(original: &Path, twin: &Path, stage: &Stage) -> Result<(), CliError> {
    let told = |path: &Path, error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let text = Files.read(original).map_err(|error| CliError::Unreachable(told(original, &error)))?;
    let directory = original.parent().filter(|parent| !parent.as_os_str().is_empty());
    let directory = directory.unwrap_or(Path::new(".")).canonicalize();
    let profiles_from = directory.map_err(|error| CliError::Unreachable(told(original, &error)))?;
    let ports = stage.ports();
    let text = Twin { ports: &ports, http: None, scada: None, profiles_from: &profiles_from }
        .of(&text)
        .map_err(|error| CliError::BadInput(told(original, &error)))?;
    std::fs::write(twin, text).map_err(|error| CliError::Unreachable(told(twin, &error)))
}

fn introduce(
    site: &Site,
    stage: &Stage,
    twin: &Path,
    common: &Common,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    writeln!(out, "Standing in for the devices of {}. Nothing here is measured.", site.name)?;
    writeln!(out)?;
    for (line, port) in site.lines.iter().zip(stage.ports()) {
        let there = match port {
            BusPort::Serial(path) => path.display().to_string(),
            BusPort::Tcp(address) => address.to_string(),
        };
        writeln!(out, "  line {:<12} {there}", line.id)?;
    }
    writeln!(out)?;
    writeln!(out, "The same site, leading here, is in {}. In another terminal:", twin.display())?;
    let data = common.data_given().unwrap_or(Path::new("/tmp/siskin-simulated"));
    writeln!(out, "  siskin run --config {} --data {}", twin.display(), data.display())?;
    writeln!(out, "Ctrl-C ends the simulation.")?;
    Ok(out.flush()?)
}

/// Plays the scenario to its end, then lets the site rest until told to stop.
fn play(
    scenario: &Scenario,
    stage: &Stage,
    stop: &Receiver<()>,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    loop {
        for step in &scenario.steps {
            writeln!(out, "\n{} ({} s)", step.say, step.lasts.as_secs_f64())?;
            out.flush()?;
            stage.begin(step);
            if !waited(stop, step.lasts) {
                return Ok(());
            }
        }
        stage.rest();
        if !scenario.repeat {
            writeln!(out, "\nThe scenario is over; the site rests.")?;
            out.flush()?;
            until_stopped(stop);
            return Ok(());
        }
    }
}

fn until_stopped(stop: &Receiver<()>) {
    // An end of the channel is an end of the program as well.
    let _ = stop.recv();
}

/// Whether the time has passed without anybody telling to stop.
fn waited(stop: &Receiver<()>, time: Duration) -> bool {
    matches!(stop.recv_timeout(time), Err(RecvTimeoutError::Timeout))
}

fn conclude(site: &Site, counts: &[Counts], out: &mut dyn Write) -> Result<(), CliError> {
    writeln!(out)?;
    for (line, counts) in site.lines.iter().zip(counts) {
        writeln!(
            out,
            "line {}: {} questions, {} answers, {} exceptions, {} spoiled; {} questions damaged, {} before \
             the line was silent, {} to unknown units, {} that would have written (refused)",
            line.id,
            counts.questions,
            counts.answers,
            counts.exceptions,
            counts.spoiled,
            counts.damaged,
            counts.short_gaps,
            counts.unknown_units,
            counts.writes_refused,
        )?;
    }
    Ok(())
}
