//! Correlation: factor on the variance of the corners over that of white noise.
//!
//! A camera's own processing and a video's compression leave errors that neighbouring pixels
//! share, and shared errors do not average out over a tag. For a smooth estimator the variance
//! grows by the sum of the residuals' autocorrelation over all lags (Bartlett 1946 for one
//! dimension; the same sum over the plane here).

use nalgebra::DVectorView;

/// Lags are summed up to this many pixels along each axis: blocks of transform coding are 4 or 8
/// pixels wide, and the estimate of further lags is mostly noise.
const REACH_PX: usize = 3;

/// Factor on the variance that white noise of the same size would give, at least 1.
///
/// `residuals` holds one entry a pixel of a box `width_px` wide, row by row; `None` where a pixel
/// does not belong to the tag.
pub(in crate::tags) fn variance_factor(residuals: &[Option<f32>], width_px: usize) -> f64 {
    let values: Vec<f32> = residuals.iter().map(|r| r.unwrap_or(0.0)).collect();
    let present: Vec<f32> = residuals
        .iter()
        .map(|r| if r.is_some() { 1.0 } else { 0.0 })
        .collect();
    let mean_product = |right: isize, down: usize| {
        let pairs = sum_of_products(&present, width_px, right, down);
        if pairs > 0.0 {
            sum_of_products(&values, width_px, right, down) / pairs
        } else {
            0.0
        }
    };
    let square = mean_product(0, 0);
    if square <= 0.0 {
        return 1.0;
    }
    let reach = REACH_PX as isize;
    let mut sum = 0.0;
    for down in 0..=REACH_PX {
        let first = if down == 0 { 1 } else { -reach };
        sum += (first..=reach)
            .map(|right| mean_product(right, down))
            .sum::<f64>();
    }
    (1.0 + 2.0 * sum / square).max(1.0)
}

/// Sum of products of values `right` and `down` pixels apart.
fn sum_of_products(values: &[f32], width_px: usize, right: isize, down: usize) -> f64 {
    let (left_cut, right_cut) = ((-right).max(0) as usize, right.max(0) as usize);
    if left_cut + right_cut >= width_px {
        return 0.0;
    }
    let rows = values.chunks_exact(width_px);
    rows.clone()
        .zip(rows.skip(down))
        .map(|(row, below)| {
            let here = &row[left_cut..width_px - right_cut];
            let there = &below[right_cut..width_px - left_cut];
            let product = DVectorView::from_slice(here, here.len())
                .dot(&DVectorView::from_slice(there, there.len()));
            f64::from(product)
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::variance_factor;

    /// Independent residuals from a fixed linear congruential sequence (Knuth's MMIX constants).
    fn white(count: usize) -> Vec<f32> {
        let mut state = 1u64;
        let mut next = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) as f32 / (1u64 << 31) as f32 - 0.5
        };
        (0..count).map(|_| next()).collect()
    }

    #[test]
    fn white_noise_needs_no_factor() {
        let residuals: Vec<_> = white(60 * 60).into_iter().map(Some).collect();
        let factor = variance_factor(&residuals, 60);
        assert!((factor - 1.0).abs() < 0.35, "{factor}");
    }

    #[test]
    fn noise_repeated_in_blocks_of_two_by_two_counts_four_times() {
        let coarse = white(40 * 40);
        let residuals: Vec<_> = (0..80 * 80)
            .map(|k| Some(coarse[k / 80 / 2 * 40 + k % 80 / 2]))
            .collect();
        let factor = variance_factor(&residuals, 80);
        assert!((factor - 4.0).abs() < 0.8, "{factor}");
    }
}
