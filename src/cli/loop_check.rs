//! `siskin loop-check`: register, current loop and display of an analyzer held against one another, as the
//! gas flows or over the points of the analyzer's own loop test, with the likely causes when they differ.
//!
//! siskin reads and reckons. A person sets the points at the analyzer; nothing is written to any device.

use std::io::Write;
use std::time::Duration;

use crate::cli::answers::Answers;
use crate::cli::connect::{to_daemon, understood};
use crate::cli::operator::{finite, time};
use crate::cli::site_file;
use crate::cli::terminal::{Terminal, aside};
use crate::cli::{CliError, Common, Outcome};
use crate::config::Site;
use crate::control::proof::ProofRequest;
use crate::control::protocol::Request;
use crate::control::work::{BeginRequest, Done, EndRequest, Said};
use crate::names::nearest;
use crate::proving::causes::{likely_causes, side};
use crate::proving::loop_check::{
    FULL_SCALE_MA, LIVE_ZERO_MA, Point, Subject, TOLERANCE_DEFAULT, WALK, current_of_share,
};
use crate::signal::{Scale, SignalSpec, device_id};
use crate::units::{Circumstances, Conversion, Substance, UNITS, Unit, conversion};

mod reading;
mod told;

use reading::{Gathered, gather};
use told::Checked;

/// Below the help.
pub const CAUTION: &str = "Tell the control room first: the loop may trip something, and whoever may do so bypasses it. \
    During a walk the analyzer, and the module that reads its loop, are in function check: no alarm comes of \
    them or of anything else on that module. Open no enclosure under power in a hazardous area. siskin is not a \
    safety system; the maker's manual, local codes and licensed practice stand above it.";

/// What is compared, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The signal of the analyzer's register, such as h2s-1.concentration
    #[arg(value_name = "SIGNAL")]
    signal: String,
    /// The signal of its loop, such as ai-1.h2s-loop
    #[arg(long = "loop", value_name = "SIGNAL")]
    loop_signal: String,
    /// Walk through 0, 25, 50, 75 and 100 % of the analyzer's own loop test, instead of what flows now. At each
    /// point an empty answer reads; `d=5.01` tells the display, `m=8.00` a meter in the loop in mA
    #[arg(long, conflicts_with_all = ["display", "meter"])]
    walk: bool,
    /// What the display shows now, in the unit of the site file
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, value_parser = finite)]
    display: Option<f64>,
    /// What a meter in the loop shows now, in mA
    #[arg(long, value_name = "MA", value_parser = finite)]
    meter: Option<f64>,
    /// How far things may lie apart, in % of the span
    #[arg(long, value_name = "PERCENT", default_value_t = TOLERANCE_DEFAULT * 100.0, value_parser = percent)]
    tolerance: f64,
    /// How many readings make a point
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=100))]
    readings: u8,
    /// For a walk: how long the function check lasts at most
    #[arg(long = "for", value_name = "TIME", default_value = "30m", value_parser = time)]
    for_: Duration,
    /// Your name, for the record
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// What you have to say about it, for the record
    #[arg(long, value_name = "TEXT")]
    remark: Option<String>,
}

fn percent(text: &str) -> Result<f64, String> {
    let percent = text.parse().ok().filter(|percent: &f64| *percent > 0.0 && *percent <= 100.0);
    percent.ok_or_else(|| "a number above 0 and up to 100".to_owned())
}

/// Compares, tells, and records.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let site = site_file::load(common.config())?;
    let (signal, loop_signal) = (known(&site, &args.signal)?, known(&site, &args.loop_signal)?);
    let subject = subject(&site, signal, loop_signal, args.tolerance / 100.0)?;
    let mut check = Check { args, common, signal, loop_signal, answers: Answers::of_stdin()? };
    let points = if args.walk { check.walk(&subject)? } else { Some(vec![check.flowing()?]) };
    let Some(points) = points else {
        aside("The walk was left before its end: nothing is recorded.");
        return Ok(Outcome::No);
    };
    let checked = Checked {
        signal: signal.id.clone(),
        loop_signal: loop_signal.id.clone(),
        unit: signal.unit.clone().unwrap_or_default(),
        verdict: subject.judge(&points),
        causes: likely_causes(&points, &subject),
        side: side(&points, &subject),
        subject,
        points,
    };
    if common.json {
        writeln!(out, "{}", checked.json())?;
    } else {
        let zone = site.time_zone.iana_name().unwrap_or("UTC").to_owned();
        checked.tell(&Terminal::of_stdout(&zone), out)?;
    }
    check.record(&checked)?;
    Ok(if checked.verdict.pass { Outcome::Done } else { Outcome::No })
}

/// A check under way.
struct Check<'a> {
    args: &'a Args,
    common: &'a Common,
    signal: &'a SignalSpec,
    loop_signal: &'a SignalSpec,
    answers: Answers,
}

impl Check<'_> {
    /// What flows now.
    fn flowing(&mut self) -> Result<Point, CliError> {
        let read = self.read()?;
        Ok(Point { display: self.args.display, meter_ma: self.args.meter, ..read })
    }

    /// The points of the walk; `None` when it was left. However it ends, the function checks do.
    fn walk(&mut self, subject: &Subject) -> Result<Option<Vec<Point>>, CliError> {
        aside(CAUTION);
        let mut begun = Vec::new();
        let walked = self.begin(&mut begun).and_then(|()| self.all_points(subject, &mut begun));
        let ended = begun.iter().map(|device| self.end(device)).collect::<Result<Vec<()>, CliError>>();
        let walked = walked?;
        ended.map(|_| walked)
    }

    fn all_points(
        &mut self,
        subject: &Subject,
        begun: &mut Vec<String>,
    ) -> Result<Option<Vec<Point>>, CliError> {
        let mut points = Vec::new();
        for ordered in WALK {
            let (milliamps, percent) = (current_of_share(ordered), ordered * 100.0);
            let value = subject.range.low + ordered * subject.span();
            let unit = self.signal.unit.as_deref().unwrap_or_default();
            aside(&format!(
                "Set {percent} % ({milliamps:.3} mA, {value} {unit}) at the analyzer's loop test and let it settle. Then \
                 Enter; with display and meter: d={value} m={milliamps:.2}"
            ));
            let Some((display, meter_ma)) = self.answered() else { return Ok(None) };
            // It may have run out while the person was at the analyzer.
            self.begin(begun)?;
            let read = self.read()?;
            if self.answers.is_stopped() {
                return Ok(None);
            }
            points.push(Point { ordered: Some(ordered), display, meter_ma, ..read });
        }
        Ok(Some(points))
    }

    /// Display and meter, as far as they are told; asks again when the answer is none.
    fn answered(&mut self) -> Option<(Option<f64>, Option<f64>)> {
        loop {
            let line = self.answers.next()?;
            match seen(&line) {
                Ok(seen) => return Some(seen),
                Err(why) => aside(&why),
            }
        }
    }

    fn read(&mut self) -> Result<Point, CliError> {
        let mut signals = [Gathered::of(&self.signal.id), Gathered::of(&self.loop_signal.id)];
        let poll_every = self.signal.poll_every.max(self.loop_signal.poll_every);
        // A connection that waited for the person may have been closed.
        let mut daemon = to_daemon(self.common)?;
        gather(&mut signals, usize::from(self.args.readings), poll_every, &mut daemon, &mut self.answers)?;
        let [register, current] = signals.map(|signal| signal.measured());
        let back = self.loop_signal.scale.map(|Scale { from, to }| Scale { from: to, to: from });
        let current_ma = current.map(|mut current| {
            if let Some(back) = back {
                current.mean = back.apply(current.mean);
                current.scatter *= ((back.to[1] - back.to[0]) / (back.from[1] - back.from[0])).abs();
            }
            current
        });
        Ok(Point { register, current_ma, ..Point::default() })
    }

    /// Takes the analyzer, and the module of its loop, into function check.
    fn begin(&self, begun: &mut Vec<String>) -> Result<(), CliError> {
        let mut devices: Vec<&str> = [self.signal, self.loop_signal].map(|spec| device_id(&spec.id)).to_vec();
        devices.dedup();
        for device in devices {
            let request = BeginRequest {
                device: device.to_owned(),
                for_s: self.args.for_.as_secs(),
                purpose: "loop check".to_owned(),
                again: false,
                said: self.said(),
            };
            let done: Done =
                understood(&to_daemon(self.common)?.ask(&Request::BeginFunctionCheck(request))?)?;
            match done.refused.as_deref() {
                None if begun.iter().any(|known| known == device) => {
                    aside(&format!("{device}: its function check had run out; it is begun again (--for)"));
                }
                None => begun.push(device.to_owned()),
                // Whoever began it ends it.
                Some("already_in_function_check") => {}
                Some(refused) => {
                    let why = refused.replace('_', " ");
                    return Err(CliError::BadInput(format!("{device}: no function check: {why}")));
                }
            }
        }
        Ok(())
    }

    fn end(&self, device: &str) -> Result<(), CliError> {
        let request = EndRequest { device: device.to_owned(), said: self.said() };
        let _: Done = understood(&to_daemon(self.common)?.ask(&Request::EndFunctionCheck(request))?)?;
        aside(&format!("{device}: no longer in function check"));
        Ok(())
    }

    fn record(&self, checked: &Checked) -> Result<(), CliError> {
        let request = ProofRequest {
            device: device_id(&self.signal.id).to_owned(),
            proof: checked.proof(),
            name: self.args.name.clone(),
            remark: self.args.remark.clone(),
        };
        let done: Done = understood(&to_daemon(self.common)?.ask(&Request::Proof(request))?)?;
        match done.refused {
            None => Ok(()),
            Some(refused) => {
                Err(CliError::Unreachable(format!("not recorded: {}", refused.replace('_', " "))))
            }
        }
    }

    fn said(&self) -> Said {
        Said { name: self.args.name.clone(), remark: self.args.remark.clone() }
    }
}

/// Display and meter in an answer such as `d=5.01 m=8.00`.
fn seen(line: &str) -> Result<(Option<f64>, Option<f64>), String> {
    let (mut display, mut meter) = (None, None);
    for word in line.split_whitespace() {
        let told =
            word.split_once('=').and_then(|(which, number)| Some((which, number.parse::<f64>().ok()?)));
        match told.filter(|(_, number)| number.is_finite()) {
            Some(("d", number)) => display = Some(number),
            Some(("m", number)) => meter = Some(number),
            Some(_) | None => {
                return Err(format!(
                    "{word:?} is neither d=NUMBER, the display, nor m=NUMBER, the meter in mA"
                ));
            }
        }
    }
    Ok((display, meter))
}

fn known<'a>(site: &'a Site, id: &str) -> Result<&'a SignalSpec, CliError> {
    let found = site.signals.iter().find(|signal| signal.id == id);
    found.ok_or_else(|| {
        let nearest = nearest(id, site.signals.iter().map(|signal| signal.id.as_str()));
        let nearest = nearest.map(|nearest| format!("; is {nearest} meant?")).unwrap_or_default();
        CliError::BadInput(format!("the site file has no signal {id:?}{nearest}"))
    })
}

fn subject(
    site: &Site,
    signal: &SignalSpec,
    loop_signal: &SignalSpec,
    tolerance: f64,
) -> Result<Subject, CliError> {
    let range = signal.range.ok_or_else(|| {
        CliError::BadInput(format!("{} has no `range` in the site file, so that there is no span", signal.id))
    })?;
    if loop_signal.current.is_none() {
        let message = format!("{} has no `current` in the site file: it is no current loop", loop_signal.id);
        return Err(CliError::BadInput(message));
    }
    // Milliamps without a scale, or to another unit, are not the site file's way to this range.
    let own = loop_signal.scale.filter(|_| loop_signal.unit == signal.unit);
    let scale = own.unwrap_or(Scale { from: [LIVE_ZERO_MA, FULL_SCALE_MA], to: [range.low, range.high] });
    let units = signal.unit.as_deref().and_then(Unit::parse).map_or_else(Vec::new, |own| ways_to(own, site));
    Ok(Subject { range, scale, tolerance, units })
}

/// The ways from every other unit to this one, whatever substance it may be of.
fn ways_to(own: &Unit, site: &Site) -> Vec<(String, Conversion)> {
    let mut ways: Vec<(String, Conversion)> = Vec::new();
    for unit in UNITS.iter().filter(|unit| unit.name != own.name) {
        let at = |substance| Circumstances { reference: site.gas_reference, substance, ambient_pa: None };
        match conversion(unit, own, &at(None)) {
            Ok(way) => ways.push((unit.name.to_owned(), way)),
            Err(_) => ways.extend(Substance::ALL.into_iter().filter_map(|substance| {
                let way = conversion(unit, own, &at(Some(substance))).ok()?;
                Some((format!("{} of {}", unit.name, substance.word()), way))
            })),
        }
    }
    // A unit that counts alike explains nothing.
    ways.retain(|(_, way)| *way != Conversion { factor: 1.0, offset: 0.0 });
    ways
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_a_person_sees_is_told_in_any_order_or_not_at_all() {
        assert_eq!(seen(""), Ok((None, None)));
        assert_eq!(seen("m=8.01 d=-5"), Ok((Some(-5.0), Some(8.01))));
        for wrong in ["5", "d=", "x=1", "d=nan"] {
            assert!(seen(wrong).is_err(), "{wrong}");
        }
    }
}
