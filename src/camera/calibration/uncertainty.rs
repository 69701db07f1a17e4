//! Covariance of the intrinsics, and how far the views agree among each other.

use nalgebra::{DMatrix, DVector};

use super::adjustment::{Intrinsics, IntrinsicsSquare, ViewInformation};
use super::terms::DistortionTerms;

/// What an adjustment knows of the intrinsics.
#[derive(Debug, Clone, Copy)]
pub(super) struct Uncertainty {
    /// Covariance of the intrinsics; empty rows for terms that were not estimated.
    pub covariance: IntrinsicsSquare,
    /// How much wider than independent errors explain the views scatter about the common camera,
    /// as a ratio of variances, at least 1.
    pub between_views: f64,
}

/// Covariance from the views' information; `None` where they do not fix the intrinsics.
///
/// Errors within a view are not independent (the paper is bent, the shutter rolls), which plain
/// propagation does not know. So the pull of each view on the common camera is compared with what
/// independent errors of variance `variance` would give, and the covariance is widened by the ratio
/// where it is above one: the Birge ratio (R. T. Birge, Phys. Rev. 40, 207, 1932) between views.
///
/// With H = Σ Hᵥ = L Lᵀ and Mᵥ = L⁻¹ Hᵥ L⁻ᵀ, the pull hᵥ = L⁻¹ gᵥ of a view at the solution has
/// the covariance variance · (Mᵥ − Mᵥ²), so that Σ|hᵥ|² is expected to be
/// variance · (k − Σ tr Mᵥ²) for k intrinsics.
pub(super) fn uncertainty(
    views: &[ViewInformation],
    terms: DistortionTerms,
    variance: f64,
) -> Option<Uncertainty> {
    let count = terms.intrinsics();
    let square = |full: &IntrinsicsSquare| full.view((0, 0), (count, count)).into_owned();
    let total: IntrinsicsSquare = views.iter().map(|view| view.normal).sum();
    let cholesky = square(&total).cholesky()?;
    let lower = cholesky.l();
    let mut pull = 0.0;
    let mut expected = count as f64;
    for view in views {
        let gradient = DVector::from_column_slice(&view.gradient.as_slice()[..count]);
        pull += lower.solve_lower_triangular(&gradient)?.norm_squared();
        let half = lower.solve_lower_triangular(&square(&view.normal))?;
        let share: DMatrix<f64> = lower.solve_lower_triangular(&half.transpose())?;
        expected -= share.norm_squared();
    }
    let between_views = if expected > 0.0 && variance > 0.0 {
        (pull / (variance * expected)).max(1.0)
    } else {
        1.0
    };
    let mut covariance = IntrinsicsSquare::zeros();
    covariance
        .view_mut((0, 0), (count, count))
        .copy_from(&(cholesky.inverse() * (variance * between_views)));
    Some(Uncertainty {
        covariance,
        between_views,
    })
}

/// Adds the doubt that terms left out leave behind: had they been estimated, the intrinsics would
/// have moved by `moved` (after Buckland, Burnham & Augustin, Biometrics 53, 603, 1997).
pub(super) fn with_terms_left_out(
    covariance: &IntrinsicsSquare,
    moved: &Intrinsics,
) -> IntrinsicsSquare {
    covariance + moved * moved.transpose()
}
