//! A report in words for people: sections of tables, the same on paper and at the terminal.
//!
//! Times are told in the site's zone with its name, so that the hour which a clock shows twice is told
//! apart. Numbers have the digits that an analyzer's reading can bear; all of them are in the JSON.

use std::time::Duration;

use jiff::tz::TimeZone;

use crate::report::notes::WHAT_IT_IS_NOT;
use crate::report::{AlarmTold, Exceedance, Figures, HeldBefore, Plot, Report, SignalTold, sentence};
use crate::view::{Elapsed, Entry, Instant, words};

/// The most events that one table shows; the JSON has all.
pub const EVENTS_SHOWN_MAX: usize = 300;
/// The most lapses of a signal that are shown.
const LAPSES_SHOWN_MAX: usize = 20;

/// A report in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// What it is.
    pub title: String,
    /// What holds for all of it: name and value.
    pub facts: Vec<(&'static str, String)>,
    /// What to beware of.
    pub cautions: Vec<String>,
    /// Its parts.
    pub sections: Vec<Section>,
    /// What it is not.
    pub closing: &'static str,
}

/// A part of a report.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Section {
    /// What it is about.
    pub title: String,
    /// What is said before its tables.
    pub remarks: Vec<String>,
    /// A drawing.
    pub plot: Option<Plot>,
    /// Its tables.
    pub sheets: Vec<Sheet>,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sheet {
    /// What it holds.
    pub caption: String,
    /// The names of its columns.
    pub head: Vec<&'static str>,
    /// Its rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
}

impl Document {
    /// The report in words, with every hour or without.
    pub fn of(report: &Report, with_hours: bool) -> Document {
        let zone = report.zone();
        let teller = Teller { report, zone: &zone, with_hours };
        let mut sections = vec![teller.overview(), teller.exceedances(), teller.beyond()];
        sections.extend(report.signals.iter().map(|signal| teller.signal(signal)));
        sections.push(teller.other_alarms());
        for (title, events) in [
            ("Work on the analyzers", &report.work),
            ("What people did", &report.actions),
            ("What happened besides", &report.happenings),
        ] {
            sections.push(teller.events(title, events));
        }
        let remarks = report.methods.clone();
        let title = "How the figures come about".to_owned();
        sections.push(Section { title, remarks, ..Section::default() });
        Document {
            title: format!("{}: {}", report.site.name, report.span.title),
            facts: teller.facts(),
            cautions: report.cautions.clone(),
            sections,
            closing: WHAT_IT_IS_NOT,
        }
    }
}

struct Teller<'a> {
    report: &'a Report,
    zone: &'a TimeZone,
    with_hours: bool,
}

impl Teller<'_> {
    fn at(&self, at: Instant) -> String {
        words::date_and_time(at, self.zone)
    }

    fn facts(&self) -> Vec<(&'static str, String)> {
        let Report { span, journal, site, .. } = self.report;
        let chain = if journal.is_whole { "whole" } else { "BROKEN" };
        vec![
            ("From", self.at(span.from)),
            ("To", self.at(span.to)),
            ("Length", words::duration(span.lasts_s.0)),
            ("Made", format!("{}, siskin {}", self.at(self.report.made), self.report.version)),
            ("Site file", site.sha256.clone()),
            ("Journal", format!("{} entries, chain {chain}", journal.entries)),
            ("Journal head", journal.head.clone()),
        ]
    }

    fn overview(&self) -> Section {
        let row = |signal: &SignalTold| {
            let mut row = vec![label(signal), unit(signal)];
            row.extend(figures_of(signal, &signal.whole));
            row
        };
        let head = vec!["signal", "unit", "min", "mean", "max", "measured"];
        let rows = self.report.signals.iter().map(row).collect();
        let sheets = vec![Sheet { head, rows, ..Sheet::default() }];
        Section { title: "Overview".to_owned(), sheets, ..Section::default() }
    }

    fn exceedances(&self) -> Section {
        let row = |(alarm, excess): (&AlarmTold, &Exceedance)| {
            let ended = if alarm.cleared.is_some() { self.at(excess.to) } else { "not over".to_owned() };
            let beyond = excess.beyond_s.map_or_else(|| "-".to_owned(), exact);
            let of_limit =
                [alarm.kind.as_deref(), alarm.unit.as_deref()].map(|text| text.unwrap_or_default());
            let setpoint = alarm.setpoint.map(|setpoint| setpoint.to_string()).unwrap_or_default();
            let [kind, unit] = of_limit;
            vec![
                alarm.alarm.clone(),
                format!("{} {setpoint} {unit}", kind.replace('_', " ")).trim().to_owned(),
                self.at(excess.from),
                ended,
                beyond,
                number(excess.peak),
                number(excess.mean),
                acknowledged(alarm, self),
            ]
        };
        let head = vec!["alarm", "limit", "from", "to", "beyond", "peak", "mean", "acknowledged"];
        let rows: Vec<_> = self.report.exceedances().map(row).collect();
        section("Exceedances", vec![Sheet { head, rows, ..Sheet::default() }])
    }

    fn beyond(&self) -> Section {
        let mut rows = Vec::new();
        for signal in &self.report.signals {
            for beyond in &signal.beyond {
                rows.push(vec![
                    beyond.alarm.clone(),
                    signal.id.clone(),
                    format!("{} {} {}", beyond.kind, beyond.setpoint, unit(signal)),
                    exact(beyond.beyond_s),
                    share(beyond.beyond_s.0, signal.whole.measured_s.0),
                ]);
            }
        }
        let head = vec!["alarm", "signal", "setpoint", "beyond", "of measured"];
        let mut section = section("Time beyond setpoints", vec![Sheet { head, rows, ..Sheet::default() }]);
        section.sheets.extend(self.averages());
        section
    }

    fn averages(&self) -> Option<Sheet> {
        let mut rows = Vec::new();
        for signal in &self.report.signals {
            for average in &signal.averages {
                rows.push(vec![
                    average.alarm.clone(),
                    signal.id.clone(),
                    format!("{} {} {}", average.kind, average.setpoint, unit(signal)),
                    average.over.replace('_', " "),
                    average.judged.to_string(),
                    average.beyond.to_string(),
                ]);
            }
        }
        let head = vec!["alarm", "signal", "setpoint", "mean of each", "judged", "beyond"];
        let caption = "Averages".to_owned();
        (!rows.is_empty()).then_some(Sheet { caption, head, rows })
    }

    fn signal(&self, signal: &SignalTold) -> Section {
        let mut sheets = Vec::new();
        if signal.days.len() > 1 {
            sheets.push(self.days(signal));
        }
        if self.with_hours {
            let row = |hour: &Figures| {
                let mut row = vec![self.hour(hour.from)];
                row.extend(figures_of(signal, hour));
                row
            };
            let head = vec!["hour from", "min", "mean", "max", "measured"];
            let rows = signal.hours.iter().map(row).collect();
            sheets.push(Sheet { caption: "Hours".to_owned(), head, rows });
        }
        sheets.extend(states(signal));
        sheets.extend(doubts(signal));
        sheets.extend(self.losses(signal));
        let unit = signal.unit.as_ref().map(|unit| format!("In {unit}. ")).unwrap_or_default();
        let held = |held: Elapsed| format!("{unit}A value holds for at most {}.", words::duration(held.0));
        let mut remarks: Vec<String> = signal.held_for_s.map(held).into_iter().collect();
        remarks.extend(self.held_before(signal));
        let tag = signal.tag.as_ref().map(|tag| format!(" ({tag})")).unwrap_or_default();
        let name = signal.name.as_ref().map(|name| format!(", {name}")).unwrap_or_default();
        Section {
            title: format!("{}{tag}{name}", signal.id),
            remarks,
            plot: (signal.kind == "number").then(|| Plot::of(signal, self.report)).flatten(),
            sheets,
        }
    }

    /// What `stale_after` was within the report's time, where it is another now.
    fn held_before(&self, signal: &SignalTold) -> impl Iterator<Item = String> {
        let told = |held: &&HeldBefore| held.until > self.report.span.from;
        signal.held_before.iter().filter(told).map(|HeldBefore { until, held_for_s }| {
            format!("One read before {}: at most {}.", self.at(*until), words::duration(held_for_s.0))
        })
    }

    fn days(&self, signal: &SignalTold) -> Sheet {
        let mut head = vec!["gas day", "hours", "min", "mean", "max", "measured"];
        head.extend(signal.beyond.iter().map(|beyond| if beyond.kind == "low" { "below" } else { "above" }));
        let mut rows = Vec::new();
        for (nth, (day, told)) in self.report.span.gas_days.iter().zip(&signal.days).enumerate() {
            let hours = day.lasts_s.0.as_secs_f64() / 3600.0;
            let mut row = vec![day.date.clone(), format!("{}", (hours * 100.0).round() / 100.0)];
            row.extend(figures_of(signal, told));
            row.extend(
                signal.beyond.iter().filter_map(|beyond| beyond.days_s.get(nth)).map(|time| exact(*time)),
            );
            rows.push(row);
        }
        let limits: Vec<String> = signal
            .beyond
            .iter()
            .map(|beyond| format!("{} {} ({})", beyond.kind, beyond.setpoint, beyond.alarm))
            .collect();
        let limits =
            if limits.is_empty() { String::new() } else { format!("; limits: {}", limits.join(", ")) };
        Sheet { caption: format!("Gas days{limits}"), head, rows }
    }

    fn losses(&self, signal: &SignalTold) -> Vec<Sheet> {
        let whole = self.report.span.lasts_s.0;
        let losses = signal.availability.losses.iter().map(|loss| {
            vec![
                because(&loss.because),
                exact(loss.lost_s),
                share(loss.lost_s.0, whole),
                loss.times.to_string(),
            ]
        });
        let head = vec!["not measured because", "for", "of the time", "lapses"];
        let losses = Sheet { caption: "Not measured".to_owned(), head, rows: losses.collect() };
        let lapses = &signal.availability.lapses;
        let mut longest: Vec<_> = lapses.iter().collect();
        longest.sort_by_key(|lapse| std::cmp::Reverse(lapse.lost_s));
        longest.truncate(LAPSES_SHOWN_MAX);
        longest.sort_by_key(|lapse| lapse.from);
        let untold = lapses.len() - longest.len() + signal.availability.lapses_untold;
        let caption = match untold {
            0 => "Lapses".to_owned(),
            more => format!("The longest lapses; {more} shorter ones are not shown"),
        };
        let rows = longest.iter().map(|lapse| {
            vec![self.at(lapse.from), self.at(lapse.to), exact(lapse.lost_s), because(&lapse.because)]
        });
        let lapses = Sheet { caption, head: vec!["from", "to", "for", "because"], rows: rows.collect() };
        [losses, lapses].into_iter().filter(|sheet| !sheet.rows.is_empty()).collect()
    }

    fn other_alarms(&self) -> Section {
        let row = |alarm: &AlarmTold| {
            vec![
                alarm.alarm.clone(),
                alarm.priority.clone().unwrap_or_default(),
                self.at(alarm.raised),
                alarm.cleared.map_or_else(|| "not over".to_owned(), |at| self.at(at)),
                exact(alarm.active_s),
                acknowledged(alarm, self),
            ]
        };
        let all: Vec<_> = self.report.other_alarms().map(row).collect();
        let head = vec!["alarm", "priority", "raised", "cleared", "active", "acknowledged"];
        let (rows, caption) = shown(all);
        section("Other alarms", vec![Sheet { caption, head, rows }])
    }

    fn events(&self, title: &str, events: &[Entry]) -> Section {
        let row = |entry: &Entry| {
            vec![
                entry.seq.to_string(),
                self.at(entry.time),
                words::event_who_text(entry).unwrap_or_default(),
                words::event_text(entry, self.zone),
            ]
        };
        let (rows, caption) = shown(events.iter().map(row).collect());
        section(title, vec![Sheet { caption, head: vec!["no.", "when", "who", "what"], rows }])
    }

    fn hour(&self, at: Instant) -> String {
        at.0.to_zoned_datetime(self.zone.clone()).strftime("%m-%d %H:%M %Z").to_string()
    }
}

/// The first of many rows, and how many more there are.
fn shown(mut rows: Vec<Vec<String>>) -> (Vec<Vec<String>>, String) {
    let more = rows.len().saturating_sub(EVENTS_SHOWN_MAX);
    rows.truncate(EVENTS_SHOWN_MAX);
    let caption = if more > 0 { format!("{more} more are in the JSON") } else { String::new() };
    (rows, caption)
}

fn section(title: &str, sheets: Vec<Sheet>) -> Section {
    let sheets: Vec<Sheet> = sheets.into_iter().filter(|sheet| !sheet.rows.is_empty()).collect();
    let remarks = if sheets.is_empty() { vec!["None.".to_owned()] } else { Vec::new() };
    Section { title: title.to_owned(), remarks, plot: None, sheets }
}

fn states(signal: &SignalTold) -> Option<Sheet> {
    let row = |state: &crate::report::StateTime| {
        let name = state.name.clone().unwrap_or_else(|| state.code.to_string());
        vec![name, exact(state.in_s), share(state.in_s.0, signal.whole.measured_s.0)]
    };
    let rows: Vec<_> = signal.states.iter().map(row).collect();
    let head = vec!["state", "for", "of measured"];
    (!rows.is_empty()).then(|| Sheet { caption: "States".to_owned(), head, rows })
}

fn acknowledged(alarm: &AlarmTold, teller: &Teller<'_>) -> String {
    match (alarm.acknowledged, &alarm.acknowledged_by) {
        (Some(at), Some(who)) => format!("{} by {who}", teller.at(at)),
        (Some(at), None) => teller.at(at),
        (None, _) => alarm.withheld.as_ref().map_or_else(|| "-".to_owned(), |why| why.replace('_', " ")),
    }
}

fn label(signal: &SignalTold) -> String {
    signal.tag.as_ref().map_or_else(|| signal.id.clone(), |tag| format!("{} ({tag})", signal.id))
}

fn unit(signal: &SignalTold) -> String {
    let without = if signal.kind == "number" { "" } else { signal.kind };
    signal.unit.clone().unwrap_or_else(|| without.to_owned())
}

/// Least, mean, greatest and coverage; a mean of codes would say nothing.
fn figures_of(signal: &SignalTold, figures: &Figures) -> [String; 4] {
    let Figures { min, mean, max, coverage, .. } = figures;
    let mean = &mean.filter(|_| signal.kind != "code");
    [number(*min), number(*mean), number(*max), percent(*coverage)]
}

fn number(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), words::number)
}

fn share(part: Duration, whole: Duration) -> String {
    if whole.is_zero() { "-".to_owned() } else { percent(part.as_secs_f64() / whole.as_secs_f64()) }
}

/// A share in percent. Neither all nor nothing is said of what only comes near.
fn percent(share: f64) -> String {
    let clear = if share > 0.0 && share < 1.0 { share.clamp(0.000_1, 0.999_9) } else { share };
    format!("{:.2} %", clear * 100.0)
}

fn because(words: &[&'static str]) -> String {
    words.iter().map(|word| sentence(word)).collect::<Vec<_>>().join(", and ")
}

/// Why values that count in the figures were uncertain, and for how long.
fn doubts(signal: &SignalTold) -> Option<Sheet> {
    let availability = &signal.availability;
    let rows: Vec<_> = availability
        .doubts
        .iter()
        .map(|doubt| {
            let of_measured = share(doubt.for_s.0, availability.measured_s.0);
            vec![because(&doubt.because), exact(doubt.for_s), of_measured, doubt.times.to_string()]
        })
        .collect();
    let head = vec!["uncertain because", "for", "of the measured time", "times"];
    let caption = "Measured, but uncertain: these values are in the figures".to_owned();
    (!rows.is_empty()).then_some(Sheet { caption, head, rows })
}

/// A length of time to the millisecond: `26:03:07.250`, hours, minutes, seconds.
fn exact(time: Elapsed) -> String {
    let ms = time.0.as_millis();
    let (hours, minutes, seconds) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1_000 % 60);
    format!("{hours}:{minutes:02}:{seconds:02}.{:03}", ms % 1_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_that_only_comes_near_is_neither_all_nor_nothing() {
        for (share, told) in
            [(0.0, "0.00 %"), (1e-7, "0.01 %"), (0.5, "50.00 %"), (0.999_999, "99.99 %"), (1.0, "100.00 %")]
        {
            assert_eq!(percent(share), told);
        }
    }

    #[test]
    fn a_length_of_time_is_told_to_the_millisecond() {
        assert_eq!(exact(Elapsed(Duration::from_millis(93_787_250))), "26:03:07.250");
        assert_eq!(exact(Elapsed(Duration::ZERO)), "0:00:00.000");
    }
}
