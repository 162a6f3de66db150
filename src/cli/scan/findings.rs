//! What `siskin scan` has found, for people and for machines, and what the site file says otherwise.

use std::fmt::Write as _;
use std::io::Write;
use std::time::Duration;

use serde::Serialize;

use super::{Ended, Plan};
use crate::cli::target::Chosen;
use crate::cli::terminal::{count, hex};
use crate::cli::{CliError, Common, Outcome};
use crate::commission::format::{parity_word, settings_text};
use crate::config::SerialSettings;
use crate::view::words;

/// Bytes of a garbled answer that are shown.
const GARBLED_SHOWN_MAX: usize = 16;

/// Who was found.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Found {
    pub devices: Vec<Device>,
    pub garbled: Vec<Garbled>,
    pub notes: Vec<String>,
}

/// A unit that answers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Device {
    pub unit: u8,
    #[serde(flatten)]
    pub under: Under,
    pub response_ms: Option<f64>,
    /// What it says to the question for its first holding register.
    pub says: String,
    /// Answers that were garbled before the good one.
    pub garbled_before: u32,
}

/// A unit to whose question something came that is no answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Garbled {
    pub unit: u8,
    #[serde(flatten)]
    pub under: Under,
    /// The bytes that came, in hex.
    pub heard: String,
}

/// Under which settings; nothing over TCP.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Under {
    pub baud: Option<u32>,
    pub parity: Option<&'static str>,
    pub stop_bits: Option<u8>,
    #[serde(skip)]
    pub text: String,
}

impl Under {
    pub fn of(settings: Option<SerialSettings>) -> Under {
        Under {
            baud: settings.map(|settings| settings.baud),
            parity: settings.map(|settings| parity_word(settings.parity)),
            stop_bits: settings.map(|settings| settings.stop_bits),
            text: settings.as_ref().map_or_else(String::new, settings_text),
        }
    }
}

pub fn device_text(device: &Device) -> String {
    let mut text = format!("  unit {:>3}", device.unit);
    let _ = match &device.under.text {
        under if under.is_empty() => Ok(()),
        under => write!(text, "  {under:<10}"),
    };
    if let Some(response_ms) = device.response_ms {
        let _ = write!(text, "  answers after {response_ms:.1} ms");
    }
    let _ = write!(text, "  {}", device.says);
    if device.garbled_before > 0 {
        let _ = write!(text, "  ({} garbled before)", count_u32(device.garbled_before, "answer"));
    }
    text
}

pub fn garbled_text(garbled: &Garbled) -> String {
    format!(
        "  unit {:>3}  {:<10}  something is there: wrong settings, or two devices with this address (heard {})",
        garbled.unit, garbled.under.text, garbled.heard
    )
}

fn count_u32(number: u32, thing: &str) -> String {
    count(usize::try_from(number).unwrap_or(usize::MAX), thing)
}

/// The first of many bytes.
pub fn beginning(bytes: &[u8]) -> String {
    match bytes.get(..GARBLED_SHOWN_MAX) {
        Some(shown) if shown.len() < bytes.len() => format!("{} …", hex(shown)),
        _ => hex(bytes),
    }
}

/// All of it for machines.
#[derive(Serialize)]
struct Answer<'a> {
    line: &'a str,
    whole: bool,
    ended_early: Option<&'a str>,
    go_on_from: Option<String>,
    took_s: f64,
    #[serde(flatten)]
    found: &'a Found,
}

pub fn conclude(
    found: &Found,
    ended: &Ended,
    chosen: &Chosen,
    plan: &Plan,
    took: Duration,
    common: &Common,
    out: &mut dyn Write,
) -> Result<Outcome, CliError> {
    let (early, go_on_from) = match ended {
        Ended::Whole => (None, None),
        Ended::Early(step, cause) => (Some(cause.as_str()), plan.name(*step)),
    };
    if common.json {
        let (line, took_s) = (chosen.spec.id.as_str(), took.as_secs_f64());
        let answer = Answer { line, whole: early.is_none(), ended_early: early, go_on_from, took_s, found };
        writeln!(out, "{}", serde_json::to_string(&answer).map_err(std::io::Error::from)?)?;
    } else {
        tell(found, early, go_on_from.as_deref(), chosen, took, out)?;
    }
    Ok(if found.devices.is_empty() { Outcome::No } else { Outcome::Done })
}

fn tell(
    found: &Found,
    early: Option<&str>,
    go_on_from: Option<&str>,
    chosen: &Chosen,
    took: Duration,
    out: &mut dyn Write,
) -> Result<(), CliError> {
    writeln!(out, "\n{} found in {}.", count(found.devices.len(), "device"), words::duration(took))?;
    for note in found.notes.iter().chain(&against_the_site(found, chosen)) {
        writeln!(out, "* {note}")?;
    }
    if !found.garbled.is_empty() {
        let told = "Something was there that could not be understood. Where others answer well under the same \
                    settings, two devices have one address; otherwise the settings are wrong.";
        writeln!(out, "* {told}")?;
    }
    if found.devices.is_empty() && found.garbled.is_empty() && early.is_none() {
        writeln!(
            out,
            "Nobody answers. Look at the power of the devices, at A and B (swapped, they are as silent as \
             a cut wire), at the common; then at other speeds: --baud 1200,2400,4800,38400,57600,115200."
        )?;
    }
    if let (Some(cause), Some(from)) = (early, go_on_from) {
        writeln!(out, "The search ended early: {cause}. Go on with --from {from}.")?;
    }
    Ok(())
}

/// What the site file says otherwise.
fn against_the_site(found: &Found, chosen: &Chosen) -> Vec<String> {
    let (Some(site), Some(index)) = (&chosen.site, chosen.index) else { return Vec::new() };
    let own = Under::of(chosen.settings());
    let devices = || site.devices.iter().filter(|device| device.line.0 == index);
    let mut told = Vec::new();
    for device in &found.devices {
        match devices().find(|known| known.unit_id == device.unit) {
            None => told.push(format!("unit {} is not in the site file", device.unit)),
            Some(known) if (device.under.baud, device.under.parity) != (own.baud, own.parity) => {
                told.push(format!(
                    "{} (unit {}) answers under {}; the site file has {}",
                    known.id, device.unit, device.under.text, own.text
                ))
            }
            Some(_) => {}
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_garble_is_cut() {
        assert_eq!(beginning(&[1, 0xAB]), "01 AB");
        assert!(beginning(&[0; 40]).ends_with("00 …"));
    }
}
