//! `siskin report`: what was measured on a gas day, in a month or at any other time, what was beyond
//! its limits, and who did what.
//!
//! It reads journal and history itself, beside the daemon or without one, and writes words for people,
//! a page to print, JSON, or one table at a time as CSV.

mod table;
mod text;

use std::io::{self, Write};

use clap::ValueEnum;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::cli::terminal::Terminal;
use crate::cli::{CliError, Common, Outcome, site_file, when};
use crate::moment::Wall;
use crate::report::{Asked, Document, Report, ReportError, html};
use table::Table;

/// Of what time, of which signals, and how.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The gas day that begins on this date, such as 2026-03-07 [default: the last one that is over]
    #[arg(long, value_name = "DATE", group = "time")]
    day: Option<Date>,
    /// The gas days dated in this month, such as 2026-03
    #[arg(long, value_name = "MONTH", group = "time", value_parser = month)]
    month: Option<Date>,
    /// From when, such as 2026-03-02, 2026-03-02T09:00, or 7d for seven days ago
    #[arg(long, value_name = "TIME", conflicts_with = "time")]
    from: Option<String>,
    /// With --from: until when, not included [default: now]
    #[arg(long, value_name = "TIME", requires = "from")]
    to: Option<String>,
    /// A signal, device.signal; may be given again [default: every signal]
    #[arg(long, value_name = "ID")]
    signal: Vec<String>,
    /// How it is written; --json is the same as json
    #[arg(long, value_enum, default_value = "text")]
    format: Format,
    /// With --format csv: which table
    #[arg(long, value_enum, default_value = "days")]
    table: Table,
    /// Tell every hour of more than one gas day in text and html too
    #[arg(long)]
    hours: bool,
}

/// How a report is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Words and tables for people
    Text,
    /// A page to print, with a drawing of each signal
    Html,
    /// Everything, for other programs
    Json,
    /// One table of it, comma-separated (RFC 4180)
    Csv,
}

/// Makes the report. A journal whose chain is broken is told of, and the answer is no.
pub fn run(args: &Args, common: &Common, out: &mut dyn Write) -> Result<Outcome, CliError> {
    let site = site_file::load(common.config())?;
    let now = Wall::now();
    let asked = args.asked(&site.time_zone, now)?;
    let report = Report::make(asked, &args.signal, &site, common.data(), now).map_err(refused)?;
    let with_hours = args.hours || report.span.gas_days.len() == 1;
    let out = &mut io::BufWriter::new(out);
    match if common.json { Format::Json } else { args.format } {
        Format::Text => {
            let document = Document::of(&report, with_hours);
            text::write(&document, &Terminal::of_stdout(&report.span.time_zone), out)?;
        }
        Format::Html => out.write_all(html(&report, with_hours).map_err(io::Error::other)?.as_bytes())?,
        Format::Json => writeln!(out, "{}", serde_json::to_string(&report).map_err(io::Error::from)?)?,
        Format::Csv => args.table.write(&report, out)?,
    }
    out.flush()?;
    Ok(if report.journal.is_whole { Outcome::Done } else { Outcome::No })
}

impl Args {
    fn asked(&self, zone: &TimeZone, now: Wall) -> Result<Asked, CliError> {
        let typed = |text: &String| when::when(text, zone, now);
        Ok(match (self.day, self.month, &self.from) {
            (Some(date), ..) => Asked::GasDay(date),
            (None, Some(month), _) => Asked::Month(month),
            (None, None, Some(from)) => {
                Asked::Between(typed(from)?, self.to.as_ref().map(typed).transpose()?.unwrap_or(now))
            }
            (None, None, None) => Asked::LastGasDay,
        })
    }
}

/// The first day of a month such as `2026-03`.
fn month(text: &str) -> Result<Date, String> {
    let first = format!("{text}-01").parse().ok().filter(|_| text.len() == "2026-03".len());
    first.ok_or_else(|| "say it as year and month, such as 2026-03".to_owned())
}

fn refused(error: ReportError) -> CliError {
    match error {
        ReportError::Unreadable(_) => CliError::Unreachable(error.to_string()),
        ReportError::Span(_) | ReportError::NoSuchSignal(..) => CliError::BadInput(error.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_is_a_year_and_a_month() {
        assert_eq!(month("2026-03"), Ok(jiff::civil::date(2026, 3, 1)));
        for text in ["2026-13", "2026-3", "2026", "March", "2026-03-02", ""] {
            assert!(month(text).is_err(), "{text}");
        }
    }
}
