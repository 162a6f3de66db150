//! The table of units: what each measures, how people spell it, its factor and where that comes from.

/// What a unit measures. Ways lead between some of them, see [`crate::units::conversion`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Moles in a mole of gas; base: mol/mol. For ideal gas the same as volumes in a volume.
    MoleFraction,
    /// Mass in a volume of gas; base: mg/m3.
    MassPerVolume(Volume),
    /// Pressure above vacuum; base: Pa.
    AbsolutePressure,
    /// Pressure above that of the air around; base: Pa.
    GaugePressure,
    /// Pressure of which the name does not say above what; base: Pa.
    Pressure,
    /// Temperature; base: K.
    Temperature,
    /// Flow counted as if at a reference; base: L/min.
    ReferenceFlow(Volume),
    /// Flow as it is in the pipe; base: L/min.
    Flow,
    /// Electric current; base: mA.
    Current,
}

/// The temperature and pressure at which a unit counts a volume of gas.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Volume {
    /// Those of the site.
    Reference,
    /// 0 °C and 101.325 kPa, whatever the site's are.
    Normal,
}

/// A unit of the trade.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// As it is best written.
    pub name: &'static str,
    /// Other spellings. In all of them, case, blanks and the marks `. - _ ( )` do not matter, `°` is
    /// `deg` and `³` is `3`.
    pub others: &'static [&'static str],
    /// What it measures.
    pub quantity: Quantity,
    /// One unit, in the base of its quantity.
    pub factor: f64,
    /// The unit's zero, in the base of its quantity.
    pub zero: f64,
    /// Its definition, and the source of that.
    pub definition: &'static str,
}

/// Foot, pound and grain are exact in metres and kilograms since the international yard and pound
/// agreement of 1959: 0.3048 m, 0.45359237 kg, 1/7000 lb.
const FOOT_M: f64 = 0.3048;
const POUND_MG: f64 = 453_592.37;
const GRAIN_MG: f64 = POUND_MG / 7000.0;
const CUBIC_FOOT_M3: f64 = FOOT_M * FOOT_M * FOOT_M;
const LITRES_IN_M3: f64 = 1000.0;
const MINUTES_IN_HOUR: f64 = 60.0;
/// Standard gravity, exact: 9.80665 m/s2 (3rd CGPM, 1901).
const GRAVITY: f64 = 9.806_65;
const INCH_M: f64 = FOOT_M / 12.0;
const PSI_PA: f64 = POUND_MG / 1e6 * GRAVITY / (INCH_M * INCH_M);
const RANKINE_K: f64 = 1.0 / 1.8;

/// Every unit.
pub const UNITS: &[Unit] = &[
    row("ppmv", &["ppm", "umol/mol"], Quantity::MoleFraction, 1e-6, "10⁻⁶ by volume or by moles"),
    row("ppbv", &["ppb", "nmol/mol"], Quantity::MoleFraction, 1e-9, "10⁻⁹ by volume or by moles"),
    row(
        "mol%",
        &["mole%", "vol%", "%mol", "%vol"],
        Quantity::MoleFraction,
        0.01,
        "10⁻² by volume or by moles; `%` alone does not say of what",
    ),
    row("mol/mol", &["fraction"], Quantity::MoleFraction, 1.0, "the fraction itself"),
    row("mg/m3", &[], MASS, 1.0, "at the site's gas reference"),
    row("g/m3", &[], MASS, 1000.0, "at the site's gas reference"),
    row("mg/Nm3", &[], MASS_NORMAL, 1.0, "at 0 °C and 101.325 kPa"),
    row(
        "gr/100scf",
        &["gr/ccf", "grain/100scf", "grains/100scf", "gr/100ft3", "gr/100cf"],
        MASS,
        GRAIN_MG / (100.0 * CUBIC_FOOT_M3),
        "64.79891 mg in 100 ft³ (foot and grain of 1959, exact) at the site's gas reference",
    ),
    row(
        "lb/MMscf",
        &["lbs/mmscf", "#/mmscf", "lb/mmcf", "lbs/mmcf", "lb/mmft3"],
        MASS,
        POUND_MG / (1e6 * CUBIC_FOOT_M3),
        "0.45359237 kg in 10⁶ ft³ (foot and pound of 1959, exact) at the site's gas reference",
    ),
    row("psia", &["psiabs"], Quantity::AbsolutePressure, PSI_PA, PSI),
    row("psig", &[], Quantity::GaugePressure, PSI_PA, PSI),
    row("psi", &[], Quantity::Pressure, PSI_PA, PSI),
    row("kPaa", &["kpaabs"], Quantity::AbsolutePressure, 1e3, "1000 Pa"),
    row("kPag", &[], Quantity::GaugePressure, 1e3, "1000 Pa"),
    row("kPa", &[], Quantity::Pressure, 1e3, "1000 Pa"),
    row("bara", &["barabs"], Quantity::AbsolutePressure, 1e5, "100 000 Pa"),
    row("barg", &[], Quantity::GaugePressure, 1e5, "100 000 Pa"),
    row("bar", &[], Quantity::Pressure, 1e5, "100 000 Pa"),
    row("mbar", &[], Quantity::Pressure, 100.0, "100 Pa"),
    Unit {
        zero: 459.67 * RANKINE_K,
        ..row("degF", &["f"], Quantity::Temperature, RANKINE_K, "5/9 K (exact), 0 °F being 459.67 degR")
    },
    Unit {
        zero: 273.15,
        ..row("degC", &["c"], Quantity::Temperature, 1.0, "1 K (exact), 0 °C being 273.15 K")
    },
    row("K", &["degk", "kelvin"], Quantity::Temperature, 1.0, "the kelvin of the SI"),
    row("degR", &["rankine"], Quantity::Temperature, RANKINE_K, "5/9 K (exact)"),
    row(
        "SCFH",
        &["scf/h", "scf/hr"],
        Quantity::ReferenceFlow(Volume::Reference),
        CUBIC_FOOT_M3 * LITRES_IN_M3 / MINUTES_IN_HOUR,
        "0.028316846592 m³ (exact) an hour, counted at the site's gas reference",
    ),
    row(
        "SCFM",
        &["scf/min"],
        Quantity::ReferenceFlow(Volume::Reference),
        CUBIC_FOOT_M3 * LITRES_IN_M3,
        "0.028316846592 m³ (exact) a minute, counted at the site's gas reference",
    ),
    row(
        "NL/min",
        &["nlpm"],
        Quantity::ReferenceFlow(Volume::Normal),
        1.0,
        "a litre a minute, counted at 0 °C and 101.325 kPa",
    ),
    row(
        "NL/h",
        &["nl/hr", "nlph"],
        Quantity::ReferenceFlow(Volume::Normal),
        1.0 / MINUTES_IN_HOUR,
        "a litre an hour, counted at 0 °C and 101.325 kPa",
    ),
    row("L/min", &["lpm"], Quantity::Flow, 1.0, "a litre a minute, as it flows"),
    row("L/h", &["l/hr", "lph"], Quantity::Flow, 1.0 / MINUTES_IN_HOUR, "a litre an hour, as it flows"),
    row("mL/min", &["cc/min", "cm3/min"], Quantity::Flow, 1e-3, "a millilitre a minute, as it flows"),
    row(
        "ft3/h",
        &["ft3/hr", "cfh", "acfh"],
        Quantity::Flow,
        CUBIC_FOOT_M3 * LITRES_IN_M3 / MINUTES_IN_HOUR,
        "0.028316846592 m³ (exact) an hour, as it flows",
    ),
    row("mA", &[], Quantity::Current, 1.0, "10⁻³ A"),
];

const MASS: Quantity = Quantity::MassPerVolume(Volume::Reference);
const MASS_NORMAL: Quantity = Quantity::MassPerVolume(Volume::Normal);
const PSI: &str = "6894.757293168361 Pa: one pound (of 1959) times 9.80665 m/s² on one square inch";

const fn row(
    name: &'static str,
    others: &'static [&'static str],
    quantity: Quantity,
    factor: f64,
    definition: &'static str,
) -> Unit {
    Unit { name, others, quantity, factor, zero: 0.0, definition }
}

impl Unit {
    /// The unit that a person means by `text`.
    pub fn parse(text: &str) -> Option<&'static Unit> {
        let wanted = plain(text);
        UNITS.iter().find(|unit| unit.spellings().any(|spelling| plain(spelling) == wanted))
    }

    /// Its name and the other spellings.
    pub fn spellings(&self) -> impl Iterator<Item = &'static str> {
        std::iter::once(self.name).chain(self.others.iter().copied())
    }
}

impl Quantity {
    /// In words, for a person.
    pub const fn words(self) -> &'static str {
        match self {
            Quantity::MoleFraction => "share by moles",
            Quantity::MassPerVolume(_) => "mass in a volume",
            Quantity::AbsolutePressure => "absolute pressure",
            Quantity::GaugePressure => "gauge pressure",
            Quantity::Pressure => "pressure, gauge or absolute not said",
            Quantity::Temperature => "temperature",
            Quantity::ReferenceFlow(_) => "flow counted at a reference",
            Quantity::Flow => "flow as it flows",
            Quantity::Current => "current",
        }
    }
}

/// A spelling without what does not matter in it.
fn plain(text: &str) -> String {
    let spelled_out = text.replace('°', "deg").replace('³', "3").replace(['µ', 'μ'], "u");
    let matters = |character: &char| !character.is_whitespace() && !".-_()".contains(*character);
    spelled_out.to_lowercase().chars().filter(matters).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spelling_means_one_unit() {
        for unit in UNITS {
            for spelling in unit.spellings() {
                assert_eq!(Unit::parse(spelling).map(|found| found.name), Some(unit.name), "{spelling}");
            }
        }
    }

    #[test]
    fn spellings_that_people_use_are_understood() {
        for (text, name) in [
            ("PPMV", "ppmv"),
            ("mol %", "mol%"),
            ("vol.-%", "mol%"),
            ("mg/m³", "mg/m3"),
            ("mg/Nm³", "mg/Nm3"),
            ("gr/100 scf", "gr/100scf"),
            ("grains/100 SCF", "gr/100scf"),
            ("lb/mmscf", "lb/MMscf"),
            ("lbs/MMSCF", "lb/MMscf"),
            ("PSIG", "psig"),
            ("kPa(a)", "kPaa"),
            ("bar(g)", "barg"),
            ("°F", "degF"),
            ("deg C", "degC"),
            ("scfh", "SCFH"),
            ("l/min", "L/min"),
            ("Nl/min", "NL/min"),
            ("µmol/mol", "ppmv"),
        ] {
            assert_eq!(Unit::parse(text).map(|unit| unit.name), Some(name), "{text}");
        }
    }

    #[test]
    fn what_says_too_little_is_no_unit() {
        // Percent of what; mega or milli; a standard litre or cubic metre is another thing in every shop.
        for text in ["%", "MPa", "SL/min", "Sm3/h", "ppmw", "inH2O", "", "()"] {
            assert_eq!(Unit::parse(text), None, "{text}");
        }
    }
}
