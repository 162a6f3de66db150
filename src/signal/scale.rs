//! Linear scaling, and 4–20 mA current loops with the NAMUR NE 43 bands.

/// A straight line through two points: `from[0]` becomes `to[0]`, `from[1]` becomes `to[1]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Two different inputs.
    pub from: [f64; 2],
    /// The two outputs.
    pub to: [f64; 2],
}

impl Scale {
    /// The output for `input`; inputs outside the two points are extrapolated, never clamped.
    pub fn apply(&self, input: f64) -> f64 {
        let [from_low, from_high] = self.from;
        let [to_low, to_high] = self.to;
        to_low + (input - from_low) / (from_high - from_low) * (to_high - to_low)
    }
}

/// A current loop read through an analog-input module.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurrentLoop {
    /// From the module's counts to milliamps.
    pub milliamps: Scale,
}

/// What a loop current says (NAMUR NE 43).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoopBand {
    /// 3.6 mA or less: failure.
    FailureLow,
    /// Between 3.6 and 3.8 mA, or between 20.5 and 21.0 mA: neither measurement nor failure.
    Between,
    /// 3.8 to 20.5 mA: measurement.
    Measurement,
    /// 21.0 mA or more: failure.
    FailureHigh,
}

impl CurrentLoop {
    /// Failure at or below this current, in mA. Source: NAMUR NE 43.
    pub const FAILURE_LOW_MA: f64 = 3.6;
    /// Least current that is a measurement, in mA. Source: NAMUR NE 43.
    pub const MEASUREMENT_LOW_MA: f64 = 3.8;
    /// Greatest current that is a measurement, in mA. Source: NAMUR NE 43.
    pub const MEASUREMENT_HIGH_MA: f64 = 20.5;
    /// Failure at or above this current, in mA. Source: NAMUR NE 43.
    pub const FAILURE_HIGH_MA: f64 = 21.0;

    /// The band of a loop current in mA. A current that is not a number is a failure.
    pub fn band(milliamps: f64) -> LoopBand {
        if milliamps >= Self::FAILURE_HIGH_MA {
            LoopBand::FailureHigh
        } else if milliamps.is_nan() || milliamps <= Self::FAILURE_LOW_MA {
            LoopBand::FailureLow
        } else if (Self::MEASUREMENT_LOW_MA..=Self::MEASUREMENT_HIGH_MA).contains(&milliamps) {
            LoopBand::Measurement
        } else {
            LoopBand::Between
        }
    }
}
