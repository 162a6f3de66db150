//! `siskin calibration`: the function check of a device and what is recorded in it, over the control socket.
//!
//! It only tells siskin that a person works there. No valve is moved, and nothing is written to a device.

use std::io::Write;
use std::time::Duration;

use crate::cli::connect::{to_daemon, understood};
use crate::cli::operator::{Said, time};
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome, gas_test, sensor};
use crate::control::protocol::Request;
use crate::control::work::{BeginRequest, Done, EndRequest};
use crate::view::{Instant, Status, words};

/// Below the help.
pub const CAUTION: &str = "Calibration gas can hold enough H2S to kill, and its cylinder is under pressure: \
    follow the maker's manual, local codes and the site's permit to work, and wear a personal gas detector. \
    While a function check runs, siskin raises no alarm on the device's readings. \
    siskin is not a safety system, and writes nothing to the analyzer.";

/// `siskin calibration`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    step: Step,
}

#[derive(Debug, clap::Subcommand)]
enum Step {
    /// Begin before the first valve is turned: from now on no reading of the device is a measurement
    #[command(after_help = CAUTION)]
    Begin(Begin),
    /// Record what the device says of the calibration gas in its cell, as the mean of its last answers
    #[command(after_help = CAUTION)]
    Record(Box<gas_test::Record>),
    /// Show the last records of each signal: error, verdict, drift, gain
    Show(gas_test::Show),
    /// End when process gas flows again: the device's readings count once it has settled
    #[command(after_help = CAUTION)]
    End(End),
}

#[derive(Debug, clap::Args)]
struct Begin {
    /// Id of the device, as `siskin status` shows it
    #[arg(value_name = "DEVICE")]
    device: String,
    /// For how long at most, such as 30m or 2h; then it ends by itself, and an alarm tells of it
    #[arg(long = "for", value_name = "TIME", value_parser = time)]
    for_: Duration,
    /// What for, in a word or two
    #[arg(long, value_name = "TEXT", default_value = "calibration")]
    purpose: String,
    /// The device may be in function check already: this time takes the place of what is left
    #[arg(long)]
    again: bool,
    #[command(flatten)]
    said: Said,
}

#[derive(Debug, clap::Args)]
struct End {
    /// Id of the device
    #[arg(value_name = "DEVICE")]
    device: String,
    #[command(flatten)]
    said: Said,
}

/// Begins or ends.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let request = match &args.step {
        Step::Begin(begin) => begin.request(),
        Step::End(end) => end.request(),
        Step::Record(record) => record.request(),
        Step::Show(wanted) => return gas_test::show(wanted, common, out),
    };
    ask(&request, common, out)
}

impl Begin {
    fn request(&self) -> Request {
        Request::BeginFunctionCheck(BeginRequest {
            device: self.device.clone(),
            for_s: self.for_.as_secs(),
            purpose: self.purpose.clone(),
            again: self.again,
            said: (&self.said).into(),
        })
    }
}

impl End {
    fn request(&self) -> Request {
        let (device, said) = (self.device.clone(), (&self.said).into());
        Request::EndFunctionCheck(EndRequest { device, said })
    }
}

/// Asks the daemon for work on a device, and tells what became of it.
pub(super) fn ask(request: &Request, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let mut daemon = to_daemon(common)?;
    let answer = daemon.ask(request)?;
    let done: Done = understood(&answer)?;
    if common.json {
        writeln!(out, "{answer}")?;
    } else {
        // The time zone is the site's, and only the daemon may know the site.
        let status: Status = understood(&daemon.ask(&Request::Status {})?)?;
        let terminal = Terminal::of_stdout(&status.site.time_zone);
        let clock_time = |at| words::clock_time(at, status.time, &terminal.zone);
        writeln!(out, "{}: {}", done.subject, fate(&done, request, clock_time))?;
    }
    Ok(if done.done { Outcome::Done } else { Outcome::No })
}

/// What became of it, in words.
fn fate(done: &Done, request: &Request, clock_time: impl Fn(Instant) -> String) -> String {
    let until = done.until.map_or_else(|| "its time is over".to_owned(), &clock_time);
    if let Some(recorded) = &done.recorded {
        return gas_test::recorded_text(recorded);
    }
    if let Some(fitted) = sensor::fitted_text(done, &clock_time) {
        return fitted;
    }
    match &done.refused {
        Some(refused) => format!("refused: {}", refusal(refused, done, &until)),
        None if done.until.is_some() => {
            format!("in function check until {until}: none of its readings is a measurement")
        }
        None if matches!(request, Request::Note(_)) => "noted".to_owned(),
        None => "no longer in function check".to_owned(),
    }
}

fn refusal(refused: &str, done: &Done, until: &str) -> String {
    match refused {
        "unknown_device" => match &done.nearest {
            Some(nearest) => format!("no such device; is {nearest} meant?"),
            None => "no such device; `siskin status` shows them".to_owned(),
        },
        "already_in_function_check" => {
            let by = done.by.as_deref().unwrap_or("somebody");
            format!("{by} has it in function check until {until}; --again gives it a new time")
        }
        "not_in_function_check" => "it is not in function check".to_owned(),
        "too_long" => {
            let max = done.max_s.map(|seconds| words::duration(Duration::from_secs(seconds)));
            let max = max.unwrap_or_else(|| "its longest time".to_owned());
            format!("no function check of it may last longer than {max}; --again gives it more while it runs")
        }
        "no_sensor" => "the site file says nothing of its sensor: give it a [device.sensor] table".to_owned(),
        "not_yet" => "it cannot have been there since a time that is yet to come".to_owned(),
        other => gas_test::refusal_text(other, done).unwrap_or_else(|| other.replace('_', " ")),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn told(refused: Option<&str>, until: bool) -> String {
        let done = Done {
            subject: "h2s-1".to_owned(),
            done: refused.is_none(),
            until: until.then(|| Instant("2026-03-02T15:34:05Z".parse().unwrap())),
            refused: refused.map(str::to_owned),
            nearest: Some("h2s-1".to_owned()),
            by: Some("kim".to_owned()),
            max_s: Some(14_400),
            recorded: None,
            doubts: vec!["expired".to_owned()],
            have: Some(1),
            serial: None,
            settles_until: None,
        };
        let said = crate::control::work::Said::default();
        let request = Request::EndFunctionCheck(EndRequest { device: "h2s-1".to_owned(), said });
        fate(&done, &request, |_| "09:34:05".to_owned())
    }

    #[test]
    fn what_was_done_is_said_in_words() {
        assert_eq!(
            told(None, true),
            "in function check until 09:34:05: none of its readings is a measurement"
        );
        assert_eq!(told(None, false), "no longer in function check");
    }

    #[test]
    fn every_refusal_is_said_in_plain_words() {
        for (refused, expected) in [
            ("unknown_device", "no such device; is h2s-1 meant?"),
            ("already_in_function_check", "kim has it in function check until 09:34:05"),
            ("not_in_function_check", "it is not in function check"),
            ("too_long", "longer than 4 h"),
            ("unknown_signal", "the device has no such signal; is h2s-1 meant?"),
            ("no_range", "no span to compare with"),
            ("doubtful_gas", "the certificate of the gas has expired; --despite"),
            ("too_few_answers", "1 of the 3 answers"),
            ("no_sensor", "give it a [device.sensor] table"),
            ("not_yet", "a time that is yet to come"),
            ("some_day", "refused: some day"),
        ] {
            let told = told(Some(refused), true);
            assert!(told.starts_with("refused: ") && told.contains(expected), "{told}");
            assert!(!told.contains('_'), "a word for machines: {told}");
        }
    }
}
