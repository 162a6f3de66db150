//! Units of the trade against published figures.
//!
//! Sources: definitions as stored in GNU units 2.22, pint and scipy.constants (exact factors); a gas tariff filed with the Federal Energy Regulatory Commission
//! ("one grain (16 ppm) of hydrogen sulfide per 100 cubic feet"); D.C. Municipal Regulations, title 15,
//! section 2376 ("1.0 grain per 100 scf, or 23 mg/m3"); NIOSH, IDLH documentation for hydrogen sulfide,
//! May 1994 ("10 ppm (14 mg/m3), 15 ppm (21 mg/m3)", at 25 °C). Tables marked *computed* were worked out
//! independently, in Python, from those exact factors, R = 8.31446261815324 J/(mol K), and molar masses
//! of 34.081 g/mol (H2S) and 18.01528 g/mol (H2O), for ideal gas. siskin's molar mass of H2S is that of
//! GPA 2145-16, 34.0809: three parts in a million less, hence the tolerance there.

use siskin::units::{Circumstances, GasReference, Inconvertible, Substance, UNITS, Unit, conversion};

/// For figures given with six digits or so.
const GIVEN_DIGITS: f64 = 1e-5;
/// For figures given with all digits of a double.
const EXACT: f64 = 1e-13;

fn unit(name: &str) -> &'static Unit {
    Unit::parse(name).unwrap_or_else(|| panic!("{name}"))
}

/// A reference in the units in which a contract tells it: the conversions of this module are used.
fn reference(temperature: (f64, &str), pressure: (f64, &str)) -> GasReference {
    let anywhere = at(GasReference::NORMAL, None);
    let number = |(number, from): (f64, &str), to, factor| {
        conversion(unit(from), unit(to), &anywhere).unwrap().apply(number) * factor
    };
    GasReference {
        temperature_k: number(temperature, "K", 1.0),
        pressure_pa: number(pressure, "kPaa", 1000.0),
    }
}

fn at(reference: GasReference, substance: Option<Substance>) -> Circumstances {
    Circumstances { reference, substance, ambient_pa: None }
}

fn converted(number: f64, from: &str, to: &str, at: &Circumstances) -> f64 {
    conversion(unit(from), unit(to), at).unwrap_or_else(|why| panic!("{from} to {to}: {why:?}")).apply(number)
}

fn check(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance * expected.abs().max(1e-3),
        "{what}: {found}, not {expected}"
    );
}

/// Molar volumes and hydrogen sulfide and water factors at the references in use. Computed.
#[test]
fn contents_at_every_reference_in_use() {
    // L/mol; mg/m3 for 1 ppmv of H2S; ppmv for 1 gr/100 scf of H2S; the same for H2O and 1 lb/MMscf.
    for (temperature, pressure, expected) in [
        ((60.0, "degF"), (14.65, "psia"), [23.764721, 1.434101, 15.9567, 0.758068, 21.13064]),
        ((60.0, "degF"), (14.696, "psia"), [23.690335, 1.438604, 15.9068, 0.760449, 21.06449]),
        ((60.0, "degF"), (14.73, "psia"), [23.635653, 1.441932, 15.8700, 0.762208, 21.01587]),
        ((15.0, "degC"), (101.325, "kPaa"), [23.644830, 1.441372, 15.8762, 0.761912, 21.02403]),
        ((0.0, "degC"), (101.325, "kPaa"), [22.413970, 1.520525, 15.0498, 0.803752, 19.92960]),
        ((20.0, "degC"), (101.325, "kPaa"), [24.055117, 1.416788, 16.1517, 0.748917, 21.38884]),
        ((25.0, "degC"), (101.325, "kPaa"), [24.465404, 1.393028, 16.4272, 0.736357, 21.75365]),
    ] {
        let reference = reference(temperature, pressure);
        let [h2s, h2o] =
            [Substance::HydrogenSulfide, Substance::Water].map(|substance| at(reference, Some(substance)));
        let found = [
            reference.molar_volume_l(),
            converted(1.0, "ppmv", "mg/m3", &h2s),
            converted(1.0, "gr/100scf", "ppmv", &h2s),
            converted(1.0, "ppmv", "mg/m3", &h2o),
            converted(1.0, "lb/MMscf", "ppmv", &h2o),
        ];
        for (found, expected) in found.into_iter().zip(expected) {
            check(found, expected, GIVEN_DIGITS, &format!("{temperature:?} {pressure:?}"));
        }
    }
}

/// Computed from exact factors, and as GNU units 2.22 gives them (22.883519, 16.018463).
#[test]
fn grains_and_pounds_in_a_volume_need_no_pressure() {
    let anywhere = at(GasReference::NORMAL, None);
    check(converted(1.0, "gr/100scf", "mg/m3", &anywhere), 22.883519105657, EXACT, "gr/100scf");
    check(converted(1.0, "lb/MMscf", "mg/m3", &anywhere), 16.018463373960, EXACT, "lb/MMscf");
    for (pounds, milligrams) in [(4.0, 64.074), (5.0, 80.092), (7.0, 112.129), (10.0, 160.185)] {
        check(converted(pounds, "lb/MMscf", "mg/m3", &anywhere), milligrams, GIVEN_DIGITS, "water");
    }
}

/// The figures that people have in their heads, to the digits in which they are printed.
#[test]
fn a_grain_of_hydrogen_sulfide_is_what_tariff_and_rule_say() {
    let base = at(reference((60.0, "degF"), (14.73, "psia")), Some(Substance::HydrogenSulfide));
    // Gas tariff: "one grain (16 ppm)"; rule: "1.0 grain per 100 scf, or 23 mg/m3".
    assert_eq!(converted(1.0, "gr/100scf", "ppmv", &base).round(), 16.0);
    assert_eq!(converted(1.0, "gr/100scf", "mg/m3", &base).round(), 23.0);
    // A quarter grain "or 4 ppm": 49 CFR 192.475(c), from memory.
    assert_eq!(converted(0.25, "gr/100scf", "ppmv", &base).round(), 4.0);
    // NIOSH: "10 ppm (14 mg/m3), 15 ppm (21 mg/m3)", in air at 25 °C.
    let room = at(reference((25.0, "degC"), (101.325, "kPaa")), Some(Substance::HydrogenSulfide));
    assert_eq!(converted(10.0, "ppmv", "mg/m3", &room).round(), 14.0);
    assert_eq!(converted(15.0, "ppmv", "mg/m3", &room).round(), 21.0);
}

/// Computed.
#[test]
fn a_content_leads_back_to_itself_by_way_of_every_unit() {
    let base = at(reference((60.0, "degF"), (14.696, "psia")), Some(Substance::HydrogenSulfide));
    for name in ["ppbv", "mol%", "mol/mol", "mg/m3", "g/m3", "mg/Nm3", "gr/100scf", "lb/MMscf"] {
        let there = converted(4.0, "ppmv", name, &base);
        check(converted(there, name, "ppmv", &base), 4.0, EXACT, name);
    }
    // 4 ppmv at 0 °C and 101.325 kPa, whatever the site's reference.
    check(converted(4.0, "ppmv", "mg/Nm3", &base), 6.0821, GIVEN_DIGITS, "4 ppmv");
    check(converted(2.0, "mol%", "ppmv", &base), 20_000.0, EXACT, "2 mol%");
}

/// Computed from exact constants; 1 psi as in pint and GNU units.
#[test]
fn pressures_keep_gauge_and_absolute_apart() {
    let anywhere = at(GasReference::NORMAL, None);
    check(converted(1.0, "psi", "kPa", &anywhere), 6.894757293168361, EXACT, "psi");
    check(converted(1.0, "psi", "bar", &anywhere), 0.0689475729, 1e-9, "psi");
    for (gauge, kilopascal) in [(500.0, 3447.379), (800.0, 5515.806), (1000.0, 6894.757), (1440.0, 9928.451)]
    {
        check(converted(gauge, "psig", "kPag", &anywhere), kilopascal, 1e-6, "psig");
    }
    let way = |from, to, at| conversion(unit(from), unit(to), at);
    assert_eq!(way("psig", "psia", &anywhere), Err(Inconvertible::AmbientUnknown));
    assert_eq!(way("psi", "psia", &anywhere), Err(Inconvertible::Unlike));
    let ambient_pa = Some(converted(14.696, "psia", "kPaa", &anywhere) * 1000.0);
    let outdoors = Circumstances { ambient_pa, ..anywhere };
    check(converted(100.0, "psig", "psia", &outdoors), 114.696, EXACT, "100 psig");
    check(converted(114.696, "psia", "barg", &outdoors), 6.89476, GIVEN_DIGITS, "114.696 psia");
}

/// Computed; -40 is the same on both scales.
#[test]
fn temperatures_have_their_own_zero() {
    let anywhere = at(GasReference::NORMAL, None);
    for (fahrenheit, celsius) in
        [(-40.0, -40.0), (0.0, -17.7778), (32.0, 0.0), (60.0, 15.5556), (100.0, 37.7778)]
    {
        check(converted(fahrenheit, "degF", "degC", &anywhere), celsius, GIVEN_DIGITS, "degF");
        check(converted(fahrenheit, "degF", "degR", &anywhere), fahrenheit + 459.67, EXACT, "degF");
    }
    check(converted(60.0, "degF", "K", &anywhere), 519.67 / 1.8, EXACT, "60 F");
}

/// Computed from the exact cubic foot.
#[test]
fn flows_counted_at_a_reference_are_not_flows_as_they_flow() {
    let base = at(reference((60.0, "degF"), (14.696, "psia")), None);
    check(converted(1.0, "ft3/h", "L/min", &base), 0.47194744, 1e-8, "ft3/h");
    check(converted(1.0, "L/min", "ft3/h", &base), 2.11888, GIVEN_DIGITS, "L/min");
    check(converted(2.0, "ft3/h", "L/min", &base), 0.94389, GIVEN_DIGITS, "2 ft3/h");
    check(converted(1.0, "SCFH", "NL/min", &base), 0.446520, GIVEN_DIGITS, "SCFH");
    assert_eq!(conversion(unit("SCFH"), unit("L/min"), &base), Err(Inconvertible::Unlike));
}

#[test]
fn mass_and_moles_are_not_compared_without_the_substance() {
    let base = at(reference((60.0, "degF"), (14.73, "psia")), None);
    let way = |from, to| conversion(unit(from), unit(to), &base);
    assert_eq!(way("ppmv", "mg/m3"), Err(Inconvertible::SubstanceUnknown));
    assert_eq!(way("gr/100scf", "ppmv"), Err(Inconvertible::SubstanceUnknown));
    assert!(way("gr/100scf", "mg/Nm3").is_ok());
    assert_eq!(way("ppmv", "degF"), Err(Inconvertible::Unlike));
}

#[test]
fn every_unit_leads_to_itself_unchanged() {
    let base = at(reference((60.0, "degF"), (14.73, "psia")), None);
    for unit in UNITS {
        let way = conversion(unit, unit, &base).unwrap();
        assert_eq!((way.factor, way.offset), (1.0, 0.0), "{}", unit.name);
    }
}

/// docs/units.md promises this of every row.
#[test]
fn every_conversion_that_the_document_shows_is_so_to_the_digits_it_has() {
    let rows: Vec<Vec<&str>> = include_str!("../../docs/units.md")
        .lines()
        .skip_while(|line| !line.starts_with("| this "))
        .skip(2)
        .take_while(|line| line.starts_with('|'))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    assert!(rows.len() >= 20, "the document shows only {} conversions", rows.len());
    for row in rows {
        let [this, is, of, counted_at, source] = row[..] else { panic!("{row:?}") };
        assert!(!source.is_empty(), "{this} has no source");
        let (number, from) = quantity(this);
        let (expected, to) = quantity(is);
        let substance = Substance::ALL.into_iter().find(|substance| substance.word() == of);
        assert!(substance.is_some() || of == "–", "{of}");
        let at = at(document_reference(counted_at), substance);
        let found = converted(number, from, to, &at);
        assert_eq!(shown_like(found, is), expected.to_string(), "{this} is {is}, not {found}");
    }
}

fn quantity(text: &str) -> (f64, &str) {
    let (number, unit) = text.split_once(' ').unwrap_or_else(|| panic!("{text}"));
    (number.parse().unwrap(), unit)
}

/// Where none is told it must not matter: one that nobody uses.
fn document_reference(text: &str) -> GasReference {
    let Some((temperature, pressure)) = text.split_once(", ") else {
        return GasReference { temperature_k: 777.0, pressure_pa: 777.0 };
    };
    reference(quantity(temperature), quantity(pressure))
}

/// The number rounded to as many decimals as `like` has, without needless zeros.
fn shown_like(number: f64, like: &str) -> String {
    let printed = like.split(' ').next().unwrap();
    let decimals = printed.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let rounded: f64 = format!("{number:.decimals$}").parse().unwrap();
    rounded.to_string()
}
