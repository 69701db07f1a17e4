//! The ladder of distortion terms, and how far up it pays to climb.

use nalgebra::{SVector, Vector3};

use super::adjustment::{Adjusted, Adjustment, POSE, State};
use super::outliers::{Kept, rms_px};
use super::result::TermsTrial;
use super::terms::{BEND, BoardShape, DistortionTerms};
use super::uncertainty::{Uncertainty, uncertainty, with_left_out};
use crate::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};
use crate::solver::Loss;

/// Terms pay when they lower the sum of squares, per term, by more than this many times what
/// chance explains: Akaike's criterion for large samples (IEEE Trans. Autom. Control 19, 716,
/// 1974). No stricter, since a term wrongly left out bends the camera, while one wrongly taken in
/// only widens its interval.
const PAYING_F: f64 = 2.0;
/// Adjusts with some terms and a flat or bent board; what is not estimated is zero.
pub(super) fn adjust(
    kept: &Kept,
    start: State,
    (terms, shape): (DistortionTerms, BoardShape),
    loss: Loss,
) -> Option<Adjusted> {
    let weighted = kept.weighted();
    let adjustment = Adjustment {
        views: &weighted,
        terms,
        shape,
        loss,
    };
    let mut intrinsics = start.camera.intrinsics();
    intrinsics.rows_range_mut(terms.intrinsics()..).fill(0.0);
    adjustment.run(State {
        camera: Camera::from_intrinsics(&intrinsics),
        bend_mm: match shape {
            BoardShape::Flat => Vector3::zeros(),
            BoardShape::Bent => start.bend_mm,
        },
        ..start
    })
}

/// The adjustment with the terms that were chosen.
pub(super) struct Chosen {
    pub terms: DistortionTerms,
    pub state: State,
    pub covariance: IntrinsicsCovariance,
    pub between_views: f64,
    pub trials: Vec<TermsTrial>,
    pub bend_f_value: f64,
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
    (wanted, shape): (Option<DistortionTerms>, Option<BoardShape>),
) -> Option<Chosen> {
    let mut rungs = Vec::new();
    for terms in DistortionTerms::LADDER {
        if wanted.is_none_or(|wanted| wanted == terms) {
            rungs.push(rung(kept, full, (terms, BoardShape::Flat))?);
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
    let left_out = moved(&rungs[chosen], top);
    let flat = rungs.swap_remove(chosen);
    let bent = rung(kept, &flat.adjusted.state, (flat.terms, BoardShape::Bent))?;
    let gain = (flat.adjusted.cost - bent.adjusted.cost) / BEND as f64;
    let bend_f_value = gain / (bent.adjusted.cost / bent.freedom);
    let unbent = moved(&flat, &bent);
    let (chosen, doubt) = match shape {
        Some(BoardShape::Bent) => (bent, Intrinsics::zeros()),
        None if bend_f_value > PAYING_F && matters(&unbent, &flat) => (bent, Intrinsics::zeros()),
        None if bend_f_value > PAYING_F => (flat, unbent),
        Some(BoardShape::Flat) | None => (flat, Intrinsics::zeros()),
    };
    let covariance = with_left_out(&chosen.uncertainty.covariance, &left_out);
    Some(Chosen {
        terms: chosen.terms,
        covariance: with_left_out(&covariance, &doubt),
        between_views: chosen.uncertainty.between_views,
        state: chosen.adjusted.state,
        trials,
        bend_f_value,
    })
}

type Intrinsics = SVector<f64, INTRINSIC_COUNT>;

/// How the intrinsics move from one step to another.
fn moved(from: &Rung, to: &Rung) -> Intrinsics {
    to.adjusted.state.camera.intrinsics() - from.adjusted.state.camera.intrinsics()
}

/// Whether a move of the intrinsics takes one of them out of its standard deviation: only then is
/// a board worth being taken for bent, since the numbers of its bend cost certainty as well.
fn matters(moved: &Intrinsics, rung: &Rung) -> bool {
    let variances = rung.uncertainty.covariance.diagonal();
    moved
        .iter()
        .zip(&variances)
        .any(|(moved, variance)| moved * moved > *variance && *variance > 0.0)
}

fn rung(kept: &Kept, start: &State, model: (DistortionTerms, BoardShape)) -> Option<Rung> {
    let adjusted = adjust(kept, start.clone(), model, Loss::Quadratic)?;
    let (terms, shape) = model;
    let bend = match shape {
        BoardShape::Flat => 0,
        BoardShape::Bent => BEND,
    };
    let unknowns = terms.intrinsics() + bend + POSE * kept.views.len();
    let freedom = (2 * kept.point_count()).checked_sub(unknowns)? as f64;
    let variance = adjusted.cost / freedom.max(1.0);
    let uncertainty = uncertainty(&adjusted.views, model, variance)?;
    Some(Rung {
        terms,
        adjusted,
        uncertainty,
        freedom: freedom.max(1.0),
    })
}
