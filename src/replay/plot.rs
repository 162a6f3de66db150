//! A sweep as a picture: how often the alarm would have come, and for how long, over the values tried.

use std::fmt::Write;

use crate::replay::{SweepPoint, Swept};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 70.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 50.0;

/// The picture as SVG. `alarm` may hold any text.
pub fn svg(alarm: &str, setting: Swept, points: &[SweepPoint]) -> String {
    let most = points.iter().map(count).fold(1.0, f64::max);
    let longest = points.iter().map(minutes).fold(1.0 / 60.0, f64::max);
    let (low, high) = ends(points);
    let x = |value: f64| LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT);
    let y = |share: f64| HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM);
    let mut out = String::new();
    // Writing into a String cannot fail.
    let _ = write!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" font-family="sans-serif" font-size="12">
<title>{alarm}: alarms over {setting}</title>
<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>
<text x="{LEFT}" y="20" font-weight="bold">{alarm}: bars = times raised, line = minutes active</text>
"##,
        alarm = escaped(alarm),
        setting = setting.word(),
    );
    let bar = (WIDTH - LEFT - RIGHT) / f64::from(u32::try_from(points.len()).unwrap_or(1).max(1)) * 0.4;
    for point in points {
        let top = y(count(point) / most);
        let _ = writeln!(
            out,
            r##"<rect x="{:.1}" y="{top:.1}" width="{bar:.1}" height="{:.1}" fill="#9aa5ae"/><text x="{:.1}" y="{:.1}" text-anchor="middle">{}</text>"##,
            x(point.value) - bar / 2.0,
            y(0.0) - top,
            x(point.value),
            top - 4.0,
            point.tally.count,
        );
    }
    let line: Vec<String> = points
        .iter()
        .map(|point| format!("{:.1},{:.1}", x(point.value), y(minutes(point) / longest)))
        .collect();
    let _ = write!(
        out,
        r##"<polyline points="{}" fill="none" stroke="#1b4a78" stroke-width="2"/>
<line x1="{LEFT}" x2="{right}" y1="{base}" y2="{base}" stroke="#333"/>
<text x="{LEFT}" y="{label}" text-anchor="middle">{low}</text>
<text x="{right}" y="{label}" text-anchor="middle">{high}</text>
<text x="{middle}" y="{label}" text-anchor="middle">{setting}</text>
<text x="{right}" y="{TOP}" dx="6">{longest:.1} min</text>
</svg>
"##,
        line.join(" "),
        right = WIDTH - RIGHT,
        base = y(0.0),
        label = HEIGHT - BOTTOM + 20.0,
        middle = (LEFT + WIDTH - RIGHT) / 2.0,
        setting = setting.word(),
    );
    out
}

fn count(point: &SweepPoint) -> f64 {
    f64::from(u32::try_from(point.tally.count).unwrap_or(u32::MAX))
}

fn minutes(point: &SweepPoint) -> f64 {
    point.tally.active.as_secs_f64() / 60.0
}

fn ends(points: &[SweepPoint]) -> (f64, f64) {
    let low = points.first().map_or(0.0, |point| point.value);
    let high = points.last().map_or(1.0, |point| point.value);
    if low < high { (low, high) } else { (low, low + 1.0) }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
