//! Numbers with as many digits as an analyzer's reading can bear.

/// A number with about four significant digits, never fewer than its whole part has.
///
/// Numbers of a like size get the same count of decimals, so that a live value does not jump about.
pub fn number(number: f64) -> String {
    let size = number.abs();
    if number == 0.0 {
        "0".to_owned()
    } else if !(5e-5..1e9).contains(&size) {
        format!("{number:.3e}")
    } else if number.fract() == 0.0 {
        format!("{number:.0}")
    } else {
        let decimals = match size {
            _ if size >= 10_000.0 => 0,
            _ if size >= 100.0 => 1,
            _ if size >= 10.0 => 2,
            _ if size >= 1.0 => 3,
            _ => 4,
        };
        format!("{number:.decimals$}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_told_with_the_digits_a_reading_can_bear() {
        for (given, told) in [
            (0.0, "0"),
            (-0.0, "0"),
            (4.0, "4"),
            (3.21_f32.into(), "3.210"),
            (-12.345_67, "-12.35"),
            (1034.72, "1034.7"),
            (0.012_34, "0.0123"),
            (65_535.4, "65535"),
            (0.000_012, "1.200e-5"),
            (2.5e12, "2.500e12"),
        ] {
            assert_eq!(number(given), told);
        }
    }
}
