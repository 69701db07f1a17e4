//! Statistics of a handful of numbers, most of them robust.

/// Median absolute deviation times this is the standard deviation of a normal distribution:
/// one over its quartile, 0.674 489 750 196 081 7.
pub(crate) const SD_FROM_MAD: f64 = 1.482_602_218_505_602;

/// Middle value; the mean of the two middle ones for an even number; `None` of nothing.
pub(crate) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        count if count % 2 == 1 => Some(sorted[middle]),
        _ => Some(0.5 * (sorted[middle - 1] + sorted[middle])),
    }
}

/// Shares of sorted things between which a few outliers at either end do not count.
const INNER_SHARES: [f64; 2] = [0.02, 0.98];

/// Those of sorted things that are at the shares 2 % and 98 %; `None` of nothing.
pub(crate) fn inner_ends<T>(sorted: &[T]) -> Option<[&T; 2]> {
    let last = sorted.len().checked_sub(1)?;
    let at = |share: f64| sorted.get((share * last as f64).round() as usize);
    let [low, high] = INNER_SHARES;
    Some([at(low)?, at(high)?])
}

/// Smallest and largest value; `[∞, −∞]` if there are no values.
pub(crate) fn extremes(values: impl Iterator<Item = f64>) -> [f64; 2] {
    values.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], value| {
        [low.min(value), high.max(value)]
    })
}

/// Slope of a least-squares line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LineSlope {
    /// Rise per unit of the places.
    pub slope: f64,
    /// Sum of the squared distances of the places from their mean.
    spread: f64,
}

impl LineSlope {
    /// The least-squares line through points of place and value; `None` where all have the same place.
    pub fn through(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Self> {
        let mean = points.clone().map(|(at, _)| at).sum::<f64>() / points.clone().count() as f64;
        let spread: f64 = points.clone().map(|(at, _)| (at - mean).powi(2)).sum();
        let moment: f64 = points.map(|(at, value)| (at - mean) * value).sum();
        (spread > 0.0).then(|| Self {
            slope: moment / spread,
            spread,
        })
    }

    /// Standard error of the slope, from the standard deviation of a value.
    pub fn standard_error(&self, value_sd: f64) -> f64 {
        value_sd / self.spread.sqrt()
    }
}

/// Probability that |t| of Student's distribution is larger; closed form for whole degrees of freedom,
/// at least one (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4).
pub(crate) fn student_t_beyond(t: f64, freedom: usize) -> f64 {
    if !t.is_finite() {
        return if t.is_nan() { 1.0 } else { 0.0 };
    }
    let angle = (t / (freedom as f64).sqrt()).atan();
    let (sin, cos) = angle.sin_cos();
    let is_odd = freedom % 2 == 1;
    let mut term = if is_odd { cos } else { 1.0 };
    let mut sum = 0.0;
    let first = if is_odd { 1 } else { 0 };
    for power in (first..freedom.saturating_sub(1)).step_by(2) {
        sum += term;
        term *= cos * cos * (power + 1) as f64 / (power + 2) as f64;
    }
    let within = match is_odd {
        true => std::f64::consts::FRAC_2_PI * (angle + sin * sum),
        false => sin * sum,
    };
    (1.0 - within).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_are_the_ends_of_the_values() {
        assert_eq!(extremes([2.0, -1.0, 0.5].into_iter()), [-1.0, 2.0]);
        assert!(extremes(std::iter::empty()) == [f64::INFINITY, f64::NEG_INFINITY]);
    }

    #[test]
    fn a_line_has_its_slope_and_the_textbook_error() {
        // Simple linear regression: the variance of the slope is that of a value over the sum of squared distances.
        let line = LineSlope::through([(4.0, 1.0), (5.0, 3.0), (6.0, 5.0)].into_iter()).unwrap();
        assert_eq!(line.slope, 2.0);
        assert!((line.standard_error(0.1) - 0.1 / 2f64.sqrt()).abs() < 1e-15);
        assert_eq!(
            LineSlope::through([(4.0, 1.0), (4.0, 3.0)].into_iter()),
            None
        );
        assert_eq!(LineSlope::through(std::iter::empty()), None);
    }

    #[test]
    fn inner_ends_leave_outliers_out() {
        let hundred: Vec<usize> = (0..=100).collect();
        assert_eq!(inner_ends(&hundred), Some([&2, &98]));
        assert_eq!(inner_ends(&[7, 9]), Some([&7, &9]));
        assert_eq!(inner_ends::<f64>(&[]), None);
    }

    #[test]
    fn tails_of_students_distribution_are_those_of_the_tables() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2: critical values of t.
        let table = [
            (1, 12.706, 0.05),
            (2, 4.303, 0.05),
            (3, 5.841, 0.01),
            (7, 3.499, 0.01),
            (10, 2.228, 0.05),
            (11, 4.025, 0.002),
            (30, 3.385, 0.002),
        ];
        for (freedom, t, beyond) in table {
            let found = student_t_beyond(t, freedom);
            assert!((found / beyond - 1.0).abs() < 2e-3, "{freedom}: {found}");
        }
        assert_eq!(student_t_beyond(0.0, 5), 1.0);
        assert_eq!(student_t_beyond(f64::INFINITY, 5), 0.0);
    }
}
