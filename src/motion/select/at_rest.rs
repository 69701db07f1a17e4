//! Surfaces whose tags rest in the clip, whatever deflections the fit gives them.
//!
//! Noise can turn a small tag at rest by many degrees: two tilts look nearly alike, and a hinge line
//! through the tag lets each frame choose one. Its corners still stay in place in
//! the picture. So the residuals at one deflection for all frames are compared with those at the fitted
//! ones. In the hand the deflection also absorbs part of the camera's pose that the other tags leave undetermined, so
//! there each frame's pose is fitted again.
//!
//! Before a camera that stands still, most tags at rest show before any fit.

use rayon::prelude::*;

use crate::conventions::deg_from_rad;
use crate::model_file::{ModelFile, Surface};
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{Corners, Observation, ObservedFrame, Target};
use crate::motion::problem::parameters::{Constants, FrameState};
use crate::motion::problem::residuals::chi2;
use crate::motion::solve::frame_fit::FrameFit;
use crate::motion::{LeftOut, MotionError};
use crate::statistics::{inner_ends, median};

/// Coordinates of a sighting.
const COORDINATES: f64 = 8.0;
/// … and those that its own deflection leaves free.
const FREE_COORDINATES: f64 = 7.0;
/// A surface moves where one deflection for all frames raises the residuals of its sightings to more
/// than this many standard deviations, in the root mean square and in units of the variance that its
/// residuals show. Noise alone gives 1. A travel of 3° that moves a tag by one pixel gives 5 with corners
/// to 0.1 px, and usual travels give a hundred and more.
const MOVED_SD: f64 = 3.5;
/// Frames in which a pose is fitted again, at most.
const ENOUGH_FRAMES: usize = 120;
/// Median of χ² with eight degrees of freedom (NIST/SEMATECH e-Handbook, 1.3.6.6.6, gives the distribution).
const MEDIAN_CHI2: f64 = 7.344;
/// A tag rests in the picture only if its corners scatter by less than this about their middle, px: twice the
/// noise of poor pictures, and far below any travel. Where a clip has few pictures, each at another deflection,
/// their changes are no noise.
const STAYS_PX: f64 = 0.2;

/// Every surface has to move.
///
/// # Errors
/// Those that rest, or travel less than is needed for a hinge line.
pub(in crate::motion) fn require_travel(
    fit: &JointFit,
    state: &State,
    model: &ModelFile,
    smallest_travel_deg: f64,
) -> Result<(), MotionError> {
    let fitted = chi2(fit, state);
    let surfaces = model.surfaces.iter().enumerate();
    let at_rest = surfaces.filter_map(|(surface, declared)| {
        let travel_deg = travel_deg(fit, state, surface);
        if travel_deg < smallest_travel_deg {
            let reason = MotionError::TravelTooSmall {
                surface: declared.name.clone(),
                travel_deg,
                needed_deg: smallest_travel_deg,
            };
            return Some(LeftOut::of(declared, reason));
        }
        let moved_sd = match fit.layout.view_moves() {
            true => moved_sd_in_the_hand(fit, state, &fitted, surface),
            false => moved_sd(fit, state, &fitted, surface),
        };
        resting(declared, moved_sd)
    });
    none_of(at_rest.collect())
}

/// Before a still camera, tags whose corners stay where they are in the picture belong to surfaces
/// that rest. To be asked before the first step of a fit.
///
/// # Errors
/// Those surfaces.
pub(in crate::motion) fn require_motion_in_picture(
    fit: &JointFit,
    model: &ModelFile,
) -> Result<(), MotionError> {
    if fit.layout.view_moves() {
        return Ok(());
    }
    let surfaces = model.surfaces.iter().enumerate();
    let at_rest = surfaces.filter_map(|(surface, declared)| {
        let seen = sightings_of(fit, Target::Surface(surface));
        resting(declared, moved_in_picture_sd(&seen)?)
    });
    none_of(at_rest.collect())
}

fn none_of(at_rest: Vec<LeftOut>) -> Result<(), MotionError> {
    match at_rest.is_empty() {
        true => Ok(()),
        false => Err(LeftOut::together(at_rest)),
    }
}

fn resting(declared: &Surface, moved_sd: f64) -> Option<LeftOut> {
    let reason = MotionError::AtRest {
        surface: declared.name.clone(),
        moved_sd,
        needed_sd: MOVED_SD,
    };
    (moved_sd < MOVED_SD).then(|| LeftOut::of(declared, reason))
}

fn sightings_of(fit: &JointFit, target: Target) -> Vec<&Observation> {
    let frames = fit.frames.iter().flat_map(ObservedFrame::kept);
    frames.filter(|seen| seen.target == target).collect()
}

/// Travel of a surface between the inner ends of its deflections.
fn travel_deg(fit: &JointFit, state: &State, surface: usize) -> f64 {
    let showing = showing(fit, state, surface);
    let mut angles: Vec<f64> = showing
        .map(|(_, state)| state.angles_rad[surface])
        .collect();
    angles.sort_by(f64::total_cmp);
    inner_ends(&angles).map_or(0.0, |[low, high]| deg_from_rad(high - low))
}

/// The frames that show a surface, with their states.
fn showing<'a>(
    fit: &'a JointFit,
    state: &'a State,
    surface: usize,
) -> impl Iterator<Item = (&'a ObservedFrame, &'a FrameState)> {
    let frames = fit.frames.iter().zip(&state.frames);
    frames.filter(move |(frame, _)| frame.shows(Target::Surface(surface)))
}

/// Median of a surface's deflections; `None` where it is never seen.
fn middle_rad(fit: &JointFit, state: &State, surface: usize) -> Option<f64> {
    median(showing(fit, state, surface).map(|(_, state)| state.angles_rad[surface]))
}

/// Variance of a coordinate's residuals at the fitted deflections. Corners whose errors are claimed too
/// large do not turn noise into motion, so it is 1 at least.
fn variance(fit: &JointFit, fitted: &[Vec<f64>], surface: usize) -> f64 {
    let (mut own, mut count) = (0.0, 0.0);
    for (frame, chi2) in fit.frames.iter().zip(fitted) {
        for (seen, chi2) in frame.observations.iter().zip(chi2) {
            if seen.kept && seen.target == Target::Surface(surface) {
                own += chi2;
                count += 1.0;
            }
        }
    }
    (own / (FREE_COORDINATES * f64::max(count, 1.0))).max(1.0)
}

/// How far the corners of a surface's tag go beyond their noise: what its sightings are off where it
/// stays at its median deflection, in standard deviations.
fn moved_sd(fit: &JointFit, state: &State, fitted: &[Vec<f64>], surface: usize) -> f64 {
    let target = Target::Surface(surface);
    let Some(middle_rad) = middle_rad(fit, state, surface) else {
        return 0.0;
    };
    let mut resting = state.clone();
    for frame in &mut resting.frames {
        frame.angles_rad[surface] = middle_rad;
    }
    let at_rest = chi2(fit, &resting);
    let (mut rise, mut count) = (0.0, 0.0);
    for ((frame, fitted), at_rest) in fit.frames.iter().zip(fitted).zip(&at_rest) {
        let sightings = frame.observations.iter().zip(fitted).zip(at_rest);
        for ((seen, fitted), at_rest) in sightings {
            if seen.kept && seen.target == target {
                rise += at_rest - fitted;
                count += 1.0;
            }
        }
    }
    let variance = variance(fit, fitted, surface);
    (rise / f64::max(count, 1.0) / variance).max(0.0).sqrt()
}

/// The same with a camera that moves: by how much the residuals of the whole frame rise where the tag
/// counts as one of the airframe's, and the frame's view and the other deflections are fitted to that.
fn moved_sd_in_the_hand(fit: &JointFit, state: &State, fitted: &[Vec<f64>], surface: usize) -> f64 {
    let Some(middle_rad) = middle_rad(fit, state, surface) else {
        return 0.0;
    };
    let (constants, fixed) = with_fixed_tag(&state.constants, surface, middle_rad);
    let by_surface = FrameFit::new(fit, fit.lens.given(&state.constants), fit.loss, &[]);
    let by_fixed_tag = FrameFit::new(fit, fit.lens.given(&constants), fit.loss, &[]);
    let showing: Vec<_> = showing(fit, state, surface).collect();
    let every = showing.len().div_ceil(ENOUGH_FRAMES).max(1);
    let rises = showing.par_iter().step_by(every).map(|(frame, own)| {
        let mut resting = (*frame).clone();
        for seen in &mut resting.observations {
            if seen.target == Target::Surface(surface) {
                seen.target = fixed;
            }
        }
        let (_, cost) = by_surface.settle(frame, (*own).clone())?;
        let (_, cost_at_rest) = by_fixed_tag.settle(&resting, (*own).clone())?;
        Some(2.0 * (cost_at_rest - cost))
    });
    let rises: Vec<f64> = rises.flatten().collect();
    let mean = rises.iter().sum::<f64>() / f64::max(rises.len() as f64, 1.0);
    (mean / variance(fit, fitted, surface)).max(0.0).sqrt()
}

/// The constants with a surface's tag, at one deflection, as a further tag of the airframe.
fn with_fixed_tag(constants: &Constants, surface: usize, angle_rad: f64) -> (Constants, Target) {
    let mut constants = constants.clone();
    let fixed = Target::Airframe(constants.airframe_tags.len());
    let hinged = &constants.surfaces[surface];
    let pose = hinged
        .hinge
        .carry(&hinged.reference_from_tag_at_zero, angle_rad);
    constants.airframe_tags.push(pose);
    if let Some(bow_mm) = constants.bows_mm.get(&Target::Surface(surface)).copied() {
        constants.bows_mm.insert(fixed, bow_mm);
    }
    (constants, fixed)
}

/// How far a tag's corners go in the picture beyond what they change from sighting to sighting, in standard
/// deviations; `None` where they scatter too far, or where too few sightings say so.
fn moved_in_picture_sd(seen: &[&Observation]) -> Option<f64> {
    let mut middle = Corners::zeros();
    for row in 0..middle.len() {
        middle[row] = median(seen.iter().map(|seen| seen.corners_px[row]))?;
    }
    let mean = |of: &dyn Fn(&Observation) -> f64| {
        seen.iter().map(|seen| of(seen)).sum::<f64>() / seen.len() as f64
    };
    let scatter_px2 = mean(&|seen| (seen.corners_px - middle).norm_squared()) / COORDINATES;
    if scatter_px2 > STAYS_PX.powi(2) {
        return None;
    }
    let changes = seen.windows(2).map(|pair| {
        let change = pair[1].corners_px - pair[0].corners_px;
        (pair[1].whitening * change).norm_squared() / 2.0
    });
    let variance = (median(changes)? / MEDIAN_CHI2).max(1.0);
    let off = mean(&|seen| (seen.whitening * (seen.corners_px - middle)).norm_squared());
    Some((off / variance - COORDINATES).max(0.0).sqrt())
}
