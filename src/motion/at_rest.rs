//! Surfaces whose tags rest in the clip, whatever deflections the fit gives them.
//!
//! Noise can turn a small tag at rest by many degrees: two tilts look nearly alike, and a hinge line
//! through the tag lets each frame choose one. In the picture its corners stay where they are all
//! the same. So the residuals at one deflection for all frames are held against those at the fitted
//! ones.

use super::joint_fit::{JointFit, State};
use super::observation::Target;
use super::plausible::chi2;
use super::{LeftOut, MotionError};
use crate::model_file::ModelFile;
use crate::statistics::median;

/// Coordinates of a sighting that its own deflection leaves free.
const FREE_COORDINATES: f64 = 7.0;
/// A surface moves where one deflection for all frames raises the residuals of its sightings to more
/// than this many standard deviations, in the root mean square and in units of the variance that its
/// residuals show. Noise alone gives 1. A travel of 3° that moves a tag by one pixel gives 5 with corners
/// to 0.1 px, and usual travels give a hundred and more.
const MOVED_SD: f64 = 3.5;

/// The surfaces of the fit that do not move.
pub(super) fn surfaces_at_rest(fit: &JointFit, state: &State, model: &ModelFile) -> Vec<LeftOut> {
    let fitted = chi2(fit, state);
    let surfaces = model.surfaces.iter().enumerate();
    surfaces
        .filter_map(|(surface, declared)| {
            let moved_sd = moved_sd(fit, state, &fitted, surface);
            let reason = MotionError::AtRest {
                surface: declared.name.clone(),
                moved_sd,
                needed_sd: MOVED_SD,
            };
            (moved_sd < MOVED_SD).then(|| LeftOut::of(declared, reason))
        })
        .collect()
}

/// How far the corners of a surface's tag go beyond their noise: what its sightings are off where it
/// stays at its median deflection, in standard deviations.
fn moved_sd(fit: &JointFit, state: &State, fitted: &[Vec<f64>], surface: usize) -> f64 {
    let target = Target::Surface(surface);
    let showing = fit.frames.iter().zip(&state.frames);
    let showing = showing.filter(|(frame, _)| frame.shows(target));
    let Some(middle_rad) = median(showing.map(|(_, state)| state.angles_rad[surface])) else {
        return 0.0;
    };
    let mut resting = state.clone();
    for frame in &mut resting.frames {
        frame.angles_rad[surface] = middle_rad;
    }
    let at_rest = chi2(fit, &resting);
    let (mut rise, mut own, mut count) = (0.0, 0.0, 0.0);
    for ((frame, fitted), at_rest) in fit.frames.iter().zip(fitted).zip(&at_rest) {
        let sightings = frame.observations.iter().zip(fitted).zip(at_rest);
        for ((seen, fitted), at_rest) in sightings {
            if seen.kept && seen.target == target {
                rise += at_rest - fitted;
                own += fitted;
                count += 1.0;
            }
        }
    }
    let variance = own / (FREE_COORDINATES * count);
    // Corners whose errors are claimed too large do not make motion of noise.
    (rise / count / variance.max(1.0)).max(0.0).sqrt()
}
