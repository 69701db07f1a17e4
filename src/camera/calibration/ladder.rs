//! The ladder of distortion terms, and how far up it pays to climb.

use super::adjustment::{Adjusted, Adjustment, IntrinsicsSquare, POSE, State};
use super::outliers::{Kept, rms_px};
use super::result::TermsTrial;
use super::terms::DistortionTerms;
use super::uncertainty::{Uncertainty, uncertainty, with_terms_left_out};
use crate::camera::Camera;
use crate::solver::Loss;

/// Terms pay when they lower the sum of squares, per term, by more than this many times what
/// chance explains: Akaike's criterion for large samples (IEEE Trans. Autom. Control 19, 716,
/// 1974). No stricter, since a term wrongly left out bends the camera, while one wrongly taken in
/// only widens its interval.
const PAYING_F: f64 = 2.0;
/// Adjusts with some terms; those not estimated are zero.
pub(super) fn adjust(
    kept: &Kept,
    start: State,
    terms: DistortionTerms,
    loss: Loss,
) -> Option<Adjusted> {
    let weighted = kept.weighted();
    let adjustment = Adjustment {
        views: &weighted,
        terms,
        loss,
    };
    let mut intrinsics = start.camera.intrinsics();
    intrinsics.rows_range_mut(terms.intrinsics()..).fill(0.0);
    adjustment.run(State {
        camera: Camera::from_intrinsics(&intrinsics),
        ..start
    })
}

/// The adjustment with the terms that were chosen.
pub(super) struct Chosen {
    pub terms: DistortionTerms,
    pub state: State,
    pub covariance: IntrinsicsSquare,
    pub between_views: f64,
    pub trials: Vec<TermsTrial>,
}

/// One step of the ladder.
struct Rung {
    terms: DistortionTerms,
    adjusted: Adjusted,
    uncertainty: Uncertainty,
    freedom: f64,
}

/// Climbs the ladder of terms to the highest step that pays.
///
/// The figure is the F of nested least squares, (Δcost/Δterms) / (cost/freedom).
pub(super) fn choose_terms(
    kept: &Kept,
    full: &State,
    wanted: Option<DistortionTerms>,
) -> Option<Chosen> {
    let mut rungs = Vec::new();
    for terms in DistortionTerms::LADDER {
        if wanted.is_none_or(|wanted| wanted == terms) {
            rungs.push(rung(kept, full, terms)?);
        }
    }
    let top = rungs.last()?;
    let chance = top.adjusted.cost / top.freedom;
    let mut trials: Vec<TermsTrial> = Vec::new();
    let mut chosen = 0;
    for (index, rung) in rungs.iter().enumerate() {
        let f_value = index.checked_sub(1).map_or(0.0, |below| {
            let below = &rungs[below];
            let terms = rung.terms.intrinsics() - below.terms.intrinsics();
            (below.adjusted.cost - rung.adjusted.cost) / terms as f64 / chance
        });
        if f_value > PAYING_F {
            chosen = index;
        }
        trials.push(TermsTrial {
            terms: rung.terms,
            rms_px: rms_px(kept, &rung.adjusted.state),
            f_value,
        });
    }
    let moved =
        top.adjusted.state.camera.intrinsics() - rungs[chosen].adjusted.state.camera.intrinsics();
    let chosen = rungs.swap_remove(chosen);
    Some(Chosen {
        terms: chosen.terms,
        covariance: with_terms_left_out(&chosen.uncertainty.covariance, &moved),
        between_views: chosen.uncertainty.between_views,
        state: chosen.adjusted.state,
        trials,
    })
}

fn rung(kept: &Kept, full: &State, terms: DistortionTerms) -> Option<Rung> {
    let adjusted = adjust(kept, full.clone(), terms, Loss::Quadratic)?;
    let unknowns = terms.intrinsics() + POSE * kept.views.len();
    let freedom = (2 * kept.point_count()).checked_sub(unknowns)? as f64;
    let variance = adjusted.cost / freedom.max(1.0);
    let uncertainty = uncertainty(&adjusted.views, terms, variance)?;
    Some(Rung {
        terms,
        adjusted,
        uncertainty,
        freedom: freedom.max(1.0),
    })
}
