//! A loop check: what register, current loop, display and a meter in the loop said at each point, how far
//! they lie apart, and whether that is near enough.
//!
//! A point is either the gas that flows now, or one that the analyzer's own loop test was told to put out.
//! siskin orders nothing: a person sets the points at the analyzer. Why they lie apart: [`super::causes`].

use crate::proving::straight::Straight;
use crate::signal::{Range, Scale};
use crate::units::Conversion;

/// The points of a walk, as shares of the loop's range: five of them, common practice, no source.
pub const WALK: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];

/// How far two may lie apart when the technician does not say, as a share of the span. Common practice, no
/// source.
pub const TOLERANCE_DEFAULT: f64 = 0.01;

/// The current at the lower end of a loop's range, in mA (IEC 60381-1, from memory).
pub const LIVE_ZERO_MA: f64 = 4.0;
/// The current at the upper end, in mA.
pub const FULL_SCALE_MA: f64 = 20.0;
const SPAN_MA: f64 = FULL_SCALE_MA - LIVE_ZERO_MA;

/// What is checked, and against what.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// The measuring range, in the register's unit.
    pub range: Range,
    /// From milliamps to the register's unit, as the site file has it.
    pub scale: Scale,
    /// How far two may lie apart, as a share of the span.
    pub tolerance: f64,
    /// Other units, each with the way from it to the register's, for when display and register do not
    /// agree.
    pub units: Vec<(String, Conversion)>,
}

/// Several readings of one thing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Their mean.
    pub mean: f64,
    /// From the smallest to the greatest.
    pub scatter: f64,
    /// How many there were.
    pub readings: usize,
}

impl Measured {
    /// Of these readings; `None` without any.
    pub fn of(readings: &[f64]) -> Option<Measured> {
        let count = u32::try_from(readings.len()).ok().filter(|count| *count > 0)?;
        let mean = readings.iter().sum::<f64>() / f64::from(count);
        let least = readings.iter().copied().fold(f64::INFINITY, f64::min);
        let greatest = readings.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Some(Measured { mean, scatter: greatest - least, readings: readings.len() })
    }
}

/// What was read and seen at one point.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Point {
    /// What the analyzer's loop test was told to put out, as a share of its range; `None`: the gas that
    /// flows.
    pub ordered: Option<f64>,
    /// The register, in its unit.
    pub register: Option<Measured>,
    /// The loop current as siskin reads it, in mA.
    pub current_ma: Option<Measured>,
    /// What the display shows, typed in by the technician, in the unit that the register should have.
    pub display: Option<f64>,
    /// What a meter in the loop shows, typed in by the technician, in mA.
    pub meter_ma: Option<f64>,
}

/// Two that should agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Pair {
    /// The loop and what was ordered.
    LoopOrdered,
    /// The loop and the register.
    LoopRegister,
    /// The register and what was ordered, where the register follows the loop test.
    RegisterOrdered,
    /// The display and the register.
    DisplayRegister,
    /// The loop as siskin reads it and the meter in it.
    LoopMeter,
}

impl Pair {
    /// The word in the journal and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Pair::LoopOrdered => "loop_ordered",
            Pair::LoopRegister => "loop_register",
            Pair::RegisterOrdered => "register_ordered",
            Pair::DisplayRegister => "display_register",
            Pair::LoopMeter => "loop_meter",
        }
    }

    /// In words for a person.
    pub const fn words(self) -> &'static str {
        match self {
            Pair::LoopOrdered => "loop against the point",
            Pair::LoopRegister => "loop against register",
            Pair::RegisterOrdered => "register against the point",
            Pair::DisplayRegister => "display against register",
            Pair::LoopMeter => "loop against meter",
        }
    }
}

/// How far two lie apart at one point: the first less the second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// Which two.
    pub pair: Pair,
    /// As a share of the span.
    pub share: f64,
}

impl Gap {
    /// In mA on a loop of 4 to 20 mA.
    pub fn milliamps(&self) -> f64 {
        self.share * SPAN_MA
    }
}

/// What a loop check has come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// How far things lie apart, for each point.
    pub gaps: Vec<Vec<Gap>>,
    /// The greatest gap of all, as a share of the span; `None` when nothing could be compared.
    pub worst: Option<f64>,
    /// Everything that was to be compared could be, and agrees within the tolerance.
    pub pass: bool,
}

impl Subject {
    /// The range's length, in the register's unit.
    pub fn span(&self) -> f64 {
        self.range.high - self.range.low
    }

    /// A value of the register as a share of the range.
    pub fn share(&self, value: f64) -> f64 {
        (value - self.range.low) / self.span()
    }

    /// Compares what was read at these points. A point at which the loop was not read fails.
    pub fn judge(&self, points: &[Point]) -> Verdict {
        let follows = self.register_follows(points);
        let gaps: Vec<Vec<Gap>> = points.iter().map(|point| self.gaps(point, follows)).collect();
        let worst = gaps.iter().flatten().map(|gap| gap.share.abs()).reduce(f64::max);
        let all_compared = points.iter().zip(&gaps).all(|(point, gaps)| {
            point.current_ma.is_some()
                && gaps.iter().any(|gap| matches!(gap.pair, Pair::LoopOrdered | Pair::LoopRegister))
        });
        let agrees = worst.is_some_and(|worst| worst <= self.tolerance);
        let quiet = super::causes::noise(points, self).is_none();
        let scaled = super::causes::site_scale(self).is_none();
        Verdict { gaps, worst, pass: all_compared && agrees && quiet && scaled }
    }

    fn gaps(&self, point: &Point, register_follows: bool) -> Vec<Gap> {
        let current = point.current_ma.map(|current| share_of_current(current.mean));
        let register = point.register.map(|register| self.share(register.mean));
        let display = point.display.map(|display| self.share(display));
        let meter = point.meter_ma.map(share_of_current);
        let comparable = register.filter(|_| point.ordered.is_none());
        [
            (Pair::LoopOrdered, current, point.ordered),
            (Pair::LoopRegister, current, comparable),
            (Pair::RegisterOrdered, register.filter(|_| register_follows), point.ordered),
            (Pair::DisplayRegister, display, register),
            (Pair::LoopMeter, current, meter),
        ]
        .into_iter()
        .filter_map(|(pair, one, other)| Some(Gap { pair, share: one? - other? }))
        .collect()
    }

    /// Whether the register moves with the loop test. In some analyzers it stays at what the sensor says,
    /// and then it cannot be held against the point.
    pub fn register_follows(&self, points: &[Point]) -> bool {
        let walked: Vec<(f64, f64)> = points
            .iter()
            .filter_map(|point| Some((point.ordered?, self.share(point.register?.mean))))
            .collect();
        let moved = extent(walked.iter().map(|(_, register)| *register));
        // Gas that wanders meanwhile does not wander along a straight line from point to point.
        walked.len() >= FOLLOWS_POINTS_MIN
            && moved >= FOLLOWS_TOLERANCES * self.tolerance
            && Straight::through(&walked).is_some_and(|line| line.residual(&walked) <= FOLLOWS_BEND * moved)
    }
}

/// With fewer points anything lies on a straight line.
const FOLLOWS_POINTS_MIN: usize = 3;
/// A register that moves by less is not taken to follow. Common practice, no source.
const FOLLOWS_TOLERANCES: f64 = 4.0;
/// Nor one that strays further from a straight line, as a part of its way.
const FOLLOWS_BEND: f64 = 0.1;

/// A current in mA as a share of the range of a loop of 4 to 20 mA.
pub fn share_of_current(milliamps: f64) -> f64 {
    (milliamps - LIVE_ZERO_MA) / SPAN_MA
}

/// The current in mA for a share of the range.
pub fn current_of_share(share: f64) -> f64 {
    LIVE_ZERO_MA + share * SPAN_MA
}

/// From the smallest to the greatest; negative without any.
pub(super) fn extent(numbers: impl Iterator<Item = f64>) -> f64 {
    let (least, greatest) = numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, greatest), number| {
        (least.min(number), greatest.max(number))
    });
    greatest - least
}
