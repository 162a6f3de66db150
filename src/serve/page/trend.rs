//! What a signal has been, as a drawing: a band from least to greatest, the mean in it, the limits of
//! its alarms, and nothing at all where nothing was measured.
//!
//! The drawing is made here, whole, so that it needs no script; in words it is told beside it.

use std::fmt::Write;
use std::time::Duration;

use askama::Template;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span as Calendar, ToSpan};
use serde::Deserialize;

use crate::moment::Wall;
use crate::view::words::{duration, number};
use crate::view::{Alarm, Bucket, round_values};

/// How far back the drawing looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
pub enum Span {
    #[default]
    #[serde(rename = "24h")]
    Day,
    #[serde(rename = "7d")]
    Week,
    #[serde(rename = "1y")]
    Year,
}

impl Span {
    const ALL: [Span; 3] = [Span::Day, Span::Week, Span::Year];

    const fn word(self) -> &'static str {
        match self {
            Span::Day => "24h",
            Span::Week => "7d",
            Span::Year => "1y",
        }
    }

    const fn title(self) -> &'static str {
        match self {
            Span::Day => "24 hours",
            Span::Week => "7 days",
            Span::Year => "1 year",
        }
    }

    pub const fn length(self) -> Duration {
        const DAY_S: u64 = 24 * 3600;
        Duration::from_secs(match self {
            Span::Day => DAY_S,
            Span::Week => 7 * DAY_S,
            Span::Year => 365 * DAY_S,
        })
    }

    /// How far the marks of the time axis are apart, and how each is told.
    fn marks(self) -> (Calendar, &'static str) {
        match self {
            Span::Day => (4.hours(), "%H:%M"),
            Span::Week => (1.day(), "%b %-d"),
            Span::Year => (2.months(), "%b %Y"),
        }
    }
}

/// In how many pieces the time is drawn.
pub const POINTS: usize = 288;

// The drawing's own units; it is scaled to the page.
const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 260.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 28.0;
/// About so many marks on the value axis.
const VALUE_MARKS: f64 = 5.0;

/// The drawing and its words.
#[derive(Template)]
#[template(path = "trend.html", config = "src/serve/page/askama.toml")]
pub struct Trend {
    signal: String,
    label: String,
    unit: String,
    zone: String,
    spans: Vec<SpanLink>,
    title: &'static str,
    /// The drawing in words.
    words: String,
    /// Stretches in which nothing was measured: left edge and width.
    gaps: Vec<(String, String)>,
    band: String,
    mean: String,
    values: Vec<Mark>,
    times: Vec<Mark>,
    limits: Vec<Mark>,
}

struct SpanLink {
    word: &'static str,
    title: &'static str,
    shown: bool,
}

/// A place on an axis and what stands there.
struct Mark {
    at: String,
    text: String,
}

/// What is drawn.
pub struct Subject<'a> {
    pub signal: &'a str,
    pub label: &'a str,
    pub unit: &'a str,
    pub span: Span,
    pub from: Wall,
    pub to: Wall,
    pub buckets: &'a [Bucket],
    pub alarms: Vec<&'a Alarm>,
    pub zone: &'a TimeZone,
}

impl Trend {
    pub fn of(subject: &Subject<'_>) -> Trend {
        let scale = Scale::of(subject);
        let limits: Vec<(&str, f64)> = limits(subject).collect();
        let (band, mean) = scale.course(subject.buckets);
        Trend {
            signal: subject.signal.to_owned(),
            label: subject.label.to_owned(),
            unit: subject.unit.to_owned(),
            zone: subject.to.to_zoned_datetime(subject.zone.clone()).strftime("%Z").to_string(),
            spans: Span::ALL
                .map(|span| SpanLink { word: span.word(), title: span.title(), shown: span == subject.span })
                .into(),
            title: subject.span.title(),
            words: words(subject),
            gaps: scale.gaps(subject.buckets),
            band,
            mean,
            values: scale.value_marks(),
            times: scale.time_marks(subject),
            limits: limits
                .into_iter()
                .map(|(name, setpoint)| Mark {
                    at: place(scale.y(setpoint)),
                    text: format!("{name} {}", number(setpoint)),
                })
                .collect(),
        }
    }
}

/// The setpoints that are in the signal's own unit and measure: those of plain limits and averages.
fn limits<'a>(subject: &'a Subject<'_>) -> impl Iterator<Item = (&'a str, f64)> {
    let drawn =
        |alarm: &&&Alarm| matches!(alarm.kind.as_str(), "high" | "low" | "average_high" | "average_low");
    subject.alarms.iter().filter(drawn).filter_map(|alarm| Some((alarm.id.as_str(), alarm.setpoint?)))
}

/// The drawing in words, for whoever cannot see it.
fn words(subject: &Subject<'_>) -> String {
    let buckets = subject.buckets;
    let least = buckets.iter().filter_map(|bucket| bucket.min).reduce(f64::min);
    let greatest = buckets.iter().filter_map(|bucket| bucket.max).reduce(f64::max);
    let weights = buckets.iter().filter_map(|bucket| Some((bucket.mean?, bucket.coverage)));
    let (sum, weight) =
        weights.fold((0.0, 0.0), |(sum, whole), (mean, part)| (sum + mean * part, whole + part));
    let (Some(least), Some(greatest)) = (least, greatest) else {
        return format!("The record has no measurement of the last {}.", subject.span.title());
    };
    let share = weight / whole_number(buckets.len());
    let unit = subject.unit;
    let space = if unit.is_empty() { "" } else { " " };
    let told = |value: f64| format!("{}{space}{unit}", number(value));
    let mut words = format!(
        "In the last {}: least {}, time-weighted mean {}, greatest {}.",
        subject.span.title(),
        told(least),
        told(sum / weight),
        told(greatest)
    );
    let missing = subject.span.length().mul_f64((1.0 - share).clamp(0.0, 1.0));
    // Writing into a string cannot fail.
    let _ = match missing.as_secs() {
        0..60 => write!(words, " Measured all the time."),
        _ => write!(words, " Not measured for {} of it; nothing is drawn there.", duration(missing)),
    };
    for (name, setpoint) in limits(subject) {
        let _ = write!(words, " Limit {name}: {}.", told(setpoint));
    }
    words
}

/// From times and values to places.
struct Scale {
    from_ms: f64,
    to_ms: f64,
    low: f64,
    high: f64,
}

impl Scale {
    /// Everything that is drawn fits in, limits too.
    fn of(subject: &Subject<'_>) -> Scale {
        let measured = subject.buckets.iter().flat_map(|bucket| [bucket.min, bucket.max]).flatten();
        let all = measured.chain(limits(subject).map(|(_, setpoint)| setpoint));
        let (low, high) = all
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
        let margin = match (high - low) * 0.06 {
            margin if margin > 0.0 => margin,
            _ => (high.abs() * 0.05).max(0.5),
        };
        let [from_ms, to_ms] = [subject.from, subject.to].map(millis);
        Scale { from_ms, to_ms, low: low - margin, high: high + margin }
    }

    fn x(&self, at: Wall) -> f64 {
        let share = (millis(at) - self.from_ms) / (self.to_ms - self.from_ms);
        LEFT + share.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)
    }

    /// The band and the mean, as two SVG paths. Each measured stretch is a figure of its own.
    fn course(&self, buckets: &[Bucket]) -> (String, String) {
        let (mut band, mut mean) = (String::new(), String::new());
        for stretch in buckets.split(|bucket| bucket.mean.is_none()).filter(|stretch| !stretch.is_empty()) {
            let mut pen = 'M';
            let mut upper = String::new();
            let mut lower = Vec::new();
            for bucket in stretch {
                let (Some(least), Some(middle), Some(greatest)) = (bucket.min, bucket.mean, bucket.max)
                else {
                    continue;
                };
                let [left, right] = [bucket.from.0, bucket.to.0].map(|at| place(self.x(at)));
                let [bottom, middle, top] = [least, middle, greatest].map(|value| place(self.y(value)));
                // Writing into a string cannot fail.
                let _ = write!(mean, "{pen}{left} {middle}H{right}");
                let _ = write!(upper, "{pen}{left} {top}H{right}");
                lower.push(format!("L{right} {bottom}H{left}"));
                pen = 'L';
            }
            let _ = write!(band, "{upper}{}Z", lower.iter().rev().map(String::as_str).collect::<String>());
        }
        (band, mean)
    }

    fn gaps(&self, buckets: &[Bucket]) -> Vec<(String, String)> {
        let gaps = buckets.chunk_by(|one, next| one.mean.is_none() == next.mean.is_none());
        let gaps = gaps.filter(|gap| gap.iter().all(|bucket| bucket.mean.is_none()));
        gaps.filter_map(|gap| {
            let (left, right) = (self.x(gap.first()?.from.0), self.x(gap.last()?.to.0));
            Some((place(left), place(right - left)))
        })
        .collect()
    }

    fn value_marks(&self) -> Vec<Mark> {
        let (step, values) = round_values(self.low, self.high, VALUE_MARKS);
        let mark = |value| Mark { at: place(self.y(value)), text: rounded(value, step) };
        values.into_iter().map(mark).collect()
    }

    /// Round times at the site: full hours, days, months.
    fn time_marks(&self, subject: &Subject<'_>) -> Vec<Mark> {
        let (apart, format) = subject.span.marks();
        let begin = subject.from.to_zoned_datetime(subject.zone.clone());
        let date = match subject.span {
            Span::Day | Span::Week => begin.date(),
            Span::Year => Date::constant(begin.year(), begin.month(), 1),
        };
        let mut marks = Vec::new();
        let mut next = date.to_zoned_datetime(subject.zone.clone()).ok();
        while let Some(at) = next.filter(|at| at.timestamp() < subject.to) {
            if at.timestamp() > subject.from {
                marks.push(Mark { at: place(self.x(at.timestamp())), text: at.strftime(format).to_string() });
            }
            next = at.checked_add(apart).ok();
        }
        marks
    }
}

fn millis(at: Wall) -> f64 {
    at.as_duration().as_secs_f64() * 1e3
}

fn whole_number(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

fn place(at: f64) -> String {
    format!("{at:.1}")
}

/// A value with as many decimals as its step needs.
fn rounded(value: f64, step: f64) -> String {
    let decimals = (0..=9).find(|decimals| step >= 10_f64.powi(-decimals)).unwrap_or(9);
    let decimals = usize::try_from(decimals).unwrap_or(0);
    let value = if value == 0.0 { 0.0 } else { value };
    format!("{value:.decimals$}")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const HOUR: Duration = Duration::from_secs(3600);

    fn bucket(hour: u32, mean: Option<f64>) -> Bucket {
        let begin: Wall = "2026-03-02T06:00:00Z".parse().unwrap();
        let (from, to) = (begin + HOUR * hour, begin + HOUR * (hour + 1));
        let (min, max) = (mean.map(|mean| mean - 1.0), mean.map(|mean| mean + 1.0));
        let coverage = if mean.is_some() { 1.0 } else { 0.0 };
        Bucket { from: from.into(), to: to.into(), min, mean, max, coverage }
    }

    /// A day at a site six hours behind UTC: 2, then 4, with nothing measured for two hours between.
    fn day(alarms: Vec<&Alarm>, zone: &TimeZone) -> Trend {
        let value = |hour| match hour {
            0..10 => Some(2.0),
            10..12 => None,
            _ => Some(4.0),
        };
        let buckets: Vec<Bucket> = (0..24).map(|hour| bucket(hour, value(hour))).collect();
        Trend::of(&Subject {
            signal: "h2s-1.concentration",
            label: "H2S",
            unit: "ppmv",
            span: Span::Day,
            from: buckets[0].from.0,
            to: buckets[23].to.0,
            buckets: &buckets,
            alarms,
            zone,
        })
    }

    fn chicago() -> TimeZone {
        TimeZone::get("America/Chicago").unwrap()
    }

    #[test]
    fn a_gap_is_a_gap_and_each_side_of_it_a_figure_of_its_own() {
        let trend = day(Vec::new(), &chicago());
        assert_eq!(trend.mean.matches('M').count(), 2, "{}", trend.mean);
        assert_eq!(trend.band.matches('Z').count(), 2, "{}", trend.band);
        // Hours 10 to 12 of 24 on an axis from 64 to 708.
        assert_eq!(trend.gaps, [("332.3".to_owned(), "53.7".to_owned())]);
        assert!(!trend.mean.contains("NaN") && !trend.band.contains("NaN"));
    }

    #[test]
    fn the_drawing_is_told_in_words() {
        let words = day(Vec::new(), &chicago()).words;
        let mean = "time-weighted mean 3.091 ppmv";
        assert!(words.starts_with("In the last 24 hours: least 1 ppmv, "), "{words}");
        assert!(words.contains(mean) && words.contains("greatest 5 ppmv."), "{words}");
        assert!(words.contains("Not measured for 2 h of it; nothing is drawn there."), "{words}");
    }

    #[test]
    fn times_are_those_of_the_site_and_values_are_round() {
        let trend = day(Vec::new(), &chicago());
        let texts = |marks: &[Mark]| marks.iter().map(|mark| mark.text.clone()).collect::<Vec<_>>();
        assert_eq!(texts(&trend.times), ["04:00", "08:00", "12:00", "16:00", "20:00"]);
        assert_eq!(texts(&trend.values), ["1", "2", "3", "4", "5"]);
        assert_eq!(trend.zone, "CST");
    }

    #[test]
    fn nothing_measured_is_said_and_breaks_nothing() {
        let buckets: Vec<Bucket> = (0..24).map(|hour| bucket(hour, None)).collect();
        let zone = chicago();
        let subject = Subject {
            signal: "a.b",
            label: "a.b",
            unit: "",
            span: Span::Day,
            from: buckets[0].from.0,
            to: buckets[23].to.0,
            buckets: &buckets,
            alarms: Vec::new(),
            zone: &zone,
        };
        let trend = Trend::of(&subject);
        assert_eq!(trend.words, "The record has no measurement of the last 24 hours.");
        assert_eq!((trend.mean.as_str(), trend.gaps.len()), ("", 1));
    }
}
