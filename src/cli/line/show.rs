//! What `siskin line` tells, for people and for machines.

use std::io::{self, Write};
use std::time::Duration;

use serde::Serialize;

use crate::cli::CliError;
use crate::cli::target::Chosen;
use crate::cli::terminal::Terminal;
use crate::commission::evidence::{DeviceEvidence, Evidence};
use crate::commission::finding::Finding;
use crate::config::Site;
use crate::modbus::LineLoad;
use crate::view;

/// Upper ends of the bars of response times, in ms; what is slower has a bar of its own.
const BARS_MS: [f64; 9] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
/// Marks of the longest bar.
const BAR_MARKS_MAX: usize = 30;

/// Where it is known from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// What a running daemon has counted.
    Daemon,
    /// Questions put just now.
    Probe,
}

/// Everything that is told.
#[derive(Debug, Serialize)]
pub struct Told {
    pub line: String,
    pub port: String,
    pub from: Source,
    /// What the site asks as a share of what the line can carry.
    pub demand: Option<f64>,
    /// Share of the time in use lately; only a daemon knows it.
    pub load: Option<f64>,
    pub devices: Vec<Device>,
    pub hints: Vec<String>,
    pub findings: Vec<ToldFinding>,
}

#[derive(Debug, Serialize)]
pub struct Device {
    pub id: String,
    pub unit: u8,
    pub asked: u64,
    pub answers: u64,
    pub silent: u64,
    pub garbled: u64,
    pub refused: u64,
    pub late: u64,
    pub response: Option<Response>,
    /// How many answers took at most so many milliseconds, and more than the one before.
    pub histogram: Vec<Bar>,
    pub blocks: Vec<Block>,
    /// The response time that the blocks are reckoned with, where the site file does not tell it.
    #[serde(skip)]
    assumed_ms: Option<f64>,
}

/// Response times, in ms.
#[derive(Debug, Serialize)]
pub struct Response {
    pub min_ms: f64,
    pub median_ms: f64,
    pub p99_ms: f64,
}

#[derive(Debug, Serialize)]
pub struct Bar {
    /// `None`: longer than the longest.
    pub up_to_ms: Option<f64>,
    pub answers: usize,
}

/// What one block costs.
#[derive(Debug, Serialize)]
pub struct Block {
    pub block: String,
    pub every_s: f64,
    /// How long one question keeps the line.
    pub cost_ms: f64,
    /// Its share of what the line can carry.
    pub demand: f64,
}

#[derive(Debug, Serialize)]
pub struct ToldFinding {
    pub cause: &'static str,
    pub device: Option<String>,
    pub sentence: &'static str,
    pub why: String,
    pub look_at: &'static [&'static str],
}

impl Told {
    /// What is known by now.
    pub fn of(
        from: Source,
        chosen: &Chosen,
        site: &Site,
        load: &LineLoad,
        findings: Vec<Finding>,
        evidence: &Evidence,
    ) -> Told {
        Told {
            line: chosen.spec.id.clone(),
            port: super::port_text(chosen),
            from,
            demand: evidence.demand.or(Some(load.demand)),
            load: None,
            devices: evidence.devices.iter().map(|device| Device::of(device, site, load)).collect(),
            hints: Vec::new(),
            findings: findings.into_iter().map(ToldFinding::of).collect(),
        }
    }

    /// Takes over what only a daemon knows.
    pub fn take_status(&mut self, line: Option<&view::Line>, devices: &[view::Device]) {
        self.load = line.and_then(|line| line.load);
        self.hints = line.and_then(|line| line.hints.clone()).unwrap_or_default();
        for told in &mut self.devices {
            let known = devices.iter().find(|device| device.id == told.id);
            told.response = known.and_then(|device| device.response).map(|spread| Response {
                min_ms: spread.min_ms,
                median_ms: spread.p50_ms,
                p99_ms: spread.p99_ms,
            });
            told.reckon_as_measured();
        }
    }
}

impl Device {
    fn of(device: &DeviceEvidence, site: &Site, load: &LineLoad) -> Device {
        let tally = &device.tally;
        let named = |index: usize| site.devices.get(index).is_some_and(|spec| spec.id == device.id);
        let own = || load.devices.iter().filter(|load| named(load.device.0));
        let blocks = own().flat_map(|load| &load.blocks);
        let assumed = own().find(|load| load.turnaround_assumed).map(|load| load.turnaround);
        let sorted = sorted_ms(&device.responses);
        let mut told = Device {
            id: device.id.clone(),
            unit: device.unit,
            asked: tally.asked,
            answers: tally.answers,
            silent: tally.silent + tally.unrest,
            garbled: tally.garbled,
            refused: tally.refusals() + tally.gateway,
            late: tally.late,
            response: response(&sorted),
            histogram: histogram(&sorted),
            blocks: blocks
                .map(|block| Block {
                    block: block.block.to_string(),
                    every_s: block.period.as_secs_f64(),
                    cost_ms: block.cost.as_secs_f64() * 1e3,
                    demand: block.demand(),
                })
                .collect(),
            assumed_ms: assumed.map(|assumed| assumed.as_secs_f64() * 1e3),
        };
        told.reckon_as_measured();
        told
    }

    /// What its blocks cost with the response time that it has shown, instead of an assumed one.
    fn reckon_as_measured(&mut self) {
        let (Some(assumed_ms), Some(response)) = (self.assumed_ms, &self.response) else { return };
        for block in &mut self.blocks {
            block.cost_ms += response.median_ms - assumed_ms;
            block.demand = block.cost_ms / 1e3 / block.every_s;
        }
        self.assumed_ms = Some(response.median_ms);
    }
}

impl ToldFinding {
    fn of(finding: Finding) -> ToldFinding {
        ToldFinding {
            cause: finding.cause.word(),
            device: finding.device,
            sentence: finding.cause.sentence(),
            why: finding.why,
            look_at: finding.cause.look_at(),
        }
    }
}

fn sorted_ms(responses: &[Duration]) -> Vec<f64> {
    let mut sorted: Vec<f64> = responses.iter().map(|response| response.as_secs_f64() * 1e3).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// Quantiles of the nearest rank.
fn response(sorted: &[f64]) -> Option<Response> {
    let at = |percent: usize| sorted.get((sorted.len() * percent).div_ceil(100).max(1) - 1).copied();
    Some(Response { min_ms: *sorted.first()?, median_ms: at(50)?, p99_ms: at(99)? })
}

fn histogram(sorted: &[f64]) -> Vec<Bar> {
    let mut bars: Vec<Bar> = BARS_MS.iter().map(|end| Bar { up_to_ms: Some(*end), answers: 0 }).collect();
    bars.push(Bar { up_to_ms: None, answers: 0 });
    for response in sorted {
        let bar = BARS_MS.iter().position(|end| response <= end).unwrap_or(BARS_MS.len());
        bars[bar].answers += 1;
    }
    bars.retain(|bar| bar.answers > 0);
    bars
}

/// Tells it.
pub fn tell(told: &Told, json: bool, out: &mut dyn Write) -> Result<(), CliError> {
    if json {
        writeln!(out, "{}", serde_json::to_string(told).map_err(io::Error::from)?)?;
        return Ok(());
    }
    let terminal = Terminal::of_stdout("UTC");
    let from = match told.from {
        Source::Daemon => "as the running daemon has counted since it started",
        Source::Probe => "asked just now",
    };
    writeln!(out, "Line {}, {}: {from}", told.line, told.port)?;
    tell_load(told, out)?;
    tell_devices(told, out)?;
    for hint in &told.hints {
        writeln!(out, "* {hint}")?;
    }
    tell_findings(told, &terminal, out)?;
    Ok(())
}

fn tell_load(told: &Told, out: &mut dyn Write) -> io::Result<()> {
    let load = told
        .load
        .map_or_else(String::new, |load| format!("; in use {:.0} % of the last minute", load * 100.0));
    let demand = told.demand.unwrap_or_default() * 100.0;
    writeln!(out, "The site asks for {demand:.0} % of what it can carry{load}.")
}

fn tell_devices(told: &Told, out: &mut dyn Write) -> io::Result<()> {
    let width = told.devices.iter().map(|device| device.id.chars().count()).max().unwrap_or(0).max(6);
    writeln!(
        out,
        "\n  {:width$}  unit  asked  answers  silent  garbled  refused  late  response: min  median     99 %",
        "device"
    )?;
    for device in &told.devices {
        let ms = |ms: Option<f64>| ms.map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1} ms"));
        let response = device.response.as_ref();
        writeln!(
            out,
            "  {:width$}  {:>4}  {:>5}  {:>7}  {:>6}  {:>7}  {:>7}  {:>4}  {:>13}  {:>8}  {:>7}",
            device.id,
            device.unit,
            device.asked,
            device.answers,
            device.silent,
            device.garbled,
            device.refused,
            device.late,
            ms(response.map(|response| response.min_ms)),
            ms(response.map(|response| response.median_ms)),
            ms(response.map(|response| response.p99_ms)),
        )?;
    }
    for device in &told.devices {
        writeln!(out, "\n  {}", device.id)?;
        for block in &device.blocks {
            writeln!(
                out,
                "    {:<16}  every {} s  keeps the line {:.1} ms, {:.1} % of what it can carry",
                block.block,
                block.every_s,
                block.cost_ms,
                block.demand * 100.0
            )?;
        }
        tell_histogram(&device.histogram, out)?;
    }
    Ok(())
}

fn tell_histogram(bars: &[Bar], out: &mut dyn Write) -> io::Result<()> {
    let most = bars.iter().map(|bar| bar.answers).max().unwrap_or(1).max(1);
    bars.iter().try_for_each(|bar| {
        let end = bar.up_to_ms.map_or_else(|| "longer".to_owned(), |end| format!("to {end} ms"));
        let marks = "#".repeat((bar.answers * BAR_MARKS_MAX).div_ceil(most));
        writeln!(out, "    {end:>10}  {marks} {}", bar.answers)
    })
}

fn tell_findings(told: &Told, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
    if told.findings.is_empty() {
        return writeln!(out, "\nNothing seems wrong.");
    }
    writeln!(out, "\nProbably wrong, the weightiest first:")?;
    for finding in &told.findings {
        let whose = finding.device.as_ref().map_or_else(String::new, |device| format!("{device}: "));
        writeln!(out)?;
        let mut lines = terminal.wrap(2, &format!("{whose}{}", finding.sentence));
        lines.extend(terminal.wrap(4, &format!("Why: {}.", finding.why)));
        for look_at in finding.look_at {
            let mut wrapped = terminal.wrap(8, look_at);
            if let Some(first) = wrapped.first_mut() {
                *first = format!("      - {}", first.trim_start());
            }
            lines.extend(wrapped);
        }
        for line in lines {
            writeln!(out, "{line}")?;
        }
    }
    writeln!(out, "\nWiring is for those who may: isolate, and follow local rules and the makers' manuals.")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn response_times_are_told_by_rank_and_by_bars_that_are_not_empty() {
        let sorted = sorted_ms(&[30, 1, 4, 4, 2000].map(Duration::from_millis));
        let response = response(&sorted).unwrap();
        assert_eq!((response.min_ms, response.median_ms, response.p99_ms), (1.0, 4.0, 2000.0));
        let bars: Vec<(Option<f64>, usize)> =
            histogram(&sorted).iter().map(|bar| (bar.up_to_ms, bar.answers)).collect();
        assert_eq!(bars, [(Some(2.0), 1), (Some(5.0), 2), (Some(50.0), 1), (None, 1)]);
        assert!(super::response(&[]).is_none());
    }

    #[test]
    fn a_block_costs_what_the_device_takes_and_not_what_was_assumed_of_it() {
        let block = Block { block: "input 0".to_owned(), every_s: 2.0, cost_ms: 50.0, demand: 0.025 };
        let response = response(&sorted_ms(&[Duration::from_millis(320)]));
        let mut device = Device {
            id: "h2s-1".to_owned(),
            unit: 1,
            asked: 1,
            answers: 1,
            silent: 0,
            garbled: 0,
            refused: 0,
            late: 0,
            response,
            histogram: Vec::new(),
            blocks: vec![block],
            assumed_ms: Some(20.0),
        };
        device.reckon_as_measured();
        device.reckon_as_measured();
        let Block { cost_ms, demand, .. } = device.blocks[0];
        assert!((cost_ms - 350.0).abs() < 1e-9 && (demand - 0.175).abs() < 1e-9, "{cost_ms} {demand}");
    }
}
