//! A calibration at zero and span: errors in % of span, gain, and what a reading really meant.
//!
//! Source of the arithmetic, from memory: 40 CFR 60 Appendix A-4, Method 7E, Eq. 7E-1 (calibration error =
//! (reading - certified) / calibration span x 100) and Eq. 7E-5 (gas = (reading - zero reading) x certified /
//! (span reading - zero reading), for zero gas at 0). The numbers are worked by hand, no published table
//! was found: zero gas read 0.3, span gas of 20.0 read 18.9, on 0 to 20.

use siskin::calibration::{Compared, Response, drift_pct, passes};
use siskin::signal::Range;

const RANGE: Range = Range { low: 0.0, high: 20.0 };
const ZERO: Compared = Compared { standard: 0.0, reading: 0.3 };
const SPAN: Compared = Compared { standard: 20.0, reading: 18.9 };

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} instead of {expected}");
}

#[test]
fn the_errors_are_1_5_at_zero_and_5_5_low_at_span() {
    near(ZERO.error_pct(RANGE).unwrap(), 1.5, 1e-9);
    near(SPAN.error_pct(RANGE).unwrap(), -5.5, 1e-9);
}

#[test]
fn a_tolerance_of_2_passes_the_zero_and_fails_the_span() {
    assert!(passes(ZERO.error_pct(RANGE).unwrap(), 2.0));
    assert!(!passes(SPAN.error_pct(RANGE).unwrap(), 2.0));
}

#[test]
fn the_gain_is_0_93_and_10_2_was_10_645() {
    let response = Response::through(ZERO, SPAN).unwrap();
    near(response.gain(), 0.93, 1e-9);
    near(response.gas_at(10.2), 10.645, 0.0005);
    near(response.gas_at(ZERO.reading), ZERO.standard, 1e-9);
    near(response.gas_at(SPAN.reading), SPAN.standard, 1e-9);
}

#[test]
fn drift_runs_from_the_last_as_left_to_this_as_found() {
    // Method 7E, Eq. 7E-4, takes the amount of it; siskin keeps the sign, so that two opposite drifts are
    // not told as one.
    let left_last_time = Compared { standard: 20.0, reading: 20.1 }.error_pct(RANGE).unwrap();
    near(drift_pct(SPAN.error_pct(RANGE).unwrap(), left_last_time), -6.0, 1e-9);
}
