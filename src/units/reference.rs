//! The temperature and pressure at which a volume of gas is counted.

/// The molar gas constant in J/(mol K): exact since 2019, by the definitions of the SI (CODATA 2018).
const GAS_CONSTANT: f64 = 8.314_462_618_153_24;

/// The temperature and pressure at which a volume of gas is counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasReference {
    /// In kelvin, above zero.
    pub temperature_k: f64,
    /// In pascal, absolute, above zero.
    pub pressure_pa: f64,
}

impl GasReference {
    /// 0 °C and 101.325 kPa: the *normal* cubic metre (DIN 1343, from memory).
    pub const NORMAL: GasReference = GasReference { temperature_k: 273.15, pressure_pa: 101_325.0 };

    /// Litres that one mole of ideal gas fills.
    pub fn molar_volume_l(&self) -> f64 {
        GAS_CONSTANT * self.temperature_k / self.pressure_pa * 1000.0
    }
}
