//! Ways between units: straight lines, worked out once.

use crate::units::{GasReference, Quantity, Substance, Unit, Volume};

/// What a way between two units may depend on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circumstances {
    /// At which the site counts volumes of gas.
    pub reference: GasReference,
    /// Of which a mass or a number of moles is given.
    pub substance: Option<Substance>,
    /// The absolute pressure of the air around, in Pa.
    pub ambient_pa: Option<f64>,
}

/// A way from one unit to another: `factor * number + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conversion {
    /// What one unit adds.
    pub factor: f64,
    /// What zero becomes.
    pub offset: f64,
}

impl Conversion {
    /// The number in the other unit.
    pub fn apply(&self, number: f64) -> f64 {
        self.factor * number + self.offset
    }
}

/// Why no way leads from one unit to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inconvertible {
    /// They measure different things.
    Unlike,
    /// It takes a molar mass, and the substance is not told.
    SubstanceUnknown,
    /// It takes the ambient pressure, which is not told.
    AmbientUnknown,
}

/// The way from one unit to another.
///
/// # Errors
/// When they measure different things, or when something is not told on which the way depends.
pub fn conversion(from: &Unit, to: &Unit, at: &Circumstances) -> Result<Conversion, Inconvertible> {
    let between = between(from.quantity, to.quantity, at)?;
    Ok(Conversion {
        factor: from.factor * between.factor / to.factor,
        offset: (between.apply(from.zero) - to.zero) / to.factor,
    })
}

/// The way from the base of one quantity to that of another.
fn between(from: Quantity, to: Quantity, at: &Circumstances) -> Result<Conversion, Inconvertible> {
    let litres_in_mole = |volume| match volume {
        Volume::Reference => at.reference.molar_volume_l(),
        Volume::Normal => GasReference::NORMAL.molar_volume_l(),
    };
    // mg/m3 of the pure substance, were it an ideal gas at that reference.
    let pure = |volume| {
        let molar_mass_g = at.substance.ok_or(Inconvertible::SubstanceUnknown)?.molar_mass_g();
        Ok(molar_mass_g * 1e6 / litres_in_mole(volume))
    };
    let ambient_pa = || at.ambient_pa.ok_or(Inconvertible::AmbientUnknown);
    let factor = |factor| Ok(Conversion { factor, offset: 0.0 });
    let offset = |offset| Ok(Conversion { factor: 1.0, offset });
    match (from, to) {
        (from, to) if from == to => factor(1.0),
        (Quantity::MoleFraction, Quantity::MassPerVolume(volume)) => factor(pure(volume)?),
        (Quantity::MassPerVolume(volume), Quantity::MoleFraction) => factor(1.0 / pure(volume)?),
        (Quantity::MassPerVolume(from), Quantity::MassPerVolume(to)) => {
            factor(litres_in_mole(from) / litres_in_mole(to))
        }
        (Quantity::ReferenceFlow(from), Quantity::ReferenceFlow(to)) => {
            factor(litres_in_mole(to) / litres_in_mole(from))
        }
        (Quantity::GaugePressure, Quantity::AbsolutePressure) => offset(ambient_pa()?),
        (Quantity::AbsolutePressure, Quantity::GaugePressure) => offset(-ambient_pa()?),
        (_, _) => Err(Inconvertible::Unlike),
    }
}
