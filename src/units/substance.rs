//! What gas analyzers measure the content of, with its molar mass.

/// A substance in the gas.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Substance {
    /// H2S.
    HydrogenSulfide,
    /// H2O.
    Water,
    /// CO2.
    CarbonDioxide,
    /// O2.
    Oxygen,
}

impl Substance {
    /// Every substance.
    pub const ALL: [Substance; 4] =
        [Substance::HydrogenSulfide, Substance::Water, Substance::CarbonDioxide, Substance::Oxygen];

    /// The words used in the site file.
    pub const fn word(self) -> &'static str {
        match self {
            Substance::HydrogenSulfide => "hydrogen sulfide",
            Substance::Water => "water",
            Substance::CarbonDioxide => "carbon dioxide",
            Substance::Oxygen => "oxygen",
        }
    }

    /// Grams in one mole. GPA Midstream Standard 2145-16, as transcribed in a public library; that of
    /// water from memory, and within one part in a million of the equation of state of IAPWS-95 as
    /// CoolProp 8 has it.
    pub const fn molar_mass_g(self) -> f64 {
        match self {
            Substance::HydrogenSulfide => 34.0809,
            Substance::Water => 18.015_28,
            Substance::CarbonDioxide => 44.0095,
            Substance::Oxygen => 31.9988,
        }
    }
}
