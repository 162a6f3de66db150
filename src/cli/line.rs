//! `siskin line`: how a line and its devices fare, and what is probably wrong with it.
//!
//! A running daemon has counted for as long as it runs, and is asked for that; nothing is disturbed.
//! With `--probe`, and where no daemon runs, every device is asked a few times and listened to byte by
//! byte, and those that are silent are looked for under other settings. What is then wrong is decided in
//! [`crate::commission::diagnosis`].

use std::io::Write;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use crate::cli::borrow::{Borrowed, OVER};
use crate::cli::connect::{Connection, to_daemon_if_running, understood};
use crate::cli::interrupt::stop_signals;
use crate::cli::progress::Progress;
use crate::cli::target::{self, Chosen, Ways};
use crate::cli::{CliError, Common, Outcome};
use crate::commission::diagnosis::diagnose;
use crate::commission::evidence::{DeviceEvidence, Evidence, Medium, Tally};
use crate::commission::format::Format;
use crate::commission::order;
use crate::commission::sweep::{self, BAUDS};
use crate::config::{Framing, Port, SerialSettings, Site};
use crate::control::protocol::Request;
use crate::modbus::plan::Block;
use crate::modbus::{self, Answered, LineLoad, Reply, VisitError, Visitor};
use crate::signal::DeviceIndex;
use crate::view::{Counters, Status};

mod show;

use show::{Source, Told};

/// What a loan is longer than the questions are reckoned to take.
const LOAN_SPARE: Duration = Duration::from_secs(15);

/// Which line, and how closely.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A line of the site file, or its port
    #[arg(value_name = "LINE")]
    line: String,
    /// Ask the devices and listen to every byte, even where a daemon runs: it lends the line for that
    #[arg(long)]
    probe: bool,
    /// How often each block of each device is asked for
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u32).range(1..=1000))]
    rounds: u32,
    #[command(flatten)]
    ways: Ways,
}

/// Looks, and tells. The answer is no when something is wrong.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let chosen = Chosen::line(&args.line, &args.ways, common)?;
    let (Some(site), Some(index)) = (&chosen.site, chosen.index) else {
        let told = format!(
            "{} is not a line of the site file, so that its devices are not known; `siskin scan {0}` finds them",
            args.line
        );
        return Err(CliError::BadInput(told));
    };
    let load = modbus::load(site).into_iter().nth(index);
    let load = load.ok_or_else(|| CliError::BadInput(format!("line {} has no devices", args.line)))?;
    let daemon = if args.probe { None } else { to_daemon_if_running(common)? };
    let told = match daemon {
        Some(daemon) => counted(daemon, &chosen, site, &load)?,
        None => Probe { args, common, chosen: &chosen, site, load: &load }.told()?,
    };
    show::tell(&told, common.json, out)?;
    Ok(if told.findings.is_empty() { Outcome::Done } else { Outcome::No })
}

/// What the daemon has counted.
fn counted(mut daemon: Connection, chosen: &Chosen, site: &Site, load: &LineLoad) -> Result<Told, CliError> {
    let status: Status = understood(&daemon.ask(&Request::Status {})?)?;
    let line = status.lines.iter().find(|line| line.id == chosen.spec.id);
    let of_line = status.devices.iter().filter(|device| device.line == chosen.spec.id);
    let devices = of_line.map(|device| {
        let tally = device.counters.as_ref().map(tally).unwrap_or_default();
        DeviceEvidence { tally, ..DeviceEvidence::new(device.id.clone(), device.unit_id) }
    });
    let evidence = Evidence {
        medium: medium(&chosen.spec.port),
        settings: chosen.settings(),
        demand: line.and_then(|line| line.demand),
        devices: devices.collect(),
    };
    let mut told = Told::of(Source::Daemon, chosen, site, load, diagnose(&evidence), &evidence);
    told.take_status(line, &status.devices);
    Ok(told)
}

fn tally(counters: &Counters) -> Tally {
    let mut exceptions = counters.exceptions_by_code;
    // A gateway's two codes are counted by themselves.
    for code in [0x0A, 0x0B] {
        exceptions[code] = 0;
    }
    Tally {
        asked: counters.requests,
        answers: counters.answers,
        silent: counters.timeouts,
        garbled: counters.crc_errors,
        exceptions,
        gateway: counters.gateway_exceptions,
        late: counters.late_responses,
        foreign: counters.foreign_frames,
        ..Tally::default()
    }
}

const fn medium(port: &Port) -> Medium {
    match port {
        Port::Serial { .. } => Medium::Serial,
        Port::Tcp { framing: Framing::Rtu, .. } => Medium::DeviceServer,
        Port::Tcp { framing: Framing::Tcp, .. } => Medium::Network,
    }
}

/// A close look.
struct Probe<'a> {
    args: &'a Args,
    common: &'a Common,
    chosen: &'a Chosen,
    site: &'a Site,
    load: &'a LineLoad,
}

impl Probe<'_> {
    fn told(&self) -> Result<Told, CliError> {
        let stop = stop_signals()?;
        let borrowed = Borrowed::line(self.chosen, self.longest(), "line", &self.args.ways, self.common)?;
        let began = Instant::now();
        let mut progress = Progress::new();
        let mut evidence = self.nothing_known();
        let mut visitor = Visitor::open(&self.chosen.spec).map_err(unreachable)?;
        let rounds = self.args.rounds;
        for round in 0..rounds {
            for (device, unit, block) in self.questions() {
                still_ours(&stop, &borrowed, &mut progress)?;
                let done = f64::from(round) / f64::from(rounds);
                progress.at(done, &format!("unit {unit}"), self.longest().saturating_sub(began.elapsed()));
                let answered = visitor.ask(unit, block).map_err(unreachable)?;
                evidence.take(device, block, &answered);
                self.doubt_orders(&mut evidence, device, block, &answered);
            }
        }
        let mut hints = visitor.hints().to_vec();
        drop(visitor);
        self.look_elsewhere(&mut evidence, &mut progress, || {
            still_ours(&stop, &borrowed, &mut Progress::new())
        })?;
        progress.clear();
        drop(borrowed);
        // The echo is a finding of its own.
        hints.retain(|hint| !hint.contains("echo"));
        let findings = diagnose(&evidence);
        let mut told = Told::of(Source::Probe, self.chosen, self.site, self.load, findings, &evidence);
        told.hints = hints;
        told.demand =
            Some(told.devices.iter().flat_map(|device| &device.blocks).map(|block| block.demand).sum());
        Ok(told)
    }

    fn nothing_known(&self) -> Evidence {
        let devices = self.load.devices.iter().filter_map(|load| {
            let spec = self.site.devices.get(load.device.0)?;
            Some(DeviceEvidence::new(spec.id.clone(), spec.unit_id))
        });
        Evidence {
            medium: medium(&self.chosen.spec.port),
            settings: self.chosen.settings(),
            demand: Some(self.load.demand),
            devices: devices.collect(),
        }
    }

    /// Which device of the line, its unit, and each of its blocks: one round.
    fn questions(&self) -> Vec<(usize, u8, Block)> {
        let of_device = |(index, load): (usize, &modbus::DeviceLoad)| {
            let unit = self.site.devices.get(load.device.0).map(|spec| spec.unit_id);
            let blocks: Vec<Block> = load.blocks.iter().map(|block| block.block).collect();
            unit.into_iter()
                .flat_map(move |unit| blocks.clone().into_iter().map(move |block| (index, unit, block)))
        };
        self.load.devices.iter().enumerate().flat_map(of_device).collect()
    }

    fn longest(&self) -> Duration {
        let timeout = self.chosen.spec.response_timeout;
        let one = sweep::question_longest(self.chosen.settings().as_ref(), timeout) * 2;
        let questions = u32::try_from(self.questions().len()).unwrap_or(u32::MAX);
        let units = u32::try_from(self.load.devices.len()).unwrap_or(u32::MAX);
        let elsewhere = u32::try_from(self.other_settings().len()).unwrap_or(u32::MAX);
        one * questions * self.args.rounds + (one * units + timeout) * elsewhere + LOAN_SPARE
    }

    fn other_settings(&self) -> Vec<SerialSettings> {
        let Some(own) = self.chosen.settings() else { return Vec::new() };
        let mut bauds = vec![own.baud];
        bauds.extend(BAUDS.iter().filter(|baud| **baud != own.baud));
        sweep::settings(Some(own), &bauds, &Format::STANDARD).into_iter().skip(1).collect()
    }

    /// Looks for those who have said nothing under the speeds and formats of the standard.
    fn look_elsewhere(
        &self,
        evidence: &mut Evidence,
        progress: &mut Progress,
        go_on: impl Fn() -> Result<(), CliError>,
    ) -> Result<(), CliError> {
        for settings in self.other_settings() {
            let lost = |device: &DeviceEvidence| !device.tally.spoke() && device.elsewhere.is_none();
            if !evidence.devices.iter().any(lost) {
                return Ok(());
            }
            let spec = self.chosen.under(Some(settings));
            let mut visitor = Visitor::open(&spec).map_err(unreachable)?;
            for device in evidence.devices.iter_mut().filter(|device| lost(device)) {
                go_on()?;
                progress.at(1.0, &format!("unit {} elsewhere", device.unit), spec.response_timeout);
                let answered = visitor.ask(device.unit, sweep::PROBE).map_err(unreachable)?;
                if matches!(answered.reply, Reply::Registers(_) | Reply::Exception(_)) {
                    device.elsewhere = Some(settings);
                }
            }
        }
        Ok(())
    }

    fn doubt_orders(&self, evidence: &mut Evidence, device: usize, block: Block, answered: &Answered) {
        let Reply::Registers(words) = &answered.reply else { return };
        let Some(DeviceIndex(spec)) = self.load.devices.get(device).map(|load| load.device) else { return };
        let signals = self.site.devices.get(spec).map_or(&[][..], |spec| &spec.signals);
        let specs = signals.iter().filter_map(|index| self.site.signals.get(index.0));
        let within = specs.filter(|spec| Block::of(&spec.place).is_some_and(|place| block.contains(&place)));
        let Some(known) = evidence.devices.get_mut(device) else { return };
        for doubt in within.filter_map(|spec| order::doubt(spec, block.start, words)) {
            known.orders.retain(|earlier| earlier.signal != doubt.signal);
            known.orders.push(doubt);
        }
    }
}

/// Whether the line may still be asked: nobody has pressed Ctrl-C, and the daemon has not taken it back.
fn still_ours(stop: &Receiver<()>, borrowed: &Borrowed, progress: &mut Progress) -> Result<(), CliError> {
    let stopped = stop.try_recv().is_ok();
    let why = if stopped { Some("interrupted") } else { borrowed.is_over().then_some(OVER) };
    why.map_or(Ok(()), |why| {
        progress.clear();
        Err(CliError::Unreachable(why.to_owned()))
    })
}

fn unreachable(error: VisitError) -> CliError {
    CliError::Unreachable(error.to_string())
}

/// How the line is reached, in words.
fn port_text(chosen: &Chosen) -> String {
    target::port_text(&chosen.spec.port)
}
