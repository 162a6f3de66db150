//! `siskin demo`: the daemon on a simulated meter building, and a story of upsets to watch.
//!
//! The daemon is the true one, put together as `siskin run` does it; it reads real frames on a real
//! pseudo-terminal and a real socket. Only the gas and the devices are invented. Everything stays on
//! this machine.

use std::io::{self, Write};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};

use crate::cli::site_file;
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome, log, run};
use crate::config::{self, Site, Sources};
use crate::simulate::{Scenario, Stage, StageOptions, Step, Twin};

/// The demo's site file and story, as they lie in `config/`.
const SITE: &str = include_str!("../../config/demo.toml");
const STORY: &str = include_str!("../../config/demo-story.toml");

/// Where the site file goes, beside the record.
const SITE_FILE: &str = "site.toml";

/// Where the page is when nobody asks for another place, and nothing else is there.
const HTTP_DEFAULT: &str = "127.0.0.1:8485";
/// Where SCADA masters are answered, when nothing else is there.
const SCADA_DEFAULT: &str = "127.0.0.1:1502";

/// Where to serve; `--data` keeps what was recorded.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Where the status page listens [default: 127.0.0.1:8485, or any free port]
    #[arg(long, value_name = "ADDR")]
    http: Option<SocketAddr>,
}

/// Runs until SIGINT or SIGTERM.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    if std::env::var_os("SISKIN_LOG").is_some() {
        log::start();
    }
    let invented = embedded_site()?;
    let story = embedded_story(&invented)?;
    let stage = Stage::open(&invented, StageOptions::default()).map_err(unreachable)?;
    let data = DataDir::of(common)?;
    let file = data.path.join(SITE_FILE);
    std::fs::write(&file, twin(&stage, args.http)?).map_err(|error| cannot("write", &file, &error))?;
    let site = site_file::load(&file)?;

    std::thread::scope(|scope| {
        let (tell, told) = channel();
        let daemon = scope.spawn(|| {
            let tell = tell;
            run::operate(&site, &file, &data.path, |assembled| {
                // Nobody listens when the terminal has gone away.
                let _ = tell.send(Faces { http: assembled.http(), scada: assembled.scada() });
                Ok(())
            })
        });
        let teller = Teller { data: &data, file: &file, terminal: Terminal::of_stdout("UTC") };
        let shown = teller.show(args, &story, &stage, &told, out);
        if shown.is_err() {
            end_daemon();
        }
        let ended = daemon.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        shown.and(ended)
    })
}

/// Tells the daemon to stop, as Ctrl-C would.
fn end_daemon() {
    // A process may always send itself a signal.
    let _ = rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::TERM);
}

fn unreachable(error: impl std::error::Error) -> CliError {
    CliError::Unreachable(error.to_string())
}

fn cannot(operation: &str, path: &Path, error: &io::Error) -> CliError {
    CliError::Unreachable(format!("cannot {operation} {}: {error}", path.display()))
}

/// The demo's texts are part of the program.
struct Embedded;

impl Sources for Embedded {
    fn read(&self, _path: &Path) -> io::Result<String> {
        Ok(SITE.to_owned())
    }
}

fn embedded_site() -> Result<Site, CliError> {
    let path = Path::new("demo.toml");
    config::load(path, &Embedded).map_err(|problems| site_file::told(path, &problems))
}

fn embedded_story(site: &Site) -> Result<Scenario, CliError> {
    Scenario::parse(STORY, site).map_err(|error| CliError::BadInput(format!("demo-story.toml: {error}")))
}

/// The site file that leads to the simulated devices.
fn twin(stage: &Stage, http: Option<SocketAddr>) -> Result<String, CliError> {
    let (http, scada) = (http.or_else(|| free_address(HTTP_DEFAULT)), free_address(SCADA_DEFAULT));
    let twin = Twin { ports: &stage.ports(), http, scada, profiles_from: Path::new("") }.of(SITE);
    twin.map_err(|error| CliError::BadInput(format!("demo.toml: {error}")))
}

/// The usual address, or any free port beside it when something else is there already.
fn free_address(usual: &str) -> Option<SocketAddr> {
    let usual: SocketAddr = usual.parse().ok()?;
    let free = TcpListener::bind(usual).is_ok();
    Some(if free { usual } else { SocketAddr::new(usual.ip(), 0) })
}

/// Where the demo keeps its record: given, or made for this once and removed at the end.
struct DataDir {
    path: PathBuf,
    for_this_once: bool,
}

impl DataDir {
    fn of(common: &Common) -> Result<DataDir, CliError> {
        let given = common.data_given().map(Path::to_owned);
        let for_this_once = given.is_none();
        if let Some(path) = given.as_deref().filter(|path| is_anothers(path)) {
            let told =
                format!("{}: holds the record of a real site: give the demo another --data", path.display());
            return Err(CliError::BadInput(told));
        }
        let own = || std::env::temp_dir().join(format!("siskin-demo-{}", std::process::id()));
        let path = given.unwrap_or_else(own);
        let made = if for_this_once { std::fs::create_dir(&path) } else { std::fs::create_dir_all(&path) };
        made.map_err(|error| cannot("make", &path, &error))?;
        Ok(DataDir { path, for_this_once })
    }
}

/// Whether a directory holds a site file or a record that no demo made: invented events have no place
/// beside true ones, and a site file is not the demo's to write over.
fn is_anothers(data: &Path) -> bool {
    match std::fs::read(data.join(SITE_FILE)) {
        Ok(text) => !text.starts_with(SITE.lines().next().unwrap_or_default().as_bytes()),
        Err(_) => [SITE_FILE, "journal.db"].iter().any(|name| data.join(name).exists()),
    }
}

impl Drop for DataDir {
    fn drop(&mut self) {
        if self.for_this_once {
            // What cannot be removed stays in the temporary directory, which is its place.
            let _ = std::fs::remove_dir_all(&self.path);
        }
    }
}

/// Where the demo's faces are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Faces {
    http: Option<SocketAddr>,
    scada: Option<SocketAddr>,
}

/// Tells the person what they see.
struct Teller<'a> {
    data: &'a DataDir,
    file: &'a Path,
    terminal: Terminal,
}

impl Teller<'_> {
    /// Introduces the demo and plays the story until the daemon has ended.
    fn show(
        &self,
        args: &Args,
        story: &Scenario,
        stage: &Stage,
        daemon: &Receiver<Faces>,
        out: &mut dyn Write,
    ) -> Result<Outcome, CliError> {
        // The daemon has ended before it was ready: it says itself why.
        let Ok(faces) = daemon.recv() else { return Ok(Outcome::Done) };
        self.introduce(args, faces, story, out)?;
        loop {
            for (index, step) in story.steps.iter().enumerate() {
                let next = story.steps.get(index + 1).or(story.steps.first());
                self.tell(index + 1, story, step, next, out)?;
                stage.begin(step);
                if daemon.recv_timeout(step.lasts) == Err(RecvTimeoutError::Disconnected) {
                    writeln!(out, "\nThe demo has ended.")?;
                    return Ok(Outcome::Done);
                }
            }
            stage.rest();
        }
    }

    fn introduce(
        &self,
        args: &Args,
        faces: Faces,
        story: &Scenario,
        out: &mut dyn Write,
    ) -> Result<(), CliError> {
        writeln!(out, "An invented meter building. Its analyzers are simulated, everything else is real:")?;
        writeln!(out, "the frames on the wire, the judgement, the alarms, the record.")?;
        writeln!(out)?;
        if let Some(address) = faces.http {
            writeln!(out, "  status page   http://{address}/")?;
            if args.http.is_none() && Some(address) != HTTP_DEFAULT.parse().ok() {
                writeln!(out, "                ({HTTP_DEFAULT} is in use by something else)")?;
            }
        }
        if let Some(address) = faces.scada {
            writeln!(out, "  SCADA         Modbus TCP at {address} (`siskin map` tells its registers)")?;
        }
        let kept = if self.data.for_this_once { " (removed at the end; --data DIR keeps it)" } else { "" };
        writeln!(out, "  record        {}{kept}", self.data.path.display())?;
        writeln!(out, "  site file     {}", self.file.display())?;
        writeln!(out)?;
        writeln!(
            out,
            "siskin is not a safety system; it does not replace gas detection or licensed practice."
        )?;
        let minutes = story.lasts().as_secs_f64() / 60.0;
        writeln!(out, "The story takes {minutes:.0} minutes and begins again. Ctrl-C ends the demo.")?;
        Ok(())
    }

    fn tell(
        &self,
        number: usize,
        story: &Scenario,
        step: &Step,
        next: Option<&Step>,
        out: &mut dyn Write,
    ) -> Result<(), CliError> {
        writeln!(out)?;
        let told = format!("{number}/{} {}", story.steps.len(), step.say);
        for line in self.terminal.wrap(0, &told) {
            writeln!(out, "{line}")?;
        }
        if let Some(command) = &step.command {
            writeln!(out, "    try:  {}", self.whole_command(command))?;
        }
        if let Some(next) = next {
            let next = format!("next, in {} s: {}", step.lasts.as_secs(), next.say);
            for line in self.terminal.wrap(4, &next) {
                writeln!(out, "{line}")?;
            }
        }
        Ok(out.flush()?)
    }

    /// The command as it can be typed in another terminal.
    fn whole_command(&self, command: &str) -> String {
        let program = std::env::args().next().unwrap_or_else(|| "siskin".to_owned());
        let (config, data) = (self.file.display(), self.data.path.display());
        format!("{program} {command} --config {config} --data {data}")
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use clap::Parser as _;

    #[test]
    fn the_demo_stays_away_from_a_real_site_and_its_record() {
        let data = tempfile::tempdir().unwrap();
        let begin = || DataDir::of(&Common::at(data.path()));
        let site_file = data.path().join(SITE_FILE);
        drop(begin().unwrap());
        std::fs::write(data.path().join("journal.db"), "").unwrap();
        assert!(matches!(begin(), Err(CliError::BadInput(_))), "a record without a site file");
        std::fs::write(&site_file, SITE).unwrap();
        assert!(begin().is_ok(), "an earlier demo's record");
        std::fs::write(&site_file, "[site]").unwrap();
        assert!(matches!(begin(), Err(CliError::BadInput(_))), "a real site file");
    }

    #[test]
    fn every_step_names_what_the_site_has_and_the_whole_takes_about_three_minutes() {
        let site = embedded_site().unwrap();
        let story = embedded_story(&site).unwrap();
        assert!(story.repeat);
        assert!((170..=190).contains(&story.lasts().as_secs()), "{:?}", story.lasts());
    }

    #[test]
    fn every_command_to_try_is_a_command() {
        let story = embedded_story(&embedded_site().unwrap()).unwrap();
        for command in story.steps.iter().filter_map(|step| step.command.as_deref()) {
            // As a shell splits it: words, and one text in single quotes.
            let mut words = vec!["siskin".to_owned()];
            for (index, part) in command.split('\'').enumerate() {
                match index % 2 {
                    0 => words.extend(part.split_whitespace().map(str::to_owned)),
                    _ => words.push(part.to_owned()),
                }
            }
            assert!(crate::cli::Cli::try_parse_from(&words).is_ok(), "{command}");
        }
    }
}
