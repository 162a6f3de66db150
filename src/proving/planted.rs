//! Faults planted into a walk, or into what flows, and what is said of each. The table in docs/testing.md
//! is held to these.

#![allow(clippy::unwrap_used)]

use crate::proving::causes::{Cause, Side, likely_causes, side};
use crate::proving::loop_check::{Measured, Pair, Point, Subject, WALK, current_of_share};
use crate::signal::{Range, Scale};
use crate::units::{Circumstances, GasReference, Substance, Unit, conversion};

const RANGE: Range = Range { low: 0.0, high: 20.0 };

fn subject() -> Subject {
    let reference = GasReference { temperature_k: 519.67 / 1.8, pressure_pa: 14.73 * 6894.757 };
    let at = Circumstances { reference, substance: Some(Substance::HydrogenSulfide), ambient_pa: None };
    let own = Unit::parse("ppmv").unwrap();
    let others = ["ppbv", "mg/m3", "gr/100scf", "mol%"].into_iter();
    let units = others
        .map(|name| (name.to_owned(), conversion(Unit::parse(name).unwrap(), own, &at).unwrap()))
        .collect();
    let scale = Scale { from: [4.0, 20.0], to: [0.0, 20.0] };
    Subject { range: RANGE, scale, tolerance: 0.01, units }
}

fn exactly(mean: f64) -> Measured {
    Measured { mean, scatter: 0.0, readings: 1 }
}

/// The walk with a loop that carries `milliamps` of what it should; the register stays at the gas.
fn walk(milliamps: impl Fn(f64) -> f64) -> Vec<Point> {
    let point = |ordered: f64| Point {
        ordered: Some(ordered),
        register: Some(exactly(3.1)),
        current_ma: Some(exactly(milliamps(current_of_share(ordered)))),
        ..Point::default()
    };
    WALK.map(point).to_vec()
}

/// A walk with a right loop, whose register says `register` of the share that was ordered.
fn followed(register: impl Fn(f64) -> f64) -> Vec<Point> {
    let follow =
        |point: Point| Point { register: point.ordered.map(|share| exactly(register(share))), ..point };
    walk(|milliamps| milliamps).into_iter().map(follow).collect()
}

/// A walk in which loop and register show the gas, whatever is ordered.
fn unmoved(gas: &[f64; 5]) -> Vec<Point> {
    let shows = |(point, gas): (Point, &f64)| Point {
        register: Some(exactly(*gas)),
        current_ma: Some(exactly(4.0 + gas * 0.8)),
        ..point
    };
    walk(|right| right).into_iter().zip(gas).map(shows).collect()
}

/// Flowing gas: the register, the current, the display.
fn flowing(register: f64, milliamps: f64, display: Option<f64>) -> Vec<Point> {
    vec![Point {
        register: Some(exactly(register)),
        current_ma: Some(exactly(milliamps)),
        display,
        ..Point::default()
    }]
}

fn at_displays(pairs: &[(f64, f64)]) -> Vec<Point> {
    let point =
        |(display, register): &(f64, f64)| flowing(*register, 4.0 + register * 0.8, Some(*display)).remove(0);
    pairs.iter().map(point).collect()
}

fn scattered(point: Point, milliamps: f64) -> Point {
    let current_ma = point.current_ma.map(|current| Measured { scatter: milliamps, ..current });
    Point { current_ma, ..point }
}

struct Planted {
    fault: &'static str,
    points: Vec<Point>,
    subject: Subject,
    causes: &'static [&'static str],
}

fn planted() -> Vec<Planted> {
    let own = |fault, points, causes| Planted { fault, points, subject: subject(), causes };
    let zero_scale = Subject { scale: Scale { from: [0.0, 20.0], to: [0.0, 20.0] }, ..subject() };
    vec![
        own("nothing", walk(|right| right), &[]),
        own("wire off", walk(|_| 0.02), &["no_current"]),
        own("analyzer in failure, 21.5 mA", walk(|_| 21.5), &["fault_current"]),
        own("module does not answer", vec![Point { ordered: Some(0.5), ..Point::default() }], &["not_read"]),
        own("loop of the neighbour", walk(|_| 9.3), &["stuck"]),
        own(
            "no loop test made, gas that wanders",
            unmoved(&[1.85, 2.02, 1.93, 1.59, 1.2]),
            &["no_loop_test"],
        ),
        own("no loop test made, gas that stands", unmoved(&[3.1; 5]), &["no_loop_test"]),
        own("output reversed", walk(|right| 24.0 - right), &["reversed"]),
        own("0–20 mA output into a 4–20 mA input", walk(|right| (right - 4.0) * 1.25), &["sent_from_0_ma"]),
        own("4–20 mA output, input taken for 0–20 mA", walk(|right| 4.0 + right * 0.8), &["taken_from_0_ma"]),
        own("supply too weak: 17 mA at most", walk(|right| right.min(17.0)), &["saturated_high"]),
        own("supply too weak: 9 mA at most", walk(|right| right.min(9.0)), &["saturated_high"]),
        own("output never below 6 mA", walk(|right| right.max(6.0)), &["saturated_low"]),
        own("offset of 0.5 mA", walk(|right| right + 0.5), &["offset"]),
        own("span 5 % low", walk(|right| 4.0 + (right - 4.0) * 0.95), &["span"]),
        own("wet terminal: 6 % of the current lost", walk(|right| right * 0.94), &["shunt"]),
        own(
            "500 ohm for 250 ohm, input ends at 22 mA",
            walk(|right| (right * 2.0).min(22.0)),
            &["shunt", "saturated_high"],
        ),
        own(
            "leak across the terminals",
            walk(|right| right + (24.0 - right) * 0.03),
            &["leakage", "offset_and_span"],
        ),
        own("offset and span both off", walk(|right| right * 1.1 - 0.9), &["offset_and_span"]),
        own("one point askew", walk(|right| if right == 8.0 { 9.0 } else { right }), &["bent"]),
        own(
            "second earth: 0.3 mA of hum",
            walk(|right| right).into_iter().map(|point| scattered(point, 0.3)).collect(),
            &["noise"],
        ),
        Planted {
            subject: zero_scale,
            ..own("site file: `from` = [0, 20]", walk(|right| right), &["site_scale"])
        },
        own("register counts a range of 0–40", followed(|share| share * 40.0), &["wrong_range"]),
        own("register in tenths", followed(|share| share * 200.0), &["wrong_range"]),
        own("register in ppbv", followed(|share| share * 20_000.0), &["wrong_range", "wrong_unit"]),
        own(
            "analyzer's output spans 0–10, the site 0–20",
            flowing(3.0, 4.0 + 16.0 * 0.3, None),
            &["wrong_range"],
        ),
        own(
            "output in mg/m3",
            flowing(6.0, 4.0 + 0.8 * 6.0 * 1.4419, None),
            &["wrong_unit", "taken_from_0_ma"],
        ),
        own(
            "offset, at one point of flowing gas",
            flowing(6.0, 8.8 + 1.1, None),
            &["offset", "span", "shunt"],
        ),
        own("display in mg/m3", at_displays(&[(5.767, 4.0)]), &["wrong_unit"]),
        own("display in gr/100scf", at_displays(&[(0.2521, 4.0)]), &["wrong_unit"]),
        own("register in hundredths, at one point", at_displays(&[(0.04, 4.0)]), &["wrong_range"]),
        own(
            "wrong register, one that stands still",
            at_displays(&[(3.0, 9.0), (8.0, 9.0)]),
            &["register_stuck"],
        ),
        own("display shows an average", at_displays(&[(3.0, 3.0), (4.1, 6.0)]), &["display_apart"]),
    ]
}

fn words(causes: &[Cause]) -> Vec<&'static str> {
    causes.iter().map(Cause::word).collect()
}

#[test]
fn every_planted_fault_is_named_and_fails_and_nothing_else_does() {
    for Planted { fault, points, subject, causes } in planted() {
        let found = likely_causes(&points, &subject);
        assert_eq!(words(&found), causes, "{fault}: {found:?}");
        assert_eq!(subject.judge(&points).pass, causes.is_empty(), "{fault}");
        for cause in found {
            assert!(!cause.sentence().is_empty() && cause.look().ends_with(['.', '?']), "{fault}");
        }
    }
}

#[test]
fn the_document_lists_every_planted_fault_with_what_is_said_of_it() {
    let document = include_str!("../../docs/testing.md");
    for Planted { fault, causes, .. } in planted() {
        let said: Vec<String> = causes.iter().map(|cause| format!("`{cause}`")).collect();
        let said = if said.is_empty() { "nothing".to_owned() } else { said.join(", ") };
        let row = format!("\n| {fault} | {said} |");
        assert!(document.contains(&row), "docs/testing.md lacks: {}", row.trim());
    }
}

#[test]
fn every_cause_is_planted() {
    let planted: Vec<&str> = planted().iter().flat_map(|planted| planted.causes).copied().collect();
    for cause in [
        Cause::NotRead,
        Cause::NoCurrent,
        Cause::FaultCurrent,
        Cause::NoLoopTest,
        Cause::Stuck,
        Cause::Reversed,
        Cause::SentFromNought,
        Cause::TakenFromNought,
        Cause::SaturatedHigh(0.0),
        Cause::SaturatedLow(0.0),
        Cause::Shunt(0.0),
        Cause::Leakage,
        Cause::Offset(0.0),
        Cause::Span(0.0),
        Cause::OffsetAndSpan,
        Cause::Bent,
        Cause::Noise(0.0),
        Cause::WrongRange(0.0),
        Cause::WrongUnit(String::new()),
        Cause::SiteScale,
        Cause::RegisterStuck,
        Cause::DisplayApart,
    ] {
        assert!(planted.contains(&cause.word()), "{} is never planted", cause.word());
        let named = format!("`{}`", cause.word());
        let document = include_str!("../../docs/technician.md");
        assert!(document.contains(&named), "docs/technician.md does not explain {named}");
    }
}

#[test]
fn the_figures_of_a_cause_are_those_that_were_planted() {
    let one = |points: Vec<Point>| likely_causes(&points, &subject()).remove(0);
    let near = |found: f64, planted: f64| assert!((found - planted).abs() < 1e-6, "{found}, not {planted}");
    let Cause::Offset(share) = one(walk(|right| right + 0.5)) else { panic!() };
    near(share, 0.5 / 16.0);
    let Cause::Span(factor) = one(walk(|right| 4.0 + (right - 4.0) * 0.95)) else { panic!() };
    near(factor, 0.95);
    let Cause::Shunt(factor) = one(walk(|right| right * 0.94)) else { panic!() };
    near(factor, 0.94);
    let Cause::SaturatedHigh(milliamps) = one(walk(|right| right.min(17.0))) else { panic!() };
    near(milliamps, 17.0);
    let Cause::WrongRange(factor) = one(followed(|share| share * 40.0)) else { panic!() };
    near(factor, 2.0);
}

#[test]
fn a_meter_tells_which_end_is_at_fault() {
    let metered = |meter: fn(f64) -> f64| -> Vec<Point> {
        let with = |point: Point| Point {
            meter_ma: point.ordered.map(|share| meter(current_of_share(share))),
            ..point
        };
        walk(|right| right + 0.5).into_iter().map(with).collect()
    };
    assert_eq!(side(&metered(|right| right + 0.5), &subject()), Some(Side::Analyzer));
    assert_eq!(side(&metered(|right| right), &subject()), Some(Side::Input));
    assert_eq!(side(&walk(|right| right + 0.5), &subject()), None);
    let fine: Vec<Point> = walk(|right| right);
    assert_eq!(side(&fine, &subject()), None);
}

#[test]
fn a_register_that_stays_at_the_gas_is_not_held_against_the_walk() {
    let verdict = subject().judge(&walk(|right| right));
    assert!(verdict.pass && verdict.gaps.iter().flatten().all(|gap| gap.pair == Pair::LoopOrdered));
    let verdict = subject().judge(&followed(|share| share * 20.0));
    assert!(verdict.gaps.iter().flatten().any(|gap| gap.pair == Pair::RegisterOrdered));
    // Gas that wanders during the walk.
    let mut points = walk(|right| right);
    for (point, value) in points.iter_mut().zip([3.1, 4.0, 3.4, 2.9, 3.6]) {
        point.register = Some(exactly(value));
    }
    assert!(subject().judge(&points).pass);
}

#[test]
fn what_lies_at_the_tolerance_passes_and_what_lies_beyond_does_not() {
    // 1 % of 16 mA.
    assert!(subject().judge(&walk(|right| right + 0.1599)).pass);
    let beyond = walk(|right| right + 0.1601);
    assert!(!subject().judge(&beyond).pass);
    assert_eq!(words(&likely_causes(&beyond, &subject())).first(), Some(&"offset"));
}

#[test]
fn gas_that_changes_is_no_noise_of_the_loop() {
    let mut points = flowing(6.0, 8.8, None);
    points[0] = scattered(points[0], 0.3);
    assert_eq!(words(&likely_causes(&points, &subject())), ["noise"]);
    points[0].register = Some(Measured { mean: 6.0, scatter: 0.3 / 0.8, readings: 5 });
    assert!(likely_causes(&points, &subject()).is_empty());
}

#[test]
fn several_readings_are_their_mean_and_their_scatter() {
    assert_eq!(Measured::of(&[]), None);
    assert_eq!(Measured::of(&[4.0, 6.0, 5.0]), Some(Measured { mean: 5.0, scatter: 2.0, readings: 3 }));
}
