//! What was read, for people and for machines.

use std::io::{self, Write};

use serde::Serialize;

use crate::cli::terminal::hex;
use crate::cli::{CliError, Outcome};
use crate::commission::meaning::{self, Fit, Meaning, Shown};
use crate::commission::reference::{Comparison, Reference};
use crate::modbus::plan::Block;
use crate::modbus::{Answered, Reply};
use crate::signal::{Answer, Order, SignalSpec, Value, ValueType, assess, decode};
use crate::view::words;

/// Of more registers than this only single ones are shown, and what fits; there would be too much to
/// see anything.
const WIDE_REGISTERS_MAX: usize = 8;

/// A question and what came of it.
pub struct Asked<'a> {
    pub who: &'a str,
    pub port: String,
    pub unit: u8,
    pub block: Block,
    pub signal: Option<&'a SignalSpec>,
    pub answered: &'a Answered,
}

/// What it is compared with.
pub struct Wanted {
    pub expect: Option<Shown>,
    pub reference: Option<Reference>,
    pub tolerance: Option<f64>,
}

/// Everything that is told.
#[derive(Serialize)]
struct Told {
    unit: u8,
    table: &'static str,
    address: u16,
    response_ms: Option<f64>,
    /// `registers`, `bits`, `exception`, `silence`, `garbled` or `unrest`.
    reply: &'static str,
    registers: Option<Vec<u16>>,
    bits: Option<Vec<bool>>,
    exception: Option<u8>,
    heard: Option<String>,
    meanings: Vec<ToldMeaning>,
    fits: Vec<ToldFit>,
    signal: Option<ToldSignal>,
}

#[derive(Serialize)]
struct ToldMeaning {
    address: u16,
    r#type: &'static str,
    word_order: &'static str,
    byte_order: &'static str,
    value: Option<f64>,
}

#[derive(Serialize)]
struct ToldFit {
    #[serde(flatten)]
    meaning: ToldMeaning,
    decimals: u8,
    site_file: Vec<String>,
}

#[derive(Serialize)]
struct ToldSignal {
    id: String,
    value: Option<f64>,
    unit: Option<String>,
    state: Option<String>,
    reasons: Vec<&'static str>,
    reference: Option<f64>,
    error: Option<f64>,
    error_percent_of_span: Option<f64>,
    within_tolerance: Option<bool>,
}

/// Tells it. The answer is no when there is none, when nothing fits what is expected, and when the signal
/// lies further from the reference than it may.
pub fn tell(asked: &Asked, wanted: &Wanted, json: bool, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let block = asked.block;
    let words: &[u16] = match &asked.answered.reply {
        Reply::Registers(words) => words,
        Reply::Bits(_) | Reply::Exception(_) | Reply::Silence | Reply::Garbled | Reply::Unrest => &[],
    };
    let meanings = meaning::meanings(block.table, block.start, words);
    let fits = wanted.expect.map(|shown| meaning::fits(&meanings, &shown));
    let signal = asked.signal.map(|spec| signal(spec, asked, wanted)).transpose()?.flatten();
    if json {
        let told = told(asked, &meanings, fits.as_deref().unwrap_or_default(), signal.as_ref());
        writeln!(out, "{}", serde_json::to_string(&told).map_err(io::Error::from)?)?;
    } else {
        tell_words(asked, &meanings, fits.as_deref(), signal.as_ref(), out)?;
    }
    let answered = matches!(asked.answered.reply, Reply::Registers(_) | Reply::Bits(_));
    let fitting = fits.is_none_or(|fits| !fits.is_empty());
    let within = signal.is_none_or(|signal| signal.within != Some(false));
    Ok(if answered && fitting && within { Outcome::Done } else { Outcome::No })
}

/// The signal as the site file reads it.
struct Signal<'a> {
    spec: &'a SignalSpec,
    value: Option<Value>,
    reasons: Vec<crate::signal::Reason>,
    comparison: Option<Comparison>,
    within: Option<bool>,
}

fn signal<'a>(spec: &'a SignalSpec, asked: &Asked, wanted: &Wanted) -> Result<Option<Signal<'a>>, CliError> {
    let answer = match &asked.answered.reply {
        Reply::Registers(words) => Answer::Registers(words),
        Reply::Bits(bits) => Answer::Bits(bits),
        Reply::Exception(_) | Reply::Silence | Reply::Garbled | Reply::Unrest => return Ok(None),
    };
    let Some(raw) = decode(&spec.place, asked.block.start, answer) else { return Ok(None) };
    let (value, reasons) = assess(spec, raw);
    let comparison = match (wanted.reference, value) {
        (Some(reference), Some(Value::Number(number))) => {
            Some(reference.compare(number, spec.range).ok_or_else(|| {
                CliError::BadInput(format!(
                    "{} has no `range`, so that a loop current says nothing of it",
                    spec.id
                ))
            })?)
        }
        _ => None,
    };
    let within = match (wanted.tolerance, comparison) {
        (Some(tolerance), Some(comparison)) => {
            let of_span = comparison.error_percent_of_span.ok_or_else(|| {
                CliError::BadInput(format!(
                    "{} has no `range`, so that it has no span for --tolerance",
                    spec.id
                ))
            })?;
            Some(of_span.abs() <= tolerance)
        }
        (Some(_), None) if wanted.reference.is_some() => Some(false),
        _ => None,
    };
    Ok(Some(Signal { spec, value, reasons: reasons.iter().collect(), comparison, within }))
}

fn told(asked: &Asked, meanings: &[Meaning], fits: &[Fit], signal: Option<&Signal>) -> Told {
    let (mut registers, mut bits, mut exception) = (None, None, None);
    let reply = match &asked.answered.reply {
        Reply::Registers(words) => {
            registers = Some(words.clone());
            "registers"
        }
        Reply::Bits(given) => {
            bits = Some(given.clone());
            "bits"
        }
        Reply::Exception(code) => {
            exception = Some(*code);
            "exception"
        }
        Reply::Silence => "silence",
        Reply::Garbled => "garbled",
        Reply::Unrest => "unrest",
    };
    let bytes = &asked.answered.heard.bytes;
    Told {
        unit: asked.unit,
        table: asked.block.table.word(),
        address: asked.block.start,
        response_ms: asked.answered.response.map(|response| response.as_secs_f64() * 1e3),
        reply,
        registers,
        bits,
        exception,
        heard: (reply == "garbled").then(|| hex(bytes)),
        meanings: meanings.iter().map(told_meaning).collect(),
        fits: fits.iter().map(told_fit).collect(),
        signal: signal.map(told_signal),
    }
}

fn told_meaning(meaning: &Meaning) -> ToldMeaning {
    ToldMeaning {
        address: meaning.place.address,
        r#type: meaning.place.value_type.word(),
        word_order: order_word(meaning.place.word_order),
        byte_order: order_word(meaning.place.byte_order),
        value: Some(meaning.number).filter(|number| number.is_finite()),
    }
}

fn told_fit(fit: &Fit) -> ToldFit {
    ToldFit { meaning: told_meaning(&fit.meaning), decimals: fit.decimals, site_file: fit.site_lines() }
}

fn told_signal(signal: &Signal) -> ToldSignal {
    let number = signal.value.and_then(Value::number);
    let state = signal.value.and_then(|value| signal.spec.states.of(value)).map(str::to_owned);
    let comparison = signal.comparison;
    ToldSignal {
        id: signal.spec.id.clone(),
        value: number,
        unit: signal.spec.unit.clone(),
        state,
        reasons: signal.reasons.iter().map(|reason| reason.word()).collect(),
        reference: comparison.map(|it| it.reference),
        error: comparison.map(|it| it.error),
        error_percent_of_span: comparison.and_then(|it| it.error_percent_of_span),
        within_tolerance: signal.within,
    }
}

const fn order_word(order: Order) -> &'static str {
    match order {
        Order::HighFirst => "high_first",
        Order::LowFirst => "low_first",
    }
}

fn tell_words(
    asked: &Asked,
    meanings: &[Meaning],
    fits: Option<&[Fit]>,
    signal: Option<&Signal>,
    out: &mut dyn Write,
) -> io::Result<()> {
    let response = asked
        .answered
        .response
        .map_or_else(String::new, |response| format!(", after {:.1} ms", response.as_secs_f64() * 1e3));
    writeln!(out, "{} on {}: {}{response}", asked.who, asked.port, asked.block)?;
    match &asked.answered.reply {
        Reply::Registers(words) => {
            tell_registers(asked.block.start, words, out)?;
            if words.len() <= WIDE_REGISTERS_MAX {
                tell_wide(meanings, fits.unwrap_or_default(), out)?;
            }
        }
        Reply::Bits(bits) => tell_bits(asked.block.start, bits, out)?,
        Reply::Exception(code) => {
            writeln!(out, "  It answers with exception {code:02X}: {}.", exception_text(*code))?
        }
        Reply::Silence => {
            writeln!(out, "  No answer. `siskin scan` tells who is there, and under which settings.")?
        }
        Reply::Garbled => {
            let heard = hex(&asked.answered.heard.bytes);
            writeln!(out, "  Something came, but no answer: {heard}")?;
            writeln!(
                out,
                "  Wrong settings, two devices with one address, or noise: `siskin line` looks closer."
            )?;
        }
        Reply::Unrest => {
            writeln!(out, "  The line is never silent: another master, or a device that talks without end.")?
        }
    }
    if let Some(signal) = signal {
        tell_signal(signal, out)?;
    }
    fits.map_or(Ok(()), |fits| tell_fits(fits, out))
}

fn tell_registers(start: u16, words: &[u16], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "\n  address  hex   bits                 unsigned  signed  text")?;
    for (address, word) in (start..=u16::MAX).zip(words) {
        let bits = [12, 8, 4, 0].map(|shift| format!("{:04b}", word >> shift & 0xF)).join(" ");
        let text = meaning::text(&[*word]);
        writeln!(out, "  {address:>7}  {word:04X}  {bits}  {word:>8}  {:>6}  {text}", word.cast_signed())?;
    }
    Ok(())
}

/// Values wider than a register, and single ones with their bytes swapped.
fn tell_wide(meanings: &[Meaning], fits: &[Fit], out: &mut dyn Write) -> io::Result<()> {
    let columns = ["as it stands", "words swapped", "bytes swapped", "both swapped"];
    let [a, b, c, d] = columns;
    writeln!(out, "\n  address  type  {a:>22}  {b:>22}  {c:>22}  {d:>22}")?;
    let mut rows: Vec<(u16, ValueType)> =
        meanings.iter().map(|meaning| (meaning.place.address, meaning.place.value_type)).collect();
    rows.dedup();
    for (address, value_type) in rows {
        let cell = |word_order, byte_order| {
            let meant = meanings.iter().find(|meaning| {
                let place = meaning.place;
                (place.address, place.value_type) == (address, value_type)
                    && (place.word_order, place.byte_order) == (word_order, byte_order)
            });
            let fit = meant.is_some_and(|meant| fits.iter().any(|fit| fit.meaning == *meant));
            let number = meant.map_or_else(String::new, |meant| number_text(meant.number, value_type));
            if fit { format!("→ {number}") } else { number }
        };
        let (high, low) = (Order::HighFirst, Order::LowFirst);
        let cells = [cell(high, high), cell(low, high), cell(high, low), cell(low, low)];
        let [a, b, c, d] = cells;
        let row = format!("  {address:>7}  {:<4}  {a:>22}  {b:>22}  {c:>22}  {d:>22}", value_type.word());
        writeln!(out, "{}", row.trim_end())?;
    }
    Ok(())
}

fn number_text(number: f64, value_type: ValueType) -> String {
    match value_type {
        ValueType::F32 | ValueType::F64 if number.is_finite() => words::number(number),
        ValueType::F32 | ValueType::F64 => "no number".to_owned(),
        ValueType::Bool
        | ValueType::U16
        | ValueType::I16
        | ValueType::U32
        | ValueType::I32
        | ValueType::U64
        | ValueType::I64 => format!("{number:.0}"),
    }
}

fn tell_bits(start: u16, bits: &[bool], out: &mut dyn Write) -> io::Result<()> {
    for (address, bit) in (start..=u16::MAX).zip(bits) {
        writeln!(out, "  {address:>7}  {}", if *bit { "1  on" } else { "0  off" })?;
    }
    Ok(())
}

fn tell_signal(signal: &Signal, out: &mut dyn Write) -> io::Result<()> {
    let unit = signal.spec.unit.as_deref().unwrap_or_default();
    let value = match signal.value {
        Some(Value::Number(number)) => format!("{} {unit}", words::number(number)),
        Some(Value::Flag(flag)) => if flag { "on" } else { "off" }.to_owned(),
        None => "no value".to_owned(),
    };
    let state = signal.value.and_then(|value| signal.spec.states.of(value));
    let state = state.map_or_else(String::new, |state| format!(", {state}"));
    let reasons: String = signal.reasons.iter().map(|reason| format!("; {}", reason.sentence())).collect();
    writeln!(out, "\n  As the site file reads it: {}{state}{reasons}", value.trim_end())?;
    let Some(comparison) = signal.comparison else { return Ok(()) };
    let of_span = comparison.error_percent_of_span;
    let of_span = of_span.map_or_else(String::new, |percent| format!(", {percent:+.2} % of span"));
    let verdict = match signal.within {
        Some(true) => ": within the tolerance",
        Some(false) => ": outside the tolerance",
        None => "",
    };
    let (reference, error) = (words::number(comparison.reference), comparison.error);
    writeln!(out, "  The reference is {reference} {unit}: it reads {error:+.4} {unit} off{of_span}{verdict}.")
}

fn tell_fits(fits: &[Fit], out: &mut dyn Write) -> io::Result<()> {
    let Some((best, others)) = fits.split_first() else {
        return writeln!(
            out,
            "\n  Nothing here fits what the display shows: look at neighbouring addresses (a list of \
             registers may count from 1), at the other table, or with a larger --count."
        );
    };
    writeln!(out, "\n  What fits the display best, for the site file:\n")?;
    for line in best.site_lines() {
        writeln!(out, "    {line}")?;
    }
    if !others.is_empty() {
        let others: Vec<String> = others.iter().map(fit_text).collect();
        writeln!(out, "\n  So do {}: read again when the display shows another number.", others.join("; "))?;
    }
    Ok(())
}

fn fit_text(fit: &Fit) -> String {
    let place = fit.meaning.place;
    let mut text = format!("{} at {}", place.value_type.word(), place.address);
    if place.word_order == Order::LowFirst {
        text += ", low word first";
    }
    if place.byte_order == Order::LowFirst {
        text += ", low byte first";
    }
    if fit.decimals > 0 {
        text += &format!(", {} decimals", fit.decimals);
    }
    text
}

/// What an exception code means (Application Protocol V1.1b3, section 7).
const fn exception_text(code: u8) -> &'static str {
    match code {
        1 => "it does not know this function, so the table is another one",
        2 => "it has no such address; a list of registers may count from 1 where the wire counts from 0",
        3 => "it does not give so many at once, or not from there",
        4 => "it failed while it tried",
        5 | 6 => "it is busy; ask again",
        10 => "the gateway has no way to it",
        11 => "the gateway gets no answer from it",
        _ => "the standard does not name this code",
    }
}
