//! `siskin sensor`: records a new sensor in a device, and tells how the present one fares, over the control
//! socket.
//!
//! It changes siskin's own record. Nothing is written to a device.

use std::io::{self, Write};
use std::time::Duration;

use jiff::civil::Date;

use crate::cli::calibration::ask;
use crate::cli::connect::{to_daemon, understood};
use crate::cli::operator::{Said, time};
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome};
use crate::config;
use crate::control::protocol::Request;
use crate::control::sensor::SensorRequest;
use crate::control::work::Done;
use crate::view::{Device, Instant, Sensor, Status, words};

/// Below the help.
pub const CAUTION: &str = "A sensor sits in gas under pressure, and a spent one may hold poison: change it \
    by the maker's manual, local codes and the site's permit to work, and wear a personal gas detector. \
    Begin a function check before, calibrate after. \
    siskin is not a safety system, and writes nothing to the analyzer.";

/// `siskin sensor`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Record a new sensor: its life, exposure and drift begin anew, and its signal is no measurement until
    /// it has settled
    #[command(after_help = CAUTION)]
    Change(Change),
    /// Show age, life, exposure and drift
    Show(Show),
}

#[derive(Debug, clap::Args)]
struct Change {
    /// Id of the device, as `siskin status` shows it
    #[arg(value_name = "DEVICE")]
    device: String,
    /// What stands on the new sensor
    #[arg(long, value_name = "TEXT")]
    serial: String,
    /// How long it lay open to air until it was in place, such as 10m
    #[arg(long, value_name = "TIME", value_parser = time)]
    open_to_air: Option<Duration>,
    /// How long it settles, such as 2h, or 0s [default: as the site file says; none with --since]
    #[arg(long, value_name = "TIME", value_parser = settling)]
    settle: Option<Duration>,
    /// The day on which it was put in, such as 2026-01-31, where siskin only now learns of it
    #[arg(long, value_name = "DATE")]
    since: Option<Date>,
    #[command(flatten)]
    said: Said,
}

#[derive(Debug, clap::Args)]
struct Show {
    /// Id of the device [default: every device with a sensor in the site file]
    #[arg(value_name = "DEVICE")]
    device: Option<String>,
}

/// Records or shows.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    match &args.step {
        Step::Change(change) => {
            let since = change.since.map(|day| beginning(day, common)).transpose()?;
            ask(&change.request(since), common, out)
        }
        Step::Show(wanted) => show(wanted, common, out),
    }
}

impl Change {
    fn request(&self, since: Option<Instant>) -> Request {
        Request::ChangeSensor(SensorRequest {
            device: self.device.clone(),
            serial: self.serial.clone(),
            open_to_air_s: self.open_to_air.map(|open| open.as_secs()),
            settle_s: self.settle.map(|settle| settle.as_secs()),
            since,
            said: (&self.said).into(),
        })
    }
}

fn settling(text: &str) -> Result<Duration, String> {
    config::duration(text).map_or_else(|| time(text), Ok)
}

/// When a day begins at the site.
fn beginning(day: Date, common: &Common) -> Result<Instant, CliError> {
    let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
    let zone = Terminal::of_stdout(&status.site.time_zone).zone;
    let beginning = day.to_zoned_datetime(zone);
    beginning
        .map(|at| Instant(at.timestamp()))
        .map_err(|error| CliError::BadInput(format!("--since {day}: {error}")))
}

/// What was recorded of a new sensor, in words; `None` when it was something else.
pub fn fitted_text(done: &Done, clock_time: impl Fn(Instant) -> String) -> Option<String> {
    let serial = done.serial.as_ref()?;
    let settles = done.settles_until.map_or_else(String::new, |until| {
        format!(" its signal is no measurement until {}, while it settles;", clock_time(until))
    });
    Some(format!(
        "sensor {serial} is on record:{settles} what was calibrated before it tells nothing of it, \
         have it calibrated and recorded as left"
    ))
}

fn show(args: &Show, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
    if let Some(unknown) = args.device.as_ref().filter(|wanted| !knows(&status, wanted)) {
        writeln!(out, "{unknown}: no such device; `siskin status` shows them")?;
        return Ok(Outcome::No);
    }
    let wanted = |device: &&Device| args.device.as_ref().is_none_or(|wanted| *wanted == device.id);
    let of = |device: &Device| Some((device.id.clone(), device.sensor.clone()?));
    let sensors: Vec<(String, Sensor)> = status.devices.iter().filter(wanted).filter_map(of).collect();
    if common.json {
        let told: serde_json::Map<String, serde_json::Value> = sensors
            .iter()
            .map(|(device, sensor)| Ok((device.clone(), serde_json::to_value(sensor)?)))
            .collect::<Result<_, serde_json::Error>>()
            .map_err(io::Error::from)?;
        serde_json::to_writer_pretty(&mut *out, &told).map_err(io::Error::from)?;
        writeln!(out)?;
    } else {
        tell(&sensors, &status, out)?;
    }
    Ok(if sensors.is_empty() { Outcome::No } else { Outcome::Done })
}

fn knows(status: &Status, device: &str) -> bool {
    status.devices.iter().any(|known| known.id == device)
}

fn tell(sensors: &[(String, Sensor)], status: &Status, out: &mut dyn Write) -> io::Result<()> {
    if sensors.is_empty() {
        return writeln!(
            out,
            "The site file says nothing of a sensor: a device tells of it in [device.sensor]."
        );
    }
    let zone = Terminal::of_stdout(&status.site.time_zone).zone;
    for (device, sensor) in sensors {
        writeln!(out, "{device}, the sensor of {}", sensor.signal)?;
        for (what, text) in words::sensor_facts(sensor, &zone) {
            writeln!(out, "  {what:<9} {text}")?;
        }
    }
    Ok(())
}
