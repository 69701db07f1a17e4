//! Robust statistics of a handful of numbers.

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
