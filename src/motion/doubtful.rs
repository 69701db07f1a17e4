//! Doubtful sightings: further off than errors of corners explain, but by fractions of a pixel.
//!
//! A highlight on part of a tag, or paper bent otherwise than the fit allows for, can take all
//! sightings of a hold out of a fit whose other sightings scatter little. Such sightings tell their
//! deflection all the same, with the doubt that their own misfit shows. They have no say in the hinge.

use super::joint_fit::{JointFit, State};
use super::observation::{Corners, Observation, ObservedFrame, Target};
use super::parameters::{Constants, FrameState, Lens};
use super::prediction::{FRAME_ALONE, RESIDUAL, linearise, residual, residual_px};
use crate::camera::Camera;

/// No corner may be further off, px: a tag that another picture was taken for, or half hidden, is.
const FARTHEST_PX: f64 = 0.1;
/// Steps in which a deflection settles; it starts near.
const STEPS: usize = 4;

/// Lets rejected sightings of surfaces that are only a little off tell their deflections.
pub(super) fn admit(fit: &mut JointFit, state: &mut State) {
    let camera = fit.lens.camera(&state.constants);
    for (frame, frame_state) in fit.frames.iter_mut().zip(&mut state.frames) {
        if fit.layout.camera_moves && !frame.shows_airframe() {
            continue;
        }
        admit_in_frame(frame, frame_state, (&camera, &fit.lens, &state.constants));
    }
}

fn admit_in_frame(
    frame: &mut ObservedFrame,
    state: &mut FrameState,
    known: (&Camera, &Lens, &Constants),
) {
    let (camera, _, constants) = known;
    for seen in frame.observations.iter_mut().filter(|seen| !seen.kept) {
        let Target::Surface(surface) = seen.target else {
            continue;
        };
        let mut settled = state.clone();
        let Some(miss) = settle(seen, &mut settled, surface, known) else {
            continue;
        };
        let miss_px = residual_px(seen, camera, constants, &settled);
        if miss_px.is_some_and(|miss_px| miss_px.amax() < FARTHEST_PX) {
            // As far off as it is shall be its standard deviation.
            let chi2_a_coordinate = miss.norm_squared() / miss.len() as f64;
            seen.whitening /= chi2_a_coordinate.max(1.0).sqrt();
            seen.kept = true;
            seen.doubtful = true;
            *state = settled;
        }
    }
}

/// Brings a surface's deflection to where it explains its tag best; the whitened residual there.
fn settle(
    seen: &Observation,
    state: &mut FrameState,
    surface: usize,
    (camera, lens, constants): (&Camera, &Lens, &Constants),
) -> Option<Corners> {
    for _ in 0..STEPS {
        let line = linearise::<FRAME_ALONE>(seen, camera, lens, constants, state)?;
        let slope = line.by_angle.dot(&line.columns.column(RESIDUAL));
        state.angles_rad[surface] -= slope / line.by_angle.norm_squared();
    }
    residual(seen, camera, constants, state)
}
