//! How badly sightings fit, and which of them a start explains at all.

use super::joint_fit::{JointFit, State};
use super::observation::{Corners, ObservedFrame};
use super::parameters::{FrameState, Given};
use super::prediction::residual;
use crate::statistics::median;

/// A start may explain a sighting this many times worse (χ²) than it does most: constants that are
/// still off make errors of several times the corners'.
const PLAUSIBLE_FACTOR: f64 = 30.0;

/// Keeps the sightings that a start explains no much worse than most, whatever the scale of the
/// errors: gross ones would make a joint step fail that is good for all others.
pub(in crate::motion) fn keep_plausible(fit: &mut JointFit, start: &State) {
    let chi2 = chi2(fit, start);
    let usual = median(chi2.iter().flatten().copied()).unwrap_or(0.0);
    let limit = PLAUSIBLE_FACTOR * usual.max(8.0);
    for (frame, chi2) in fit.frames.iter_mut().zip(&chi2) {
        keep_below(frame, chi2, limit, fit.layout.view_moves());
    }
}

/// Keeps the sightings of a frame whose χ² is below a limit; none where a view that moves is not determined then.
pub(in crate::motion) fn keep_below(
    frame: &mut ObservedFrame,
    chi2: &[f64],
    limit: f64,
    view_moves: bool,
) {
    for (seen, chi2) in frame.observations.iter_mut().zip(chi2) {
        seen.kept = *chi2 < limit;
    }
    if view_moves && !frame.tells_camera() {
        frame.reject_all();
    }
}

/// χ² of every sighting, in the order of the frames' lists; infinite outside the model.
pub(in crate::motion) fn chi2(fit: &JointFit, state: &State) -> Vec<Vec<f64>> {
    let given = fit.lens.given(&state.constants);
    fit.of_frames(state, |frame, frame_state| {
        chi2_of(frame, &given, frame_state)
    })
}

/// Whitened residual of every sighting, in the order of the frames' lists; `None` outside the model.
pub(in crate::motion) fn residuals(fit: &JointFit, state: &State) -> Vec<Vec<Option<Corners>>> {
    let given = fit.lens.given(&state.constants);
    fit.of_frames(state, |frame, frame_state| {
        residuals_of(frame, &given, frame_state)
    })
}

fn residuals_of(frame: &ObservedFrame, given: &Given, state: &FrameState) -> Vec<Option<Corners>> {
    let sightings = frame.observations.iter();
    sightings.map(|seen| residual(seen, given, state)).collect()
}

pub(in crate::motion) fn chi2_of(
    frame: &ObservedFrame,
    given: &Given,
    state: &FrameState,
) -> Vec<f64> {
    let misses = residuals_of(frame, given, state).into_iter();
    misses
        .map(|miss| miss.map_or(f64::INFINITY, |miss| miss.norm_squared()))
        .collect()
}
