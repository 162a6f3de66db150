//! `siskin calibration record` and `show`: readings against calibration gas, over the control socket.
//!
//! It records what the analyzer says. Nothing is adjusted, and nothing that was recorded is corrected.

use std::io::{self, Write};

use jiff::civil::Date;

use crate::calibration::{ANSWERS_MIN, Compared, Doubt, Point, Response, Stage};
use crate::cli::connect::{to_daemon, understood};
use crate::cli::operator::{Said, finite};
use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome};
use crate::control::gas_test::RecordRequest;
use crate::control::protocol::Request;
use crate::control::work::Done;
use crate::view::{Calibration, Day, Status, Word, words};

#[derive(Debug, clap::Args)]
pub struct Record {
    /// Id of the device, which must be in function check
    #[arg(value_name = "DEVICE")]
    device: String,
    /// Id of the signal, with or without that of its device
    #[arg(value_name = "SIGNAL")]
    signal: String,
    /// Which end of the range the gas belongs to
    #[arg(long, value_enum)]
    point: PointWord,
    /// Before any adjustment, or after it
    #[arg(long, value_enum)]
    stage: StageWord,
    /// What the certificate of the gas says, in the signal's unit
    #[arg(long, value_name = "VALUE", allow_negative_numbers = true, value_parser = finite)]
    standard: f64,
    /// What the cylinder or the source is called
    #[arg(long, value_name = "ID")]
    standard_id: String,
    /// The last day on which the certificate is good, such as 2027-03-31
    #[arg(long, value_name = "DATE")]
    expires: Option<Date>,
    /// Record it although the gas is doubtful; the record says so
    #[arg(long)]
    despite: bool,
    #[command(flatten)]
    said: Said,
}

#[derive(Debug, clap::Args)]
pub struct Show {
    /// Id of the device [default: all of them]
    #[arg(value_name = "DEVICE")]
    device: Option<String>,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum PointWord {
    Zero,
    Span,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum StageWord {
    AsFound,
    AsLeft,
}

impl Record {
    pub fn request(&self) -> Request {
        let point = match self.point {
            PointWord::Zero => Point::Zero,
            PointWord::Span => Point::Span,
        };
        let stage = match self.stage {
            StageWord::AsFound => Stage::AsFound,
            StageWord::AsLeft => Stage::AsLeft,
        };
        Request::RecordGasTest(RecordRequest {
            device: self.device.clone(),
            signal: self.signal.clone(),
            point: Word(point),
            stage: Word(stage),
            standard: self.standard,
            standard_id: self.standard_id.clone(),
            expires: self.expires.map(Day),
            despite: self.despite,
            said: (&self.said).into(),
        })
    }
}

/// What was recorded, in words.
pub fn recorded_text(record: &Calibration) -> String {
    format!("recorded {}", words::recorded_text(record))
}

/// Why a reading was not recorded, in words; `None` for a reason that has nothing to do with the gas.
pub fn refusal_text(refused: &str, done: &Done) -> Option<String> {
    Some(match refused {
        "unknown_signal" => match &done.nearest {
            Some(nearest) => format!("the device has no such signal; is {nearest} meant?"),
            None => "the device has no such signal; `siskin status` shows them".to_owned(),
        },
        "no_range" => {
            "the site file gives the signal no `range`: there is no span to compare with".to_owned()
        }
        "doubtful_gas" => {
            let sentence = |word: &String| {
                let doubt = Doubt::from_word(word);
                doubt.map_or_else(|| word.replace('_', " "), |doubt| doubt.sentence().to_owned())
            };
            let doubts: Vec<String> = done.doubts.iter().map(sentence).collect();
            let unsettled = done.doubts.iter().any(|word| word == Doubt::Unsettled.word());
            let wait = if unsettled { "wait, and ask again; " } else { "" };
            format!("{}; {wait}--despite records it all the same, and says so", doubts.join("; "))
        }
        "too_few_answers" => {
            let have = done.have.unwrap_or_default();
            format!("{have} of the {ANSWERS_MIN} answers that it takes are there: wait, and ask again")
        }
        _ => return None,
    })
}

/// Shows the last records of each signal.
pub fn show(args: &Show, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let status: Status = understood(&to_daemon(common)?.ask(&Request::Status {})?)?;
    let wanted = |id: &str| args.device.as_deref().is_none_or(|wanted| wanted == id);
    let devices: Vec<_> = status.devices.iter().filter(|device| wanted(&device.id)).collect();
    if let (Some(unknown), true) = (&args.device, devices.is_empty()) {
        writeln!(out, "{unknown}: no such device; `siskin status` shows them")?;
        return Ok(Outcome::No);
    }
    let records: Vec<&Calibration> = devices.iter().flat_map(|device| &device.calibrations).collect();
    if common.json {
        serde_json::to_writer_pretty(&mut *out, &records).map_err(io::Error::from)?;
        writeln!(out)?;
    } else if records.is_empty() {
        writeln!(out, "No calibration is on record.")?;
    } else {
        let terminal = Terminal::of_stdout(&status.site.time_zone);
        records.iter().try_for_each(|record| writeln!(out, "{}", line(record, &terminal)))?;
        gains(&records).iter().try_for_each(|gain| writeln!(out, "{gain}"))?;
        for device in devices {
            if let Some(due) = words::due_text(device, status.time, &terminal.zone) {
                writeln!(out, "{}: {due}", device.id)?;
            }
        }
    }
    Ok(Outcome::Done)
}

fn line(record: &Calibration, terminal: &Terminal) -> String {
    let circumstances = words::circumstances_text(record, &terminal.zone);
    format!("{}: {}; {circumstances}", record.signal, recorded_text(record))
}

/// The gain of each signal and stage of which anything is recorded; where it cannot be told, why.
fn gains(records: &[&Calibration]) -> Vec<String> {
    let of = |record: &&Calibration| (record.signal.clone(), record.stage.0);
    let mut told: Vec<(String, Stage)> = Vec::new();
    for pair in records.iter().map(of) {
        if !told.contains(&pair) {
            told.push(pair);
        }
    }
    let gain = |(signal, stage): &(String, Stage)| {
        let at = |point: Point| {
            let wanted = |record: &&&Calibration| {
                (&record.signal, record.stage.0, record.point.0) == (signal, *stage, point)
            };
            records.iter().find(wanted).copied()
        };
        format!("{signal}: {}", gain_text(words::stage_text(*stage), at(Point::Zero), at(Point::Span)))
    };
    told.iter().map(gain).collect()
}

/// The gain that a zero and a span reading give, if they were recorded in one function check: between two of
/// them anything may have been done to the analyzer, and a line through both tells nothing of it.
fn gain_text(stage: &str, zero: Option<&Calibration>, span: Option<&Calibration>) -> String {
    let (zero, span) = match (zero, span) {
        (Some(zero), Some(span)) => (zero, span),
        (zero, _) => {
            let missing = if zero.is_none() { "zero" } else { "span" };
            return format!("no gain {stage}: {missing} is not on record");
        }
    };
    if zero.session.is_none() || zero.session != span.session {
        let older = if zero.time <= span.time { "zero" } else { "span" };
        return format!(
            "no gain {stage}: zero and span are of two function checks; \
             {older} is the older one, and was not recorded in the later"
        );
    }
    let compared = |of: &Calibration| Compared { standard: of.standard, reading: of.reading };
    let doubtful =
        if zero.doubts.is_empty() && span.doubts.is_empty() { "" } else { ", DOUBTFUL as its readings" };
    match Response::through(compared(zero), compared(span)) {
        Some(response) => format!("gain {stage} {:.4}{doubtful}", response.gain()),
        None => format!("{stage} it does not follow the gas{doubtful}"),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::view::Instant;

    fn record(point: Point, standard: f64, reading: f64, error_pct: f64) -> Calibration {
        Calibration {
            signal: "h2s-1.concentration".to_owned(),
            point: Word(point),
            stage: Word(Stage::AsFound),
            time: Instant("2026-03-02T15:10:00Z".parse().unwrap()),
            session: Some(Instant("2026-03-02T15:00:00Z".parse().unwrap())),
            user: "kim".to_owned(),
            name: None,
            standard,
            standard_id: "CYL-0417".to_owned(),
            expires: None,
            reading,
            error_pct,
            tolerance_pct: 2.0,
            pass: error_pct.abs() <= 2.0,
            drift_pct: (point == Point::Span).then_some(-6.0),
            doubts: Vec::new(),
        }
    }

    #[test]
    fn error_verdict_drift_and_gain_are_told() {
        let (zero, span) = (record(Point::Zero, 0.0, 0.3, 1.5), record(Point::Span, 20.0, 18.9, -5.5));
        assert_eq!(
            recorded_text(&zero),
            "recorded zero as found: reads 0.3000 on 0, error +1.50 % of span, within the tolerance of 2 %"
        );
        assert_eq!(
            recorded_text(&span),
            "recorded span as found: reads 18.90 on 20, error -5.50 % of span, beyond the tolerance of 2 %; \
             it has drifted -6.00 % of span since it was last left"
        );
        assert_eq!(gains(&[&zero, &span]), ["h2s-1.concentration: gain as found 0.9300"]);
        let dead = record(Point::Span, 20.0, 0.3, -98.5);
        assert_eq!(gains(&[&zero, &dead]), ["h2s-1.concentration: as found it does not follow the gas"]);
    }

    /// The zero of last month and the span of today lie on no line of one analyzer.
    #[test]
    fn a_gain_is_of_one_session_alone_and_what_is_missing_is_told() {
        let (zero, span) = (record(Point::Zero, 0.0, 0.3, 1.5), record(Point::Span, 20.0, 18.9, -5.5));
        assert_eq!(gains(&[&span]), ["h2s-1.concentration: no gain as found: zero is not on record"]);
        assert_eq!(gains(&[&zero]), ["h2s-1.concentration: no gain as found: span is not on record"]);
        let instant = |time: &str| Instant(time.parse().unwrap());
        let later = Calibration {
            time: instant("2026-04-02T15:10:00Z"),
            session: Some(instant("2026-04-02T15:00:00Z")),
            ..span.clone()
        };
        let told = "h2s-1.concentration: no gain as found: zero and span are of two function checks; \
                    zero is the older one, and was not recorded in the later";
        assert_eq!(gains(&[&zero, &later]), [told]);
        let unknown = |record: &Calibration| Calibration { session: None, ..record.clone() };
        assert_eq!(gains(&[&unknown(&zero), &unknown(&span)]), [told], "not known is not the same");
        let left = Calibration { stage: Word(Stage::AsLeft), ..zero.clone() };
        let told = gains(&[&zero, &span, &left]);
        assert!(told[0].ends_with("gain as found 0.9300"), "{told:?}");
        assert!(told[1].ends_with("no gain as left: span is not on record"), "{told:?}");
        let doubtful = Calibration { doubts: vec![Word(Doubt::Expired)], ..zero };
        assert!(gains(&[&doubtful, &span])[0].ends_with("0.9300, DOUBTFUL as its readings"));
    }
}
