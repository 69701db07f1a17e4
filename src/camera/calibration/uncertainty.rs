//! Covariance of the shared numbers, and how well the views agree.

use nalgebra::{DMatrix, SVector};

use super::adjustment::{SharedSquare, ViewInformation};
use crate::camera::{INTRINSIC_COUNT, IntrinsicsCovariance};

/// Result of an adjustment for the shared numbers.
#[derive(Debug, Clone, Copy)]
pub(super) struct Uncertainty {
    /// Covariance of the intrinsics and the bend; rows of numbers that were not estimated are
    /// empty.
    pub shared: SharedSquare,
    /// How much wider than independent errors explain the places scatter about the common camera,
    /// as a ratio of variances, at least 1.
    pub between_views: f64,
}

impl Uncertainty {
    /// Covariance of the intrinsics.
    pub fn covariance(&self) -> IntrinsicsCovariance {
        self.shared
            .fixed_view::<INTRINSIC_COUNT, INTRINSIC_COUNT>(0, 0)
            .into()
    }
}

/// Covariance from the information of the places; `None` where they do not fix the intrinsics.
///
/// Errors within a view are correlated (the paper is bent, the shutter rolls), and plain
/// propagation ignores that. So the pull of each place on the common camera is compared with that
/// of independent errors of variance `variance`, and the covariance is widened by the ratio where
/// it exceeds one: the Birge ratio (R. T. Birge, Phys. Rev. 40, 207, 1932) between places.
///
/// With H = Σ Hᵥ = L Lᵀ and Mᵥ = L⁻¹ Hᵥ L⁻ᵀ, the pull hᵥ = L⁻¹ gᵥ of a place at the solution has
/// the covariance variance · (Mᵥ − Mᵥ²), so that Σ|hᵥ|² is expected to be
/// variance · (k − Σ tr Mᵥ²) for k numbers.
pub(super) fn uncertainty(
    places: &[ViewInformation],
    estimated: &[usize],
    variance: f64,
) -> Option<Uncertainty> {
    let count = estimated.len();
    let square = |full: &SharedSquare| full.select_rows(estimated).select_columns(estimated);
    let total: SharedSquare = places.iter().map(|place| place.normal).sum();
    let cholesky = square(&total).cholesky()?;
    let lower = cholesky.l();
    let mut pull = 0.0;
    let mut expected = count as f64;
    for place in places {
        let gradient = place.gradient.select_rows(estimated);
        pull += lower.solve_lower_triangular(&gradient)?.norm_squared();
        let half = lower.solve_lower_triangular(&square(&place.normal))?;
        let share: DMatrix<f64> = lower.solve_lower_triangular(&half.transpose())?;
        expected -= share.norm_squared();
    }
    let between_views = if expected > 0.0 && variance > 0.0 {
        (pull / (variance * expected)).max(1.0)
    } else {
        1.0
    };
    let narrow = cholesky.inverse() * (variance * between_views);
    let mut shared = SharedSquare::zeros();
    for (row, &to_row) in estimated.iter().enumerate() {
        for (column, &to_column) in estimated.iter().enumerate() {
            shared[(to_row, to_column)] = narrow[(row, column)];
        }
    }
    Some(Uncertainty {
        shared,
        between_views,
    })
}

/// Adds the uncertainty due to terms left out: if estimated, they would have moved the intrinsics
/// by `moved` (after Buckland, Burnham & Augustin, Biometrics 53, 603, 1997).
pub(super) fn with_left_out(
    covariance: &IntrinsicsCovariance,
    moved: &SVector<f64, INTRINSIC_COUNT>,
) -> IntrinsicsCovariance {
    covariance + moved * moved.transpose()
}
