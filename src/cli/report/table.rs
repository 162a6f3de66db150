//! One table of a report as comma-separated values: numbers in full, times in UTC, lengths in seconds.

use std::io::{self, Write};

use clap::ValueEnum;

use crate::cli::csv;
use crate::report::{Figures, Report, SignalTold};
use crate::view::{Elapsed, Entry, Instant};

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Table {
    /// Least, mean and greatest of each signal in each gas day
    Days,
    /// The same in each hour
    Hours,
    /// How long each signal was beyond each setpoint, by gas day
    Setpoints,
    /// Why each signal was not measured, and for how long
    Availability,
    /// Alarms, with what the samples say of exceedances
    Alarms,
    /// Work, actions and other events
    Events,
}

impl Table {
    /// Writes the table with its heading.
    pub fn write(self, report: &Report, out: &mut dyn Write) -> io::Result<()> {
        match self {
            Table::Days => figures(report, |signal| &signal.days, out),
            Table::Hours => figures(report, |signal| &signal.hours, out),
            Table::Setpoints => setpoints(report, out),
            Table::Availability => availability(report, out),
            Table::Alarms => alarms(report, out),
            Table::Events => events(report, out),
        }
    }
}

fn figures(report: &Report, of: impl Fn(&SignalTold) -> &[Figures], out: &mut dyn Write) -> io::Result<()> {
    csv::row(out, ["signal", "unit", "from", "to", "min", "mean", "max", "measured_s", "coverage"])?;
    for signal in &report.signals {
        for told in of(signal) {
            let unit = signal.unit.clone().unwrap_or_default();
            let [min, mean, max] = [told.min, told.mean, told.max].map(number);
            let (from, to) = (time(told.from), time(told.to));
            let (measured, coverage) = (seconds(told.measured_s), told.coverage.to_string());
            csv::row(out, [signal.id.clone(), unit, from, to, min, mean, max, measured, coverage])?;
        }
    }
    Ok(())
}

fn setpoints(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    csv::row(out, ["signal", "unit", "alarm", "kind", "setpoint", "gas_day", "from", "to", "beyond_s"])?;
    for signal in &report.signals {
        for beyond in &signal.beyond {
            for (day, beyond_s) in report.span.gas_days.iter().zip(&beyond.days_s) {
                csv::row(
                    out,
                    [
                        signal.id.clone(),
                        signal.unit.clone().unwrap_or_default(),
                        beyond.alarm.clone(),
                        beyond.kind.to_owned(),
                        beyond.setpoint.to_string(),
                        day.date.clone(),
                        time(day.from),
                        time(day.to),
                        seconds(*beyond_s),
                    ],
                )?;
            }
        }
    }
    Ok(())
}

fn availability(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    csv::row(out, ["signal", "because", "seconds", "share", "lapses"])?;
    let whole = report.span.lasts_s.0.as_secs_f64();
    let mut write = |signal: &SignalTold, because: &str, time: Elapsed, lapses: String| {
        let share = (time.0.as_secs_f64() / whole).to_string();
        csv::row(out, [signal.id.as_str(), because, &seconds(time), &share, &lapses])
    };
    for signal in &report.signals {
        write(signal, "measured", signal.availability.measured_s, String::new())?;
        for doubt in &signal.availability.doubts {
            let because = format!("measured, uncertain: {}", doubt.because.join(" "));
            write(signal, &because, doubt.for_s, doubt.times.to_string())?;
        }
        for loss in &signal.availability.losses {
            write(signal, &loss.because.join(" "), loss.lost_s, loss.times.to_string())?;
        }
    }
    Ok(())
}

const ALARM_COLUMNS: [&str; 18] = [
    "alarm",
    "name",
    "signal",
    "unit",
    "kind",
    "priority",
    "setpoint",
    "raised",
    "cleared",
    "active_s",
    "acknowledged",
    "acknowledged_by",
    "withheld",
    "from",
    "to",
    "beyond_s",
    "peak",
    "mean",
];

fn alarms(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    csv::row(out, ALARM_COLUMNS)?;
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    for alarm in &report.alarms {
        let excess = alarm.exceedance.as_ref();
        let cells: [String; 18] = [
            alarm.alarm.clone(),
            text(&alarm.name),
            text(&alarm.signal),
            text(&alarm.unit),
            text(&alarm.kind),
            text(&alarm.priority),
            number(alarm.setpoint),
            time(alarm.raised),
            alarm.cleared.map(time).unwrap_or_default(),
            seconds(alarm.active_s),
            alarm.acknowledged.map(time).unwrap_or_default(),
            text(&alarm.acknowledged_by),
            text(&alarm.withheld),
            excess.map(|excess| time(excess.from)).unwrap_or_default(),
            excess.map(|excess| time(excess.to)).unwrap_or_default(),
            excess.and_then(|excess| excess.beyond_s).map(seconds).unwrap_or_default(),
            number(excess.and_then(|excess| excess.peak)),
            number(excess.and_then(|excess| excess.mean)),
        ];
        csv::row(out, cells)?;
    }
    Ok(())
}

fn events(report: &Report, out: &mut dyn Write) -> io::Result<()> {
    csv::row(out, ["seq", "time", "sort", "kind", "subject", "user", "name", "detail"])?;
    let sorts = [("work", &report.work), ("action", &report.actions), ("happening", &report.happenings)];
    let mut all: Vec<(&str, &Entry)> =
        sorts.iter().flat_map(|(sort, events)| events.iter().map(|event| (*sort, event))).collect();
    all.sort_by_key(|(_, event)| event.seq);
    for (sort, event) in all {
        csv::row(
            out,
            [
                event.seq.to_string(),
                time(event.time),
                sort.to_owned(),
                event.kind.clone(),
                event.subject.clone(),
                event.user.clone().unwrap_or_default(),
                event.name.clone().unwrap_or_default(),
                serde_json::to_string(&event.detail).map_err(io::Error::from)?,
            ],
        )?;
    }
    Ok(())
}

fn number(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

fn time(at: Instant) -> String {
    format!("{:.3}", at.0)
}

fn seconds(time: Elapsed) -> String {
    format!("{:.3}", time.0.as_secs_f64())
}
