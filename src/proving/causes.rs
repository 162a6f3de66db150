//! The likely causes when loop, register and display do not agree: from the shape of the error, the one
//! that fits best first.
//!
//! A shape is a hint and no proof. Several faults look alike, above all at a single point; a person finds
//! out which it is, by the maker's manual. The shapes are worked out from Ohm's law and the scaling of a
//! live-zero loop; which fault makes which shape is common practice, no source, unless one is named.

use crate::proving::loop_check::{
    FULL_SCALE_MA, LIVE_ZERO_MA, Point, Subject, current_of_share, extent, share_of_current,
};
use crate::proving::straight::Straight;
use crate::signal::{CurrentLoop, LoopBand};

/// More than this from the smallest to the greatest reading is noise, as a share of the span: 0.08 mA of a
/// loop. Common practice, no source.
pub const NOISE_SHARE_MAX: f64 = 0.005;

/// Where the current is nought, as a share of the range of a loop of 4 to 20 mA.
const NO_CURRENT_SHARE: f64 = -LIVE_ZERO_MA / (FULL_SCALE_MA - LIVE_ZERO_MA);
/// What 4 to 20 mA come to when they are counted from 0 mA, and the other way round.
const AS_FROM_NOUGHT: Straight = Straight { zero: 0.2, slope: 0.8 };
const AS_FROM_FOUR: Straight = Straight { zero: -0.25, slope: 1.25 };
/// Less current than this is none: an input's own error. Common practice, no source.
const NO_CURRENT_MA: f64 = 0.5;
/// Ranges differ by these factors, and by ten times these: the steps in which ranges are made.
const RANGE_FACTORS: [f64; 7] = [1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 10.0];
/// A factor is taken for one of these, or for a unit's, when it is as near as this.
const FACTOR_NEAR: f64 = 0.01;

/// What should be and what is, as shares.
type Pairs = Vec<(f64, f64)>;

/// A likely cause.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// The loop could not be read, or nothing it could be compared with.
    NotRead,
    /// No current flows.
    NoCurrent,
    /// The current stands in a failure band of NE 43.
    FaultCurrent,
    /// It carries what the register says of the gas, and not the points: nobody made the loop test.
    NoLoopTest,
    /// The loop does not move with the points.
    Stuck,
    /// It falls where it should rise.
    Reversed,
    /// One end has 0–20 mA, the other takes it for 4–20 mA.
    SentFromNought,
    /// One end has 4–20 mA, the other takes it for 0–20 mA.
    TakenFromNought,
    /// It stops rising before the top; at this current, in mA.
    SaturatedHigh(f64),
    /// It stops falling before the bottom; at this current, in mA.
    SaturatedLow(f64),
    /// A part of the current takes another way, or the resistor is another one; by this factor.
    Shunt(f64),
    /// Current is added, most where the loop carries least.
    Leakage,
    /// Off by the same everywhere; this share of the span.
    Offset(f64),
    /// Right at the bottom and off in proportion; by this factor.
    Span(f64),
    /// Off at both ends.
    OffsetAndSpan,
    /// Not on a straight line.
    Bent,
    /// It trembles; by this share of the span.
    Noise(f64),
    /// Two ranges that differ by this factor.
    WrongRange(f64),
    /// A number in this unit, taken for one in the register's.
    WrongUnit(String),
    /// The scale in the site file is not that of the analyzer's range.
    SiteScale,
    /// The register stands still while the display moves.
    RegisterStuck,
    /// Display and register differ, and no unit explains it.
    DisplayApart,
}

/// Which end of the loop the fault is at, when a meter was in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The meter agrees with the input: the current itself is wrong.
    Analyzer,
    /// The meter shows what it should: the input reads it wrongly.
    Input,
}

/// The likely causes of what was found, the best first; none when all agrees.
pub fn likely_causes(points: &[Point], subject: &Subject) -> Vec<Cause> {
    let mut causes = Vec::new();
    causes.extend(site_scale(subject));
    causes.extend(of_display(points, subject));
    causes.extend(of_register(points, subject));
    causes.extend(of_loop(points, subject));
    causes.extend(noise(points, subject).map(Cause::Noise));
    causes
}

/// Which end of the loop is at fault; `None` when no meter tells, or when nothing is.
pub fn side(points: &[Point], subject: &Subject) -> Option<Side> {
    let near = |one: f64, other: f64| (one - other).abs() <= subject.tolerance;
    let judged = points.iter().filter_map(|point| {
        let (expected, current) = loop_pair(point, subject)?;
        let meter = share_of_current(point.meter_ma?);
        let wrong = !near(current, expected);
        Some((wrong && near(meter, current), wrong && near(meter, expected)))
    });
    let judged: Vec<(bool, bool)> = judged.collect();
    let analyzer = judged.iter().any(|(analyzer, _)| *analyzer);
    let input = judged.iter().any(|(_, input)| *input);
    match (analyzer, input) {
        (true, false) => Some(Side::Analyzer),
        (false, true) => Some(Side::Input),
        (true, true) | (false, false) => None,
    }
}

/// By which share of the span the loop trembles more than the register, when that is too much.
pub(super) fn noise(points: &[Point], subject: &Subject) -> Option<f64> {
    let own = |point: &Point| {
        let current = point.current_ma?.scatter / (FULL_SCALE_MA - LIVE_ZERO_MA);
        // Gas that changes moves both.
        let of_gas = point.register.map_or(0.0, |register| register.scatter / subject.span());
        Some(current - of_gas)
    };
    points.iter().filter_map(own).reduce(f64::max).filter(|share| *share > NOISE_SHARE_MAX)
}

/// Whether siskin itself makes another number of the current than the analyzer meant.
pub(super) fn site_scale(subject: &Subject) -> Option<Cause> {
    let ends = [(LIVE_ZERO_MA, subject.range.low), (FULL_SCALE_MA, subject.range.high)];
    let apart = |(milliamps, value): (f64, f64)| (subject.scale.apply(milliamps) - value).abs();
    let allowed = subject.tolerance * subject.span();
    ends.into_iter().any(|end| apart(end) > allowed).then_some(Cause::SiteScale)
}

/// What the loop should carry and what it carries, as shares.
fn loop_pair(point: &Point, subject: &Subject) -> Option<(f64, f64)> {
    let current = share_of_current(point.current_ma?.mean);
    let register = || Some(subject.share(point.register?.mean));
    Some((point.ordered.or_else(register)?, current))
}

fn of_loop(points: &[Point], subject: &Subject) -> Vec<Cause> {
    let tolerance = subject.tolerance;
    let pairs: Pairs = points.iter().filter_map(|point| loop_pair(point, subject)).collect();
    let currents: Vec<f64> = points.iter().filter_map(|point| Some(point.current_ma?.mean)).collect();
    if pairs.is_empty() || pairs.len() < points.len() {
        return vec![Cause::NotRead];
    }
    if pairs.iter().all(|(expected, found)| (found - expected).abs() <= tolerance) {
        return Vec::new();
    }
    let walked = extent(pairs.iter().map(|(expected, _)| *expected)) > 4.0 * tolerance;
    let still = extent(pairs.iter().map(|(_, found)| *found)) <= 2.0 * tolerance;
    if currents.iter().all(|current| *current < NO_CURRENT_MA) {
        return vec![Cause::NoCurrent];
    }
    let failed =
        |current: &f64| matches!(CurrentLoop::band(*current), LoopBand::FailureLow | LoopBand::FailureHigh);
    if still && currents.iter().all(failed) {
        return vec![Cause::FaultCurrent];
    }
    if walked && shows_the_gas(points, subject) {
        return vec![Cause::NoLoopTest];
    }
    if walked && still {
        return vec![Cause::Stuck];
    }
    let range = if points.iter().any(|point| point.ordered.is_none()) { Some(subject) } else { None };
    shapes(&pairs, tolerance, range)
}

/// Whether the loop carries at every point what the register says, while that goes along with the points by no
/// more than a quarter: so far gas may wander during a walk (siskin's own choice).
fn shows_the_gas(points: &[Point], subject: &Subject) -> bool {
    let register = |point: &Point| Some(subject.share(point.register?.mean));
    let agrees = |point: &Point| {
        let apart = register(point)? - share_of_current(point.current_ma?.mean);
        Some(apart.abs() <= subject.tolerance)
    };
    let ordered = extent(points.iter().filter_map(|point| point.ordered));
    points.iter().all(|point| point.ordered.is_some() && agrees(point) == Some(true))
        && extent(points.iter().filter_map(register)) <= ordered / 4.0
}

/// The shapes that fit. `range`: the register is what is compared with, so that ranges and units count.
fn shapes(pairs: &[(f64, f64)], tolerance: f64, range: Option<&Subject>) -> Vec<Cause> {
    let fits = |line: &Straight| line.residual(pairs) <= tolerance;
    let span = Straight::through_pivot((0.0, 0.0), pairs);
    let mut known = Vec::new();
    if let (Some(subject), Some(line)) = (range, span.filter(fits)) {
        known.extend(named_factor(line.slope, subject));
    }
    // At a single point several of them may fit.
    for (line, cause) in [
        (Straight { zero: 1.0, slope: -1.0 }, Cause::Reversed),
        (AS_FROM_NOUGHT, Cause::TakenFromNought),
        (AS_FROM_FOUR, Cause::SentFromNought),
    ] {
        known.extend(fits(&line).then_some(cause));
    }
    if !known.is_empty() {
        return known;
    }
    if let Some(saturated) = saturated(pairs, tolerance) {
        return vec![saturated];
    }
    fitted(pairs, tolerance, span).unwrap_or_else(|| match Straight::through(pairs).filter(fits) {
        Some(line) if leaks(&line, tolerance) => vec![Cause::Leakage, Cause::OffsetAndSpan],
        Some(_) => vec![Cause::OffsetAndSpan],
        None => clipped(pairs, tolerance, range).unwrap_or_else(|| vec![Cause::Bent]),
    })
}

/// The shapes with one free figure, the nearest first and what is hardly farther after it.
fn fitted(pairs: &[(f64, f64)], tolerance: f64, span: Option<Straight>) -> Option<Vec<Cause>> {
    let lines = [
        Some(Straight::with_slope(1.0, pairs)).map(|line| (line, Cause::Offset(line.zero))),
        span.map(|line| (line, Cause::Span(line.slope))),
        Straight::through_pivot((NO_CURRENT_SHARE, NO_CURRENT_SHARE), pairs)
            .map(|line| (line, Cause::Shunt(line.slope))),
    ];
    let mut fitting: Vec<(f64, Cause)> = lines
        .into_iter()
        .flatten()
        .map(|(line, cause)| (line.residual(pairs), cause))
        .filter(|(apart, _)| *apart <= tolerance)
        .collect();
    fitting.sort_by(|one, other| one.0.total_cmp(&other.0));
    let limit = fitting.first()?.0 + tolerance / 2.0;
    Some(fitting.into_iter().filter(|(apart, _)| *apart <= limit).map(|(_, cause)| cause).collect())
}

/// What is wrong below the height at which the input, or the supply, cuts off several points; `None` when
/// none are cut off, or when too few are left to tell by.
fn clipped(pairs: &[(f64, f64)], tolerance: f64, range: Option<&Subject>) -> Option<Vec<Cause>> {
    let height = pairs.iter().map(|(_, found)| *found).reduce(f64::max)?;
    let at_height = |(_, found): &(f64, f64)| height - found <= tolerance;
    let (cut_off, below): (Pairs, Pairs) = pairs.iter().partition(|pair| at_height(pair));
    if cut_off.len() < 2 || below.len() < 2 {
        return None;
    }
    let mut causes = shapes(&below, tolerance, range);
    causes.push(Cause::SaturatedHigh(current_of_share(height)));
    Some(causes)
}

/// A leak across the analyzer's terminals adds what their voltage drives through it, and that voltage is
/// highest where the loop carries least, since the loop's resistances take less of the supply then.
fn leaks(line: &Straight, tolerance: f64) -> bool {
    line.zero > tolerance && line.slope < 1.0 && line.at(1.0) >= 1.0 - tolerance
}

/// The loop follows up to a point, or down to one, and stays there.
fn saturated(pairs: &[(f64, f64)], tolerance: f64) -> Option<Cause> {
    let near = |(expected, found): &(f64, f64)| (found - expected).abs() <= tolerance;
    let (following, held): (Pairs, Pairs) = pairs.iter().partition(|pair| near(pair));
    let at_one_height = extent(held.iter().map(|(_, found)| *found)) <= 2.0 * tolerance;
    if following.is_empty() || !at_one_height {
        return None;
    }
    let height = held.first()?.1;
    if held.iter().all(|(expected, found)| found < expected)
        && following.iter().all(|(expected, _)| *expected <= height + 2.0 * tolerance)
    {
        return Some(Cause::SaturatedHigh(current_of_share(height)));
    }
    let low = held.iter().all(|(expected, found)| found > expected)
        && following.iter().all(|(expected, _)| *expected >= height - 2.0 * tolerance);
    low.then(|| Cause::SaturatedLow(current_of_share(height)))
}

/// What a factor between two ends of a range is known as: a step between ranges, or a unit.
fn named_factor(factor: f64, subject: &Subject) -> Vec<Cause> {
    let mut causes = Vec::new();
    if is_range_factor(factor) {
        causes.push(Cause::WrongRange(factor));
    }
    // The loop carries the other unit: its number is the register's divided by the way to that.
    let way = |(name, way): &(String, crate::units::Conversion)| {
        (way.offset == 0.0 && near_factor(factor * way.factor, 1.0)).then(|| Cause::WrongUnit(name.clone()))
    };
    causes.extend(subject.units.iter().filter_map(way));
    causes
}

fn is_range_factor(factor: f64) -> bool {
    if factor <= 0.0 {
        return false;
    }
    let factor = if factor < 1.0 { 1.0 / factor } else { factor };
    let decades = [1.0, 10.0, 100.0, 1000.0];
    let known = decades.iter().flat_map(|decade| RANGE_FACTORS.iter().map(move |step| step * decade));
    known.into_iter().any(|known| near_factor(factor, known))
}

fn near_factor(one: f64, other: f64) -> bool {
    (one - other).abs() <= FACTOR_NEAR * other.abs()
}

/// The register against the points of a walk, where it follows.
fn of_register(points: &[Point], subject: &Subject) -> Vec<Cause> {
    if !subject.register_follows(points) {
        return Vec::new();
    }
    let pair = |point: &Point| Some((point.ordered?, subject.share(point.register?.mean)));
    let pairs: Pairs = points.iter().filter_map(pair).collect();
    if pairs.iter().all(|(expected, found)| (found - expected).abs() <= subject.tolerance) {
        return Vec::new();
    }
    let span = Straight::through_pivot((0.0, 0.0), &pairs);
    let fitting = span.filter(|line| line.residual(&pairs) <= subject.tolerance);
    match fitting {
        // The register is in its own unit: a factor of two means that 100 % is twice the range here.
        Some(line) => {
            let named = named_factor(line.slope, subject);
            if named.is_empty() { vec![Cause::WrongRange(line.slope)] } else { named }
        }
        None => shapes(&pairs, subject.tolerance, None),
    }
}

/// The display against the register.
fn of_display(points: &[Point], subject: &Subject) -> Vec<Cause> {
    let pairs: Pairs =
        points.iter().filter_map(|point| Some((point.display?, point.register?.mean))).collect();
    let allowed = subject.tolerance * subject.span();
    if pairs.iter().all(|(display, register)| (display - register).abs() <= allowed) {
        return Vec::new();
    }
    let explains = |way: &dyn Fn(f64) -> f64| {
        pairs.iter().all(|(display, register)| {
            let apart = (way(*display) - register).abs();
            apart <= FACTOR_NEAR * register.abs().max(allowed)
        })
    };
    let of_unit = |(name, way): &(String, crate::units::Conversion)| {
        explains(&|display| way.apply(display)).then(|| Cause::WrongUnit(name.clone()))
    };
    let units: Vec<Cause> = subject.units.iter().filter_map(of_unit).collect();
    if !units.is_empty() {
        return units;
    }
    let factors = [-3, -2, -1, 1, 2, 3].map(|power| 10_f64.powi(power));
    if let Some(factor) = factors.into_iter().find(|factor| explains(&|display| display * factor)) {
        return vec![Cause::WrongRange(factor)];
    }
    let moved = |of: fn(&(f64, f64)) -> f64| extent(pairs.iter().map(of));
    let stuck = moved(|pair| pair.0) > 4.0 * allowed && moved(|pair| pair.1) <= 2.0 * allowed;
    vec![if stuck { Cause::RegisterStuck } else { Cause::DisplayApart }]
}
