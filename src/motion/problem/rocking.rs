//! Rocking: surroundings that turn and shift a little against the airframe as the surfaces move, since the
//! aircraft gives way to its own servos. Unseen it would bend every deflection.

use nalgebra::DMatrix;

use super::blocks::Block;
use super::joint_fit::{JointFit, State};
use super::observation::Target;
use crate::conventions::deg_from_rad;
use crate::solver::scaled_inverse;

/// The surroundings rock against the airframe from this χ² on, with six degrees of freedom: by chance it
/// is exceeded once in ten thousand times at 28.
const ROCKS_CHI2: f64 = 30.0;
/// The same where the picture moves against the lens. A stabiliser drifts slowly, so neighbouring frames say the same
/// and χ² comes out larger by chance: up to 37 in 48 synthetic films without rocking, 41 on a rendered
/// clip. Rocking of 0.15° gives 10,000 and more.
const ROCKS_CHI2_IN_MOVING_PICTURE: f64 = 100.0;

/// Whether a fit whose constants have this covariance shows rocking of the surroundings that is significant.
pub(in crate::motion) fn shows(
    fit: &JointFit,
    state: &State,
    covariance: Option<&DMatrix<f64>>,
) -> bool {
    let chi2 = || {
        let own = fit.layout.own_covariance(Block::Rocking, covariance?)?;
        let rocking = &state.constants.rocking;
        Some(rocking.dot(&(scaled_inverse(&own.into_owned())? * rocking)))
    };
    let limit = match fit.layout.picture_moves {
        true => ROCKS_CHI2_IN_MOVING_PICTURE,
        false => ROCKS_CHI2,
    };
    chi2().is_some_and(|chi2| chi2 > limit)
}

/// How far the surroundings rock against the airframe through the whole travel, as seen from the camera:
/// root mean square of all landmarks.
pub(in crate::motion) fn rocking_deg(fit: &JointFit, state: &State) -> f64 {
    let driven = fit.frames.iter().flat_map(|frame| &frame.landmarks);
    let drive_rad = driven.map(|seen| seen.drive_rad);
    let span_rad = drive_rad.fold([0.0_f64; 2], |[low, high], at| [low.min(at), high.max(at)]);
    let constants = &state.constants;
    let landmarks = constants.landmarks.iter();
    let squares = landmarks.map(|landmark| {
        let by = landmark.rocking(constants);
        (by - landmark.towards.dot(&by) * landmark.towards.into_inner()).norm_squared()
    });
    let mean_square = squares.sum::<f64>() / constants.landmarks.len().max(1) as f64;
    deg_from_rad(mean_square.sqrt() * (span_rad[1] - span_rad[0]))
}

/// Notes at every landmark how far the surface that is seen most is deflected: all of them follow one
/// stick, and whatever rocks the aircraft follows it too.
pub(in crate::motion) fn note_drive(fit: &mut JointFit, state: &State) {
    let frames_of = |surface: &usize| {
        let frames = fit.frames.iter();
        frames
            .filter(|frame| frame.shows(Target::Surface(*surface)))
            .count()
    };
    let Some(surface) = (0..fit.layout.surfaces).max_by_key(frames_of) else {
        return;
    };
    for (frame, frame_state) in fit.frames.iter_mut().zip(&state.frames) {
        let drive_rad = match frame.shows(Target::Surface(surface)) {
            true => frame_state.angles_rad[surface],
            false => 0.0,
        };
        for seen in &mut frame.landmarks {
            seen.drive_rad = drive_rad;
        }
    }
}
