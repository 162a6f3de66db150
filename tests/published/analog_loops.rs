//! Current loops: linear scaling, and the bands of NAMUR NE 43.
//!
//! Sources: NAMUR NE 43 as told by a public tutorial (electricalandcontrol.com; namur.net confirms
//! title and purpose, and prints no numbers) for 3.6, 3.8, 20.5 and 21.0 mA. The scaling table is
//! arithmetic: value = low + (mA - 4) / 16 x (high - low); volts = mA x 0.250.

use siskin::signal::{CurrentLoop, LoopBand, Quality, Reason, Sample, Scale, SignalSpec, Value};

use crate::plain_signal::{plain_signal, sample};

/// mA, percent, volts over 250 ohm, on 0 to 20, on 0 to 50, on -40 to +20.
const SCALING: [[f64; 6]; 11] = [
    [0.0, -25.0, 0.000, -5.0, -12.5, -55.0],
    [3.6, -2.5, 0.900, -0.5, -1.25, -41.5],
    [3.8, -1.25, 0.950, -0.25, -0.625, -40.75],
    [4.0, 0.0, 1.000, 0.0, 0.0, -40.0],
    [8.0, 25.0, 2.000, 5.0, 12.5, -25.0],
    [10.0, 37.5, 2.500, 7.5, 18.75, -17.5],
    [12.0, 50.0, 3.000, 10.0, 25.0, -10.0],
    [16.0, 75.0, 4.000, 15.0, 37.5, 5.0],
    [20.0, 100.0, 5.000, 20.0, 50.0, 20.0],
    [20.5, 103.125, 5.125, 20.625, 51.5625, 21.875],
    [21.0, 106.25, 5.250, 21.25, 53.125, 23.75],
];

/// mA and what NE 43 says of it; the figures of the standard itself and their neighbours.
const BANDS: [(f64, LoopBand); 14] = [
    (0.0, LoopBand::FailureLow),
    (3.5, LoopBand::FailureLow),
    (3.6, LoopBand::FailureLow),
    (3.600_001, LoopBand::Between),
    (3.799_999, LoopBand::Between),
    (3.8, LoopBand::Measurement),
    (4.0, LoopBand::Measurement),
    (20.0, LoopBand::Measurement),
    (20.5, LoopBand::Measurement),
    (20.500_001, LoopBand::Between),
    (20.999_999, LoopBand::Between),
    (21.0, LoopBand::FailureHigh),
    (22.0, LoopBand::FailureHigh),
    (24.0, LoopBand::FailureHigh),
];

#[test]
fn a_loop_is_scaled_as_the_table_says() {
    let columns = [
        (1, Scale { from: [4.0, 20.0], to: [0.0, 100.0] }),
        (2, Scale { from: [4.0, 20.0], to: [1.0, 5.0] }),
        (3, Scale { from: [4.0, 20.0], to: [0.0, 20.0] }),
        (4, Scale { from: [4.0, 20.0], to: [0.0, 50.0] }),
        (5, Scale { from: [4.0, 20.0], to: [-40.0, 20.0] }),
    ];
    for row in SCALING {
        for (column, scale) in columns {
            let value = scale.apply(row[0]);
            assert!((value - row[column]).abs() < 1e-9, "{} mA, column {column}: {value}", row[0]);
        }
    }
}

#[test]
fn ne_43_bands_are_where_the_standard_puts_them() {
    for (milliamps, band) in BANDS {
        assert_eq!(CurrentLoop::band(milliamps), band, "{milliamps} mA");
    }
    assert_eq!(CurrentLoop::band(f64::NAN), LoopBand::FailureLow, "not a current at all");
}

#[test]
fn a_failed_loop_is_no_measurement_and_the_gaps_are_not_good() {
    for (milliamps, band) in BANDS {
        let sample = loop_sample(milliamps);
        let (quality, reason) = match band {
            LoopBand::Measurement => (Quality::Good, None),
            LoopBand::Between => (Quality::Uncertain, Some(Reason::LoopOutOfRange)),
            LoopBand::FailureLow => (Quality::Bad, Some(Reason::LoopFailureLow)),
            LoopBand::FailureHigh => (Quality::Bad, Some(Reason::LoopFailureHigh)),
        };
        assert_eq!(sample.quality(), quality, "{milliamps} mA");
        assert_eq!(sample.reasons().iter().next(), reason, "{milliamps} mA");
        assert_eq!(sample.value().is_none(), quality == Quality::Bad, "{milliamps} mA");
    }
}

/// Converter counts: a 12-bit input of 0 to 20 mA reads 12 mA as 2457 counts and 3.6 mA as 737; a
/// signed input of 4 to 20 mA as 0 to 27648 reads 12 mA as 13824, 3.6 mA as -691, 21 mA as 29376.
/// Arithmetic, rounded to the nearest count.
#[test]
fn converter_counts_come_back_to_the_milliamps_they_were_made_from() {
    let twelve_bit = Scale { from: [0.0, 4095.0], to: [0.0, 20.0] };
    let signed = Scale { from: [0.0, 27648.0], to: [4.0, 20.0] };
    for (scale, counts, milliamps) in [
        (twelve_bit, 2457.0, 12.0),
        (twelve_bit, 737.0, 3.6),
        (twelve_bit, 4095.0, 20.0),
        (signed, 13824.0, 12.0),
        (signed, -691.0, 3.6),
        (signed, 29376.0, 21.0),
    ] {
        let found = scale.apply(counts);
        assert!((found - milliamps).abs() < 0.003, "{counts} counts: {found} mA");
    }
}

#[test]
fn a_loop_at_mid_span_is_half_the_range() {
    assert_eq!(loop_sample(12.0).value(), Some(Value::Number(10.0)));
}

/// The sample of a loop scaled to 0 to 20, from a module that tells milliamps.
fn loop_sample(milliamps: f64) -> Sample {
    let spec = SignalSpec {
        current: Some(CurrentLoop { milliamps: Scale { from: [0.0, 1.0], to: [0.0, 1.0] } }),
        scale: Some(Scale { from: [4.0, 20.0], to: [0.0, 20.0] }),
        ..plain_signal()
    };
    sample(&spec, milliamps)
}
