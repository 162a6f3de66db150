//! From what is known of a line to what is probably wrong with it.
//!
//! [`diagnose`] is pure: evidence in, findings out, the weightiest first. Each finding says what it
//! rests on and what to look at. What is to be looked at on an RS-485 line is from Modbus over Serial
//! Line V1.02, sections 3.3 and 3.4; what a fault looks like in bytes follows from how characters and
//! frames are built (2.5.1), or is common practice where it says so.

use crate::commission::evidence::{DeviceEvidence, Evidence, Exchange, Medium};
use crate::commission::finding::{Cause, Finding};
use crate::commission::sweep::is_break;
use crate::modbus::{ANSWER_OVERHEAD_BYTES, crc_is_right};

/// Garbled answers are noise from this share of all that came, one in so many; a single one is no news.
const NOISE_ONE_IN: u64 = 20;
/// Fewer answers than this say nothing of a share.
const NOISE_ANSWERS_MIN: u64 = 5;
/// So many of the first bytes of an answer are known before it comes: unit, function, byte count.
const HEAD_BYTES: usize = 3;

/// What is probably wrong, the weightiest first; nothing when all is well.
pub fn diagnose(evidence: &Evidence) -> Vec<Finding> {
    let mut found = of_the_line(evidence);
    let dead = found.iter().any(|finding| finding.cause.silences_all());
    for (index, device) in evidence.devices.iter().enumerate() {
        found.extend(of_a_device(evidence, index, device, dead));
    }
    found.sort_by_key(|finding| finding.cause.rank());
    found
}

fn of_the_line(evidence: &Evidence) -> Vec<Finding> {
    let devices = &evidence.devices;
    let total = |count: fn(&DeviceEvidence) -> u64| devices.iter().map(count).sum::<u64>();
    let mut found = Vec::new();
    let echoes = total(|device| device.tally.echoes);
    if echoes > 0 {
        found.push(Finding::line(Cause::Echo, format!("{echoes} questions came back as they were sent")));
    }
    let unrest = total(|device| device.tally.unrest);
    if unrest > 0 {
        let why = format!("{unrest} questions could not be put, for the line was not silent for a second");
        found.push(Finding::line(Cause::NeverSilent, why));
    }
    let foreign = total(|device| device.tally.foreign);
    if foreign > 0 {
        let why = format!("{foreign} whole frames were heard of nobody who had been asked");
        found.push(Finding::line(Cause::AnotherMaster, why));
    }
    if let Some(demand) = evidence.demand.filter(|demand| *demand > 1.0) {
        let why = format!("the site asks for {:.0} % of what the line can carry", demand * 100.0);
        found.push(Finding::line(Cause::Overloaded, why));
    }
    found.extend(of_a_dead_line(evidence));
    found.extend(of_a_noisy_line(evidence));
    found
}

/// Nobody at all has answered.
fn of_a_dead_line(evidence: &Evidence) -> Option<Finding> {
    let devices = &evidence.devices;
    let asked = devices.iter().any(|device| device.tally.asked > 0);
    let anybody = devices.iter().any(|device| device.tally.spoke() || device.tally.gateway > 0);
    let elsewhere = devices.iter().any(|device| device.elsewhere.is_some());
    let came =
        devices.iter().any(|device| device.tally.garbled + device.tally.late + device.tally.unrest > 0);
    if !asked || anybody || elsewhere {
        return None;
    }
    let heard: Vec<&Exchange> = devices.iter().flat_map(|device| &device.exchanges).collect();
    let with_bytes: Vec<&&Exchange> = heard.iter().filter(|exchange| !exchange.heard.is_empty()).collect();
    if !with_bytes.is_empty() && with_bytes.iter().all(|exchange| is_break(&exchange.heard)) {
        let why =
            format!("zeros and nothing else followed {} of {} questions", with_bytes.len(), heard.len());
        return Some(Finding::line(Cause::HeldLow, why));
    }
    if !with_bytes.is_empty() && with_bytes.iter().all(|exchange| is_so_many_zeros(exchange)) {
        let why = "what comes has the length of an answer, and every byte of it fails the parity check";
        return Some(Finding::line(Cause::WrongParity, why.to_owned()));
    }
    (!came).then(|| {
        let why = match evidence.medium {
            Medium::Serial | Medium::DeviceServer => "not one byte came back",
            Medium::Network => "the connection stands, and nobody answers on it",
        };
        Finding::line(Cause::NothingHeard, why.to_owned())
    })
}

/// Damage that befalls more than one device is the line's.
fn of_a_noisy_line(evidence: &Evidence) -> Vec<Finding> {
    let devices = &evidence.devices;
    let mut found = Vec::new();
    let speaking = devices.iter().filter(|device| device.tally.answers > 0);
    let strays = speaking.clone().filter(|device| device.tally.strays * 2 >= device.tally.answers).count();
    if strays > 0 && strays == speaking.clone().count() {
        let why = "stray bytes stand beside the good answers of every device".to_owned();
        found.push(Finding::line(Cause::Floating, why));
    }
    let noisy: Vec<&str> =
        speaking.filter(|device| is_noisy(device)).map(|device| device.id.as_str()).collect();
    if noisy.len() > 1 {
        let why = format!("some answers of {} come damaged, others come whole", noisy.join(", "));
        found.push(Finding::line(Cause::Noise, why));
    }
    found
}

fn is_noisy(device: &DeviceEvidence) -> bool {
    let tally = &device.tally;
    let came = tally.answers + tally.garbled;
    tally.answers > 0
        && tally.garbled > 0
        && came >= NOISE_ANSWERS_MIN
        && tally.garbled * NOISE_ONE_IN >= came
}

/// What is wrong with one device; a device on a `dead` line only when its own bytes tell.
fn of_a_device(evidence: &Evidence, index: usize, device: &DeviceEvidence, dead: bool) -> Vec<Finding> {
    let tally = &device.tally;
    let tell = |cause, why: String| Finding::device(cause, &device.id, why);
    let mut found: Vec<Finding> = Vec::new();
    if let Some(settings) = device.elsewhere {
        let why = format!(
            "unit {} answers under {}",
            device.unit,
            crate::commission::format::settings_text(&settings)
        );
        found.push(tell(Cause::OtherSettings(settings), why));
    } else if tally.gateway > 0 && !tally.spoke() {
        found
            .push(tell(Cause::GatewaySilent, format!("the gateway gives up on it, {} times", tally.gateway)));
    } else if !tally.spoke() && tally.garbled > 0 && !dead {
        found.push(spoiled(device));
    } else if !tally.spoke() && tally.silent > 0 && tally.late == 0 && !dead {
        let why = format!("{} questions, no answer, while others on the line answer", tally.silent);
        found.push(tell(Cause::SilentDevice, why));
    } else if is_noisy(device) && evidence.devices.iter().filter(|it| is_noisy(it)).count() == 1 {
        let why = format!(
            "{} of {} answers came damaged; the other devices' are whole",
            tally.garbled,
            tally.garbled + tally.answers
        );
        found.push(tell(Cause::NoisyDevice, why));
    }
    if tally.twice > 0 {
        let why = format!("{} questions were answered more than once", tally.twice);
        found.push(tell(Cause::SameAddress, why));
    }
    if tally.late > 0 {
        let others = evidence.devices.iter().enumerate();
        let spoils = others.filter(|(other, device)| *other != index && is_spoiled(device)).count();
        let cause = if spoils > 0 { Cause::LateSpoils } else { Cause::TooSlow };
        found.push(tell(cause, format!("{} answers came after their time", tally.late)));
    }
    found.extend(refusals(device));
    let orders = device.orders.iter().map(|doubt| {
        let reads = doubt.reads.map_or_else(|| "no number".to_owned(), crate::view::words::number);
        let would: Vec<String> =
            doubt.would_read.iter().map(|(number, ..)| crate::view::words::number(*number)).collect();
        let why = format!("{} reads {reads}; in another order it reads {}", doubt.signal, would.join(" or "));
        let (word_order, byte_order) =
            doubt.would_read.first().map_or_else(Default::default, |(_, w, b)| (*w, *b));
        tell(Cause::WrongOrder { word_order, byte_order }, why)
    });
    found.extend(orders);
    found
}

/// Whether a device answers, but not always.
fn is_spoiled(device: &DeviceEvidence) -> bool {
    let tally = &device.tally;
    tally.garbled > 0 || (tally.spoke() && tally.silent > 0)
}

/// Every answer of a device is garbled: its bytes may tell why.
fn spoiled(device: &DeviceEvidence) -> Finding {
    let tell = |cause, why: String| Finding::device(cause, &device.id, why);
    let came: Vec<&Exchange> = device.exchanges.iter().filter(|it| !it.heard.is_empty()).collect();
    let lost: Vec<usize> = came.iter().filter_map(|exchange| beginning_lost(device.unit, exchange)).collect();
    if !came.is_empty() && lost.len() == came.len() {
        let most = lost.iter().max().copied().unwrap_or_default();
        let why = format!("with the first {most} bytes, which are known beforehand, its answers are whole");
        return tell(Cause::BeginningLost, why);
    }
    if !came.is_empty() && came.iter().all(|exchange| is_cut_short(device.unit, exchange)) {
        let why = "its answers begin well and end too early".to_owned();
        return tell(Cause::CutShort, why);
    }
    let why =
        format!("all of its {} answers came garbled, while other devices' are whole", device.tally.garbled);
    tell(Cause::SameAddress, why)
}

fn refusals(device: &DeviceEvidence) -> Vec<Finding> {
    let codes = device.tally.exceptions.iter().enumerate().filter(|(_, count)| **count > 0);
    let told = |(code, count): (usize, &u64)| {
        let cause = match code {
            1..=3 => Cause::Refuses,
            5 | 6 => Cause::Busy,
            _ => Cause::DeviceFault,
        };
        Finding::device(
            cause,
            &device.id,
            format!("{count} questions were answered with exception {code:02X}"),
        )
    };
    codes.map(told).collect()
}

/// Whether as many zeros came as the answer has bytes.
fn is_so_many_zeros(exchange: &Exchange) -> bool {
    exchange.heard.len() == answer_bytes(exchange) && exchange.heard.iter().all(|byte| *byte == 0)
}

/// Whether what came is the beginning of the answer, as far as it is known beforehand, and no more.
fn is_cut_short(unit: u8, exchange: &Exchange) -> bool {
    let known = exchange.heard.iter().zip(head(unit, exchange));
    exchange.heard.len() < answer_bytes(exchange) && known.into_iter().all(|(came, wanted)| *came == wanted)
}

/// How many first bytes of the answer are missing, if what came is the rest of it.
fn beginning_lost(unit: u8, exchange: &Exchange) -> Option<usize> {
    let head = head(unit, exchange);
    (1..=HEAD_BYTES).find(|lost| {
        let whole = [head.get(..*lost).unwrap_or_default(), &exchange.heard].concat();
        whole.len() == answer_bytes(exchange) && crc_is_right(&whole)
    })
}

fn head(unit: u8, exchange: &Exchange) -> [u8; HEAD_BYTES] {
    let data = u8::try_from(data_bytes(exchange)).unwrap_or(u8::MAX);
    [unit, exchange.block.table.function(), data]
}

fn data_bytes(exchange: &Exchange) -> usize {
    let count = usize::from(exchange.block.count);
    if exchange.block.table.is_registers() { count * 2 } else { count.div_ceil(8) }
}

fn answer_bytes(exchange: &Exchange) -> usize {
    data_bytes(exchange) + ANSWER_OVERHEAD_BYTES
}

#[cfg(test)]
#[path = "diagnosis_tests.rs"]
mod tests;
