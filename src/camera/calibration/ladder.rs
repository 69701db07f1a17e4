//! The ladder of distortion terms, and how far up the views support it.

use nalgebra::{SVector, Vector3};

use super::adjustment::{Adjusted, Adjustment, POSE, Shared, State, ViewInformation, estimated};
use super::error::CalibrationError;
use super::outliers::{Kept, rms_px};
use super::place;
use super::result::{TermsOutcome, TermsTrial};
use super::support::{Fitted, Unsupported, supported};
use super::terms::{BEND, BoardShape, DistortionTerms};
use super::uncertainty::{Uncertainty, uncertainty, with_left_out};
use crate::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};
use crate::solver::{Ending, Loss};

/// A parameter may be real if it lowers the sum of squares by more than this many times the
/// decrease expected by chance: Akaike's criterion for large samples (IEEE Trans. Autom. Control
/// 19, 716, 1974). If the places do not support a bend beyond it, the uncertainty grows by the
/// change that the bend would make.
const MAY_BE_REAL_F: f64 = 2.0;

/// Adjusts with some terms and a flat or bent board; all other parameters are zero.
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
    /// Different places in which the board was seen.
    pub places: usize,
}

/// The observations: points, the places of their views, and the size of the picture.
#[derive(Clone, Copy)]
pub(super) struct Scene<'a> {
    pub kept: &'a Kept<'a>,
    pub places: &'a [usize],
    pub size_px: (usize, usize),
}

/// One step of the ladder.
struct Rung {
    terms: DistortionTerms,
    adjusted: Adjusted,
    estimated: Vec<usize>,
    shared: Shared,
    uncertainty: Uncertainty,
    places: Vec<ViewInformation>,
    freedom: f64,
}

/// Adds terms while the views support them and the lens model does not fold back.
///
/// # Errors
///
/// The views do not determine the camera, or the requested terms fold back in the picture.
pub(super) fn choose_terms(
    scene: Scene,
    full: &State,
    (wanted, shape): (Option<DistortionTerms>, Option<BoardShape>),
) -> Result<Chosen, CalibrationError> {
    let climbed = climb(scene, full, (wanted, BoardShape::Flat))?;
    let flat = &climbed.chosen;
    let bent = scene.rung(&flat.adjusted.state, (flat.terms, BoardShape::Bent));
    let bent = bent.ok_or_else(|| scene.not_fixed())?;
    let gain = (flat.adjusted.cost - bent.adjusted.cost) / BEND as f64;
    let bend_f_value = gain / bent.variance();
    let unbent = moved(flat, &bent);
    let folds = scene.folds_at_px(&bent).is_some();
    let is_bent = match shape {
        Some(shape) => shape == BoardShape::Bent,
        None => {
            !folds && matters(&unbent, flat) && supported(&flat.fitted(), &bent.fitted()).is_ok()
        }
    };
    let doubtful = shape.is_none() && !folds && bend_f_value > MAY_BE_REAL_F;
    let (climbed, doubt) = match is_bent {
        // Distortion terms take up part of a bend that is not estimated, so they are chosen again.
        true => (
            climb(scene, full, (wanted, BoardShape::Bent))?,
            Intrinsics::zeros(),
        ),
        false if doubtful => (climbed, unbent),
        false => (climbed, Intrinsics::zeros()),
    };
    let chosen = climbed.chosen;
    scene.refuse_fold(&chosen)?;
    if chosen.adjusted.ending == Ending::StepsExhausted {
        return Err(scene.not_fixed());
    }
    let covariance = with_left_out(&chosen.uncertainty.covariance(), &climbed.left_out);
    Ok(Chosen {
        terms: chosen.terms,
        covariance: with_left_out(&covariance, &doubt),
        between_views: chosen.uncertainty.between_views,
        state: chosen.adjusted.state,
        trials: climbed.trials,
        bend_f_value,
        places: place::count(scene.places),
    })
}

/// How far up the ladder the views go.
struct Climbed {
    chosen: Rung,
    /// The change of the intrinsics if all terms that may be real were estimated.
    left_out: Intrinsics,
    trials: Vec<TermsTrial>,
}

/// Compares each step with the last one that the views supported.
fn climb(
    scene: Scene,
    full: &State,
    (wanted, shape): (Option<DistortionTerms>, BoardShape),
) -> Result<Climbed, CalibrationError> {
    let mut chosen: Option<Rung> = None;
    let mut left_out = Intrinsics::zeros();
    let mut trials = Vec::new();
    for terms in DistortionTerms::LADDER {
        if wanted.is_some_and(|wanted| wanted != terms) {
            continue;
        }
        let Some(rung) = scene.rung(full, (terms, shape)) else {
            // Terms that cannot be fitted rule out all steps that hold them.
            break;
        };
        let outcome = match &chosen {
            None => TermsOutcome::Taken,
            Some(below) => scene.outcome(below, &rung),
        };
        let trial = scene.trial(chosen.as_ref(), &rung, outcome);
        trials.push(trial);
        match (outcome, &chosen) {
            (TermsOutcome::Taken, _) | (_, None) => {
                left_out = Intrinsics::zeros();
                chosen = Some(rung);
            }
            (TermsOutcome::Folds { .. }, _) => {}
            (_, Some(below)) => {
                let added = rung.estimated.len() - below.estimated.len();
                let weight = akaike_weight(added, trial.f_value);
                left_out = moved(below, &rung) * weight.sqrt();
            }
        }
    }
    Ok(Climbed {
        chosen: chosen.ok_or_else(|| scene.not_fixed())?,
        left_out,
        trials,
    })
}

/// Weight of the fuller of two nested models that differ by so many numbers: exp(−AIC/2) over the
/// sum for both (Buckland, Burnham & Augustin, Biometrics 53, 603, 1997).
fn akaike_weight(added: usize, f_value: f64) -> f64 {
    let half_difference = added as f64 * (f_value / MAY_BE_REAL_F - 1.0);
    1.0 / (1.0 + (-half_difference).exp())
}

type Intrinsics = SVector<f64, INTRINSIC_COUNT>;

/// How the intrinsics move from one step to another.
fn moved(from: &Rung, to: &Rung) -> Intrinsics {
    to.adjusted.state.camera.intrinsics() - from.adjusted.state.camera.intrinsics()
}

/// Whether a move of the intrinsics takes one of them out of its standard deviation: only then is
/// a board worth being taken for bent, since the numbers of its bend cost certainty as well.
fn matters(moved: &Intrinsics, rung: &Rung) -> bool {
    let variances = rung.uncertainty.covariance().diagonal();
    moved
        .iter()
        .zip(&variances)
        .any(|(moved, variance)| moved * moved > *variance && *variance > 0.0)
}

impl Scene<'_> {
    fn rung(&self, start: &State, model: (DistortionTerms, BoardShape)) -> Option<Rung> {
        let adjusted = adjust(self.kept, start.clone(), model, Loss::Quadratic)?;
        let estimated = estimated(model.0, model.1);
        let unknowns = estimated.len() + POSE * self.kept.views.len();
        let freedom = (2 * self.kept.point_count()).checked_sub(unknowns)? as f64;
        let freedom = freedom.max(1.0);
        let places = place::gathered(&adjusted.views, self.places);
        let uncertainty = uncertainty(&places, &estimated, adjusted.cost / freedom)?;
        Some(Rung {
            terms: model.0,
            shared: adjusted.state.shared(),
            adjusted,
            estimated,
            uncertainty,
            places,
            freedom,
        })
    }

    fn outcome(&self, below: &Rung, rung: &Rung) -> TermsOutcome {
        if let Some(at_px) = self.folds_at_px(rung) {
            return TermsOutcome::Folds { at_px };
        }
        match supported(&below.fitted(), &rung.fitted()) {
            Ok(()) => TermsOutcome::Taken,
            Err(Unsupported::WithinUncertainty) => TermsOutcome::WithinUncertainty,
            Err(Unsupported::NotConfirmed) => TermsOutcome::NotConfirmed,
        }
    }

    /// A step beside the one that it is compared with: F is that of nested least squares,
    /// (Δcost/Δterms) / (cost/freedom).
    fn trial(&self, below: Option<&Rung>, rung: &Rung, outcome: TermsOutcome) -> TermsTrial {
        let f_value = below.map_or(0.0, |below| {
            let terms = rung.estimated.len() - below.estimated.len();
            (below.adjusted.cost - rung.adjusted.cost) / terms as f64 / rung.variance()
        });
        TermsTrial {
            terms: rung.terms,
            rms_px: rms_px(self.kept, &rung.adjusted.state),
            f_value,
            outcome,
        }
    }

    fn folds_at_px(&self, rung: &Rung) -> Option<f64> {
        let (width_px, height_px) = self.size_px;
        let camera = rung.adjusted.state.camera;
        camera.folds_at_px(width_px, height_px)
    }

    fn refuse_fold(&self, rung: &Rung) -> Result<(), CalibrationError> {
        let (width_px, height_px) = self.size_px;
        let camera = rung.adjusted.state.camera;
        match self.folds_at_px(rung) {
            None => Ok(()),
            Some(at_px) => Err(CalibrationError::Folds {
                terms: rung.terms.words(),
                at_px,
                corner_px: camera.farthest_corner_px(width_px, height_px),
            }),
        }
    }

    fn not_fixed(&self) -> CalibrationError {
        CalibrationError::NotFixed {
            views: self.kept.views.len(),
        }
    }
}

impl Rung {
    fn variance(&self) -> f64 {
        self.adjusted.cost / self.freedom
    }

    fn fitted(&self) -> Fitted<'_> {
        Fitted {
            estimated: &self.estimated,
            values: &self.shared,
            covariance: &self.uncertainty.shared,
            places: &self.places,
        }
    }
}
