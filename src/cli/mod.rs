//! The commands, one file each.
//!
//! A command is its `Args` and a function
//! `run(args, common, out) -> Result<Outcome, CliError>`; it writes what it has to say to `out`, never
//! to standard output itself, and never ends the process. What the outcomes and errors mean to the
//! shell stands in [`outcome`]. Standard error is for what must not be mixed with the answer.

use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

mod alarms;
mod answers;
mod backup;
mod borrow;
mod calibration;
mod check;
mod commission;
mod connect;
mod csv;
mod demo;
mod evidence;
mod export;
mod files;
mod gas_test;
mod history;
mod interrupt;
mod journal;
mod line;
mod log;
mod loop_check;
mod manual;
mod map;
mod note;
mod operator;
mod other_box;
mod outcome;
mod performance;
mod progress;
mod read;
mod recorded_noise;
mod reload;
mod replay;
mod report;
mod restore;
mod run;
mod scan;
mod sensor;
mod service_notice;
mod ship;
mod simulate;
mod site_file;
mod status;
mod target;
mod terminal;
mod verify;
mod watchdog;
mod when;

pub use outcome::{CliError, Outcome};

/// Reads gas analyzers over Modbus, judges every reading, raises alarms and keeps the record.
///
/// Not a safety system: it does not replace gas detection, a shutdown system, or licensed practice.
#[derive(Debug, Parser)]
#[command(name = "siskin", version, max_term_width = 100, after_help = EXIT_CODES)]
struct Cli {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 done; 1 it ran and the answer is no; 2 bad input; \
                          3 cannot reach or open something.";

/// What every command takes.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Common options")]
pub struct Common {
    /// The site file [default: $SISKIN_CONFIG or /etc/siskin/site.toml]
    #[arg(long, global = true, value_name = "FILE", env = "SISKIN_CONFIG", hide_env = true)]
    config: Option<PathBuf>,
    /// Where journal, history and control socket lie [default: $SISKIN_DATA or /var/lib/siskin]
    #[arg(long, global = true, value_name = "DIR", env = "SISKIN_DATA", hide_env = true)]
    data: Option<PathBuf>,
    /// Print JSON for machines instead of words for people
    #[arg(long, global = true)]
    pub json: bool,
}

impl Common {
    /// The site file.
    pub fn config(&self) -> &Path {
        self.config.as_deref().unwrap_or(Path::new("/etc/siskin/site.toml"))
    }

    /// The data directory.
    pub fn data(&self) -> &Path {
        self.data.as_deref().unwrap_or(Path::new("/var/lib/siskin"))
    }

    #[cfg(test)]
    fn at(data: &Path) -> Common {
        Common { config: None, data: Some(data.to_owned()), json: false }
    }

    /// The data directory, when one was asked for.
    pub fn data_given(&self) -> Option<&Path> {
        self.data.as_deref()
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run the daemon
    Run(run::Args),
    /// Run the daemon on a simulated meter building: no hardware, no root
    Demo(demo::Args),
    /// Find every error and every doubt in a site file
    Check(check::Args),
    /// Stand in for the devices of a site file
    Simulate(simulate::Args),
    /// What is known now, the most important first
    Status(status::Args),
    /// The alarms that somebody has still something to do about
    Alarms(alarms::Args),
    /// What has happened, oldest first
    Journal(journal::Args),
    /// The registers that SCADA masters read
    Map(map::Args),
    /// Acknowledge alarms: say that you know
    #[command(after_help = operator::CAUTION)]
    Ack(operator::Ack),
    /// Let go of latched alarms whose condition is gone
    #[command(after_help = operator::CAUTION)]
    Reset(operator::Reset),
    /// Set alarms aside for a time: they go on watching, and call nobody
    #[command(after_help = operator::CAUTION)]
    Shelve(operator::Shelve),
    /// Take alarms back from the shelf before their time
    #[command(after_help = operator::CAUTION)]
    Unshelve(operator::Unshelve),
    /// Take alarms out of service for maintenance, until they are put back
    #[command(after_help = operator::CAUTION)]
    OutOfService(operator::OutOfService),
    /// Put alarms back into service
    #[command(after_help = operator::CAUTION)]
    InService(operator::InService),
    /// Keep a device's readings from being taken for process gas while somebody calibrates it, and record
    /// what it says of the calibration gas
    #[command(after_help = calibration::CAUTION)]
    Calibration(calibration::Args),
    /// Record a new sensor in a device, and tell how the present one fares
    #[command(after_help = sensor::CAUTION)]
    Sensor(sensor::Args),
    /// Write a remark into the journal
    Note(note::Args),
    /// Find the devices on a line: who answers, and under which settings
    #[command(after_help = target::CAUTION)]
    Scan(scan::Args),
    /// Read registers or bits by hand, under every type and order at once
    #[command(after_help = target::CAUTION)]
    Read(read::Args),
    /// How a line and its devices fare, and what is probably wrong with it
    #[command(after_help = target::CAUTION)]
    Line(line::Args),
    /// Put an analyzer into service by a checklist, resumed and signed in the journal
    #[command(after_help = commission::CAUTION)]
    Commission(commission::Args),
    /// Prove that register, current loop and display of an analyzer agree
    #[command(after_help = loop_check::CAUTION)]
    LoopCheck(loop_check::Args),
    /// Try alarm settings on the record before they go live
    Replay(replay::Args),
    /// What was measured on a gas day or in a month, what was beyond its limits, and who did what
    Report(report::Args),
    /// Recorded samples or events, as CSV or JSON lines
    Export(export::Args),
    /// Everything on record about one time an alarm was active, as an archive others can check
    #[command(after_help = evidence::CAUTION)]
    Evidence(evidence::Args),
    /// Copy the record into a PostgreSQL server, where those of many sites come together
    Ship(ship::Args),
    /// Recompute the journal's hash chain
    Verify(verify::Args),
    /// Copy the record to another place, while the daemon runs or not, and prove the copy
    Backup(backup::Args),
    /// Take over a copied record where there is none yet: the journal's chain goes on
    Restore(restore::Args),
    /// What can be done with a damaged journal or history
    History(history::Args),
    /// Write the manual pages and shell completions
    #[command(hide = true)]
    Manual(manual::Args),
}

/// Parses a command line, carries it out, and says how it ended.
pub fn main(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let Cli { common, command } = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(told) => {
            // `--help` ends here too. Nobody is left to tell when this cannot be printed.
            let _ = told.print();
            return if told.use_stderr() { ExitCode::from(outcome::BAD_INPUT) } else { ExitCode::SUCCESS };
        }
    };
    let mut out = std::io::stdout().lock();
    let ended = carry_out(&command, &common, &mut out)
        .and_then(|outcome| out.flush().map(|()| outcome).map_err(CliError::from));
    outcome::exit_code(ended)
}

fn carry_out(command: &Command, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    match command {
        Command::Run(args) => run::run(args, common, out),
        Command::Demo(args) => demo::run(args, common, out),
        Command::Check(args) => check::run(args, common, out),
        Command::Simulate(args) => simulate::run(args, common, out),
        Command::Status(args) => status::run(args, common, out),
        Command::Alarms(args) => alarms::run(args, common, out),
        Command::Journal(args) => journal::run(args, common, out),
        Command::Map(args) => map::run(args, common, out),
        Command::Ack(args) => operator::acknowledge(args, common, out),
        Command::Reset(args) => operator::act(args.into(), common, out),
        Command::Shelve(args) => operator::act(args.into(), common, out),
        Command::Unshelve(args) => operator::act(args.into(), common, out),
        Command::OutOfService(args) => operator::act(args.into(), common, out),
        Command::InService(args) => operator::act(args.into(), common, out),
        Command::Calibration(args) => calibration::run(args, common, out),
        Command::Sensor(args) => sensor::run(args, common, out),
        Command::Note(args) => note::run(args, common, out),
        Command::Scan(args) => scan::run(args, common, out),
        Command::Read(args) => read::run(args, common, out),
        Command::Line(args) => line::run(args, common, out),
        Command::Commission(args) => commission::run(args, common, out),
        Command::LoopCheck(args) => loop_check::run(args, common, out),
        Command::Replay(args) => replay::run(args, common, out),
        Command::Report(args) => report::run(args, common, out),
        Command::Export(args) => export::run(args, common, out),
        Command::Evidence(args) => evidence::run(args, common, out),
        Command::Ship(args) => ship::run(args, common, out),
        Command::Verify(args) => verify::run(args, common, out),
        Command::Backup(args) => backup::run(args, common, out),
        Command::Restore(args) => restore::run(args, common, out),
        Command::History(args) => history::run(args, common, out),
        Command::Manual(args) => manual::run(args, common, out),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_command_line_is_well_formed() {
        use clap::CommandFactory;
        Cli::command().debug_assert();
    }

    /// As a shell splits it: words, and texts in single quotes.
    fn words(command: &str) -> Vec<String> {
        let mut words = Vec::new();
        for (index, part) in command.split('\'').enumerate() {
            match index % 2 {
                0 => words.extend(part.split_whitespace().map(str::to_owned)),
                _ => words.push(part.to_owned()),
            }
        }
        words
    }

    #[test]
    fn every_command_that_operators_are_told_of_is_a_command() {
        let commands: Vec<&str> = include_str!("../../docs/operator.md")
            .lines()
            .filter(|line| line.starts_with("siskin ") && !line.contains("**"))
            .collect();
        assert!(commands.len() >= 15, "the document shows only {} commands", commands.len());
        for command in commands {
            let parsed = Cli::try_parse_from(words(command));
            assert!(parsed.is_ok(), "{command}: {}", parsed.unwrap_err());
        }
    }

    #[test]
    fn what_technicians_are_told_of_commissioning_and_loop_checks_is_a_command() {
        let commands: Vec<&str> = include_str!("../../docs/technician.md")
            .lines()
            .filter(|line| line.starts_with("siskin commission") || line.starts_with("siskin loop-check"))
            .collect();
        assert!(commands.len() >= 10, "the document shows only {} commands", commands.len());
        for command in commands {
            let parsed = Cli::try_parse_from(words(command));
            assert!(parsed.is_ok(), "{command}: {}", parsed.unwrap_err());
        }
    }

    #[test]
    fn every_state_of_an_alarm_is_explained_to_operators_in_the_words_they_see() {
        use crate::view::{AlarmState, Vocabulary, words::alarm_state};
        let document = include_str!("../../docs/operator.md");
        for state in AlarmState::MEMBERS {
            let row = format!("\n| {} | ", alarm_state(*state));
            assert!(document.contains(&row), "{row}");
        }
    }

    #[test]
    fn the_site_file_and_the_data_directory_may_follow_the_command() {
        let cli = Cli::try_parse_from(["siskin", "verify", "--data", "d", "--config", "c.toml"]).unwrap();
        assert_eq!((cli.common.data(), cli.common.config()), (Path::new("d"), Path::new("c.toml")));
    }
}
