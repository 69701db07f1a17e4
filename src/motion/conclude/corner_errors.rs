//! Errors of corners that stay the same through the whole clip.
//!
//! The camera's processing, shading and print distort the outline of a tag in the same way in every
//! frame, so that no number of frames averages it out: beside a still camera the tag hardly turns
//! in the picture, and in the hand it is the same paper. The fit does not look for these errors. On
//! the rendered clips they could not be separated from what else bends a deflection curve, and where
//! there are none, looking for them costs as much as it gains where there are. They are part of
//! its claimed uncertainty instead.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::layout::Layout;
use crate::motion::problem::observation::{Corners, Target};
use crate::motion::problem::residuals::residuals;
use crate::motion::solve::reduced::Reduced;

/// Mean whitened residual of each tag: the trace of its corners' lasting errors in every frame. Single
/// frames and rests scatter about these.
pub(in crate::motion) fn mean_residuals(
    fit: &JointFit,
    state: &State,
) -> BTreeMap<Target, Corners> {
    let mut sums: BTreeMap<Target, (Corners, f64)> = BTreeMap::new();
    for (frame, misses) in fit.frames.iter().zip(residuals(fit, state)) {
        let sightings = frame.observations.iter().zip(misses);
        for (seen, miss) in sightings.filter(|(seen, _)| seen.kept) {
            if let Some(miss) = miss {
                let (sum, count) = sums.entry(seen.target).or_default();
                *sum += miss;
                *count += 1.0;
            }
        }
    }
    sums.into_iter()
        .map(|(target, (sum, count))| (target, sum / count))
        .collect()
}

/// Covariance of the errors of the constants, followed by those of the corners of each tag.
///
/// The constants c are the minimum with corner errors b assumed to be zero. With the reduced
/// information in blocks, an error b moves them by K b, K = I_cc⁻¹ I_cb, so that the estimates c
/// and 0 err by (K b, −b) on top of `own`, the covariance from the noise of single frames (law of
/// propagation, JCGM 100:2008, 5.2.2).
///
/// `None` if the constants are not determined.
pub(in crate::motion) fn with_corner_errors(
    own: &DMatrix<f64>,
    reduced: &Reduced,
    layout: &Layout,
    sd_px: f64,
) -> Option<DMatrix<f64>> {
    let (fitted, all) = (own.nrows(), layout.constants());
    let mut covariance = DMatrix::zeros(all, all);
    covariance.view_mut((0, 0), (fitted, fitted)).copy_from(own);
    if all == fitted {
        return Some(covariance);
    }
    let errors = all - fitted;
    let information = reduced.information.view((0, 0), (fitted, fitted));
    let coupling = reduced.information.view((0, fitted), (fitted, errors));
    let mut moves = DMatrix::zeros(all, errors);
    moves
        .view_mut((0, 0), (fitted, errors))
        .copy_from(&information.into_owned().cholesky()?.solve(&coupling));
    moves
        .view_mut((fitted, 0), (errors, errors))
        .fill_diagonal(-1.0);
    covariance += &moves * moves.transpose() * sd_px.powi(2);
    Some(covariance)
}
