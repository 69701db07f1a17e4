//! Whether the views support a model with more terms.
//!
//! Two checks, since errors within a view are correlated and a sum of squares over all points counts
//! them as independent:
//!
//! - the added terms differ from zero by more than their expanded uncertainty, which the scatter
//!   between places has widened (Wald's test);
//! - the places are predicted better, each by a camera that was fitted to all other places (leave-one-out
//!   cross-validation: M. Stone, J. R. Stat. Soc. B 36, 111, 1974). The gain over all places must be
//!   positive, no more: a stricter check would leave out terms that are real, and the first check
//!   already limits how often chance adds one.

use nalgebra::DVector;

use super::adjustment::{Shared, SharedSquare, ViewInformation};

/// χ² of one to eight degrees of freedom that is exceeded by chance as rarely as two standard
/// deviations by one number: the quantile at 95.45 %.
const CHI_SQUARED: [f64; 8] = [4.00, 6.18, 8.02, 9.72, 11.31, 12.85, 14.34, 15.79];

/// The parts of a fitted model that the comparison needs.
pub(super) struct Fitted<'a> {
    /// The estimated parameters, among those that all views share.
    pub estimated: &'a [usize],
    /// The shared numbers.
    pub values: &'a Shared,
    /// Their covariance, widened by the scatter between places.
    pub covariance: &'a SharedSquare,
    /// Information by place.
    pub places: &'a [ViewInformation],
}

/// Why the views do not support the added terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unsupported {
    /// They do not differ from zero by more than their uncertainty.
    WithinUncertainty,
    /// Places that were left out of the fit are not predicted better with them.
    NotConfirmed,
}

/// Whether the terms that `fuller` estimates beyond `simpler` are supported.
pub(super) fn supported(simpler: &Fitted, fuller: &Fitted) -> Result<(), Unsupported> {
    let added: Vec<usize> = fuller
        .estimated
        .iter()
        .copied()
        .filter(|index| !simpler.estimated.contains(index))
        .collect();
    if !exceed_uncertainty(fuller, &added) {
        return Err(Unsupported::WithinUncertainty);
    }
    let (Some(without), Some(with)) = (left_out_costs(simpler), left_out_costs(fuller)) else {
        return Err(Unsupported::NotConfirmed);
    };
    match with.sum() < without.sum() {
        true => Ok(()),
        false => Err(Unsupported::NotConfirmed),
    }
}

fn exceed_uncertainty(fitted: &Fitted, added: &[usize]) -> bool {
    let Some(limit) = added
        .len()
        .checked_sub(1)
        .and_then(|last| CHI_SQUARED.get(last))
    else {
        return false;
    };
    let values = fitted.values.select_rows(added);
    let covariance = fitted.covariance.select_rows(added).select_columns(added);
    covariance
        .cholesky()
        .is_some_and(|cholesky| values.dot(&cholesky.solve(&values)) > *limit)
}

/// Cost of each place under the camera fitted to all others, to second order.
///
/// With H the information of all places, and Hₚ and gₚ those of one, the others alone put the
/// shared numbers at δ = (H − Hₚ)⁻¹ gₚ from the common solution, and the cost of the place is then
/// cₚ + 2 gₚᵀδ + δᵀHₚδ with its poses adjusted. `None` if one place alone fixes a term.
fn left_out_costs(fitted: &Fitted) -> Option<DVector<f64>> {
    let select = |full: &SharedSquare| {
        full.select_rows(fitted.estimated)
            .select_columns(fitted.estimated)
    };
    let total: SharedSquare = fitted.places.iter().map(|place| place.normal).sum();
    let mut costs = Vec::with_capacity(fitted.places.len());
    for place in fitted.places {
        let gradient = place.gradient.select_rows(fitted.estimated);
        let moved = select(&(total - place.normal)).cholesky()?.solve(&gradient);
        let cost =
            place.cost + 2.0 * gradient.dot(&moved) + moved.dot(&(select(&place.normal) * &moved));
        costs.push(cost);
    }
    Some(DVector::from_vec(costs))
}
