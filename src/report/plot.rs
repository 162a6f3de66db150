//! A signal's hours as a drawing: a bar from least to greatest in each hour, the mean across it, the
//! setpoints, and nothing where nothing was measured. Made for paper: black, grey, dashes.

use std::fmt::Write;

use crate::report::{Report, SignalTold};
use crate::view::{round_values, words};

/// The drawing's own units; it is scaled to the page.
pub const WIDTH: f64 = 720.0;
/// As high as this.
pub const HEIGHT: f64 = 200.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 8.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = 24.0;
/// About so many marks on the value axis, and at most so many on the time axis.
const VALUE_MARKS: f64 = 4.0;
const TIME_MARKS_MAX: usize = 9;

/// The drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// In words, for whoever cannot see it.
    pub words: String,
    /// The bars, as an SVG path, and their width.
    pub bars: String,
    /// How wide a bar is.
    pub bar_width: String,
    /// The means, as an SVG path.
    pub means: String,
    /// Places on the value axis.
    pub values: Vec<Mark>,
    /// Places on the time axis.
    pub times: Vec<Mark>,
    /// The setpoints.
    pub limits: Vec<Mark>,
}

/// A place on an axis and what stands there.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The place.
    pub at: String,
    /// What stands there.
    pub text: String,
}

impl Plot {
    /// The drawing of a signal; `None` when nothing of it was measured.
    pub fn of(signal: &SignalTold, report: &Report) -> Option<Plot> {
        let limits = signal.beyond.iter().map(|beyond| (beyond.setpoint, &beyond.alarm));
        let limits: Vec<_> =
            limits.chain(signal.averages.iter().map(|it| (it.setpoint, &it.alarm))).collect();
        let (min, max) = signal.whole.min.zip(signal.whole.max)?;
        let setpoints = || limits.iter().map(|(setpoint, _)| *setpoint);
        let axes = Axes::of(setpoints().fold(min, f64::min), setpoints().fold(max, f64::max), report);
        let (mut bars, mut means) = (String::new(), String::new());
        let mut widest: f64 = 1.0;
        for hour in &signal.hours {
            let (Some(min), Some(mean), Some(max)) = (hour.min, hour.mean, hour.max) else { continue };
            let (left, right) = (axes.x(hour.from.0.as_millisecond()), axes.x(hour.to.0.as_millisecond()));
            widest = widest.max(right - left);
            // Writing into a string cannot fail. A bar is never too thin to be seen.
            let (bottom, top) = (axes.y(min) + 0.4, axes.y(max) - 0.4);
            let _ = write!(bars, "M{:.1} {bottom:.1}V{top:.1}", (left + right) / 2.0);
            let _ = write!(means, "M{left:.1} {:.1}H{right:.1}", axes.y(mean));
        }
        Some(Plot {
            words: format!("{}: bars from least to greatest of each hour, the line is the mean", signal.id),
            bars,
            bar_width: format!("{:.1}", widest * 0.7),
            means,
            values: axes.value_marks(),
            times: axes.time_marks(report),
            limits: limits
                .iter()
                .map(|(setpoint, alarm)| Mark {
                    at: format!("{:.1}", axes.y(*setpoint)),
                    text: format!("{alarm} {setpoint}"),
                })
                .collect(),
        })
    }
}

struct Axes {
    from_ms: i64,
    to_ms: i64,
    low: f64,
    high: f64,
}

impl Axes {
    fn of(low: f64, high: f64, report: &Report) -> Axes {
        let margin = ((high - low) * 0.06).max(high.abs() * 1e-6).max(f64::MIN_POSITIVE);
        let [from_ms, to_ms] = [report.span.from, report.span.to].map(|at| at.0.as_millisecond());
        Axes { from_ms, to_ms, low: low - margin, high: high + margin }
    }

    fn x(&self, at_ms: i64) -> f64 {
        let part = |ms: i64| std::time::Duration::from_millis(u64::try_from(ms).unwrap_or(0)).as_secs_f64();
        LEFT + part(at_ms - self.from_ms) / part(self.to_ms - self.from_ms) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        HEIGHT - BOTTOM - (value - self.low) / (self.high - self.low) * (HEIGHT - TOP - BOTTOM)
    }

    fn value_marks(&self) -> Vec<Mark> {
        let (apart, values) = round_values(self.low, self.high, VALUE_MARKS);
        let mark = |value: f64| {
            // What is nearly zero beside the step is zero.
            let value = if value.abs() < apart * 1e-9 { 0.0 } else { value };
            Mark { at: format!("{:.1}", self.y(value)), text: words::number(value) }
        };
        values.into_iter().map(mark).collect()
    }

    /// The beginnings of hours, or of gas days where there are several.
    fn time_marks(&self, report: &Report) -> Vec<Mark> {
        let zone = report.zone();
        let days = &report.span.gas_days;
        let hours = report.signals.first().map(|signal| signal.hours.as_slice()).unwrap_or_default();
        let (all, format): (Vec<_>, _) = match days.len() {
            0 | 1 => (hours.iter().map(|hour| hour.from).collect(), "%H:%M"),
            _ => (days.iter().map(|day| day.from).collect(), "%b %-d"),
        };
        let apart = all.len().div_ceil(TIME_MARKS_MAX).max(1);
        let mark = |at: &crate::view::Instant| Mark {
            at: format!("{:.1}", self.x(at.0.as_millisecond())),
            text: at.0.to_zoned_datetime(zone.clone()).strftime(format).to_string(),
        };
        all.iter().step_by(apart).map(mark).collect()
    }
}
