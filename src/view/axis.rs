//! Where the marks of a value axis stand, for whoever draws one.

/// Round values from `low` to `high`, at most `about` steps of 1, 2 or 5 times a power of ten apart;
/// and how far apart they are.
pub fn round_values(low: f64, high: f64, about: f64) -> (f64, Vec<f64>) {
    let rough = (high - low) / about;
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|times| times * power);
    let step = step.into_iter().find(|step| *step >= rough).unwrap_or(rough);
    let first = (low / step).ceil();
    let values = (0..=10).map(|index: i32| (first + f64::from(index)) * step);
    (step, values.take_while(|value| *value <= high).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_stand_at_round_values_within_the_axis() {
        assert_eq!(round_values(0.0, 10.0, 5.0), (2.0, vec![0.0, 2.0, 4.0, 6.0, 8.0, 10.0]));
        assert_eq!(round_values(-1.3, 1.1, 5.0), (0.5, vec![-1.0, -0.5, 0.0, 0.5, 1.0]));
        let (step, values) = round_values(0.0, 0.031, 4.0);
        assert!((step - 0.01).abs() < 1e-12 && values.len() == 4, "{step}: {values:?}");
    }
}
