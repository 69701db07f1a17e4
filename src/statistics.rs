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
