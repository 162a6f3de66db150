//! Straight lines through a few points, for telling one fault of a loop from another.

/// The line `zero + slope * x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Straight {
    /// At `x` = 0.
    pub zero: f64,
    /// For each unit of `x`.
    pub slope: f64,
}

impl Straight {
    /// The line nearest to the points by least squares; `None` where they all have one `x`.
    pub(super) fn through(points: &[(f64, f64)]) -> Option<Straight> {
        let count = f64::from(u32::try_from(points.len()).ok()?);
        let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / count;
        let (x_mean, y_mean) = (mean(|point| point.0), mean(|point| point.1));
        let spread: f64 = points.iter().map(|(x, _)| (x - x_mean).powi(2)).sum();
        let product: f64 = points.iter().map(|(x, y)| (x - x_mean) * (y - y_mean)).sum();
        let slope = (spread > 0.0).then(|| product / spread)?;
        Some(Straight { zero: y_mean - slope * x_mean, slope })
    }

    /// The line nearest to the points among those through this one, the pivot; `None` where every point
    /// lies at its `x`.
    pub(super) fn through_pivot(pivot: (f64, f64), points: &[(f64, f64)]) -> Option<Straight> {
        let spread: f64 = points.iter().map(|(x, _)| (x - pivot.0).powi(2)).sum();
        let product: f64 = points.iter().map(|(x, y)| (x - pivot.0) * (y - pivot.1)).sum();
        let slope = (spread > 0.0).then(|| product / spread)?;
        Some(Straight { zero: pivot.1 - slope * pivot.0, slope })
    }

    /// The line with this slope that is nearest to the points; of no points it is through the origin.
    pub(super) fn with_slope(slope: f64, points: &[(f64, f64)]) -> Straight {
        let count = f64::from(u32::try_from(points.len()).unwrap_or(u32::MAX)).max(1.0);
        Straight { zero: points.iter().map(|(x, y)| y - slope * x).sum::<f64>() / count, slope }
    }

    /// At `x`.
    pub(super) fn at(&self, x: f64) -> f64 {
        self.zero + self.slope * x
    }

    /// How far the farthest point lies from the line.
    pub(super) fn residual(&self, points: &[(f64, f64)]) -> f64 {
        points.iter().map(|(x, y)| (y - self.at(*x)).abs()).fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn points_on_a_line_give_that_line() {
        let line = Straight { zero: 0.2, slope: 0.8 };
        let points = [0.0, 0.5, 1.0].map(|x| (x, line.at(x)));
        let found = Straight::through(&points).unwrap();
        assert!((found.zero - 0.2).abs() < 1e-12 && (found.slope - 0.8).abs() < 1e-12, "{found:?}");
        let pivoted = Straight::through_pivot((0.0, 0.2), &points).unwrap();
        assert!((pivoted.slope - 0.8).abs() < 1e-12, "{pivoted:?}");
        assert!((Straight::with_slope(0.8, &points).zero - 0.2).abs() < 1e-12);
        assert!((found.residual(&[(1.0, 1.5)]) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn one_point_gives_no_line_unless_it_may_turn_about_another() {
        assert_eq!(Straight::through(&[(0.5, 1.0), (0.5, 2.0)]), None);
        assert_eq!(Straight::through(&[]), None);
        assert_eq!(Straight::through_pivot((0.0, 0.0), &[(0.5, 1.0)]).unwrap().slope, 2.0);
        assert_eq!(Straight::through_pivot((0.5, 0.0), &[(0.5, 1.0)]), None);
    }
}
