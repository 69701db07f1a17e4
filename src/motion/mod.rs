//! Motion: fits all frames jointly to each surface's hinge.
//!
//! One robust nonlinear least squares over all corners of all frames (bundle adjustment with one
//! degree of freedom a surface; B. Triggs et al., "Bundle adjustment: a modern synthesis", 2000).
//! A single tag's pose is a poor angle meter: nearly face-on its tilt hardly shows, and two tilts
//! explain it about equally well. But a surface turns about one line, so all frames together tell
//! that line, and each frame then has one number to tell.
//!
//! | room | contents |
//! | --- | --- |
//! | `problem` | observations, unknowns, residuals and their derivatives |
//! | `solve` | the minimum over all frames, and over one frame alone |
//! | `start` | a first state from the sightings alone |
//! | `select` | which sightings count and by how much; which optional unknowns are significant |
//! | `surroundings` | landmarks that are fixed to the ground |
//! | `declared` | the declarations of the model file against the clip |
//! | `conclude` | deflections, hinges and their covariance |
//!
//! [`fit`] calls them in the order of its numbered steps; `sorted_fit` holds the part that
//! `declared` repeats with other declarations.

mod conclude;
mod declared;
#[allow(clippy::module_inception)]
mod motion;
mod options;
mod problem;
mod select;
mod solve;
mod sorted_fit;
mod start;
mod surroundings;
mod warning;

pub use conclude::at_neutral::{
    HINGE_ROWS, HingeInReference, OnSurface, POSE_ROWS, PlacedTag, TagsAtNeutral, TagsAtZero,
};
pub use declared::declaration::DeclarationWarning;
pub use declared::sides::QuarterTurn;
pub use motion::{
    FrameDeflection, Misfit, Motion, MotionFrame, PictureWander, SurfaceMotion, WeightedSum,
};
pub use options::{FitOptions, MotionError};
pub use select::correlated_errors::LastingErrors;
pub use warning::MotionWarning;

use std::collections::BTreeMap;

use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::tags::Sightings;
use conclude::corner_errors::mean_residuals;
use conclude::result::Conclusion;
use declared::declared_fit::{Declared, fit_by_what_holds};
use declared::{airframe_check, profile_check, sides};
use problem::{observation, rocking};
use select::{correlated_errors, marginal, significance};
use solve::search::{FROM_NEARBY, Search};
use start::setup::{declared, with_seen_airframe_tags};
use surroundings::bridging;

/// The last fit. Its last step may change deflections by a tenth of their standard deviation; what that
/// leaves is less than a hundredth.
const FINAL: Search = Search {
    damping: FROM_NEARBY,
    steps: 25,
    promised: 1e-2,
};

/// Fits all frames of a clip to the hinges of the declared surfaces.
///
/// Lengths are millimetres as in the model file, corners px of the picture that the profile was
/// made for. Doubts are pushed to `warnings`. An airframe tag that moves, or fits nowhere, is left out where
/// another one is left, and so is what else the clip contradicts and the fit can do without.
pub fn fit(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
    warnings: &mut Vec<MotionWarning>,
) -> Result<Motion, MotionError> {
    let mut basis = Declared {
        sightings,
        model: with_seen_airframe_tags(model, sightings),
        profile: profile.clone(),
        options,
    };
    sides::judge(sightings, &basis.model, warnings);
    airframe_check::leave_out_moving(sightings, &mut basis.model, warnings)?;
    if basis.model.airframe_tags.is_empty() {
        warnings.push(MotionWarning::NoAirframeTag);
    }
    let (mut fit, mut sorted) = fit_by_what_holds(&mut basis, warnings)?;
    let options = &profile_check::options_with_lens(&basis, &fit);
    let model = basis.model;
    if fit.surroundings_move {
        warnings.push(MotionWarning::SurroundingsMove);
    }
    if fit.layout.rocking {
        let angle_deg = rocking::rocking_deg(&fit, &sorted);
        warnings.push(MotionWarning::AircraftRocks { angle_deg });
    }
    let frames = bridging::bridged_frames(&fit);
    if frames as f64 * observation::interval_s(&fit.frames) >= bridging::REPORTED_S {
        warnings.push(MotionWarning::AirframeTagHidden { frames });
    }
    let has_corner_errors = options.corner_error_sd_px > 0.0;
    let constant = match has_corner_errors {
        true => mean_residuals(&fit, &sorted),
        false => BTreeMap::new(),
    };
    for (tag, frames) in marginal::admit(&mut fit, &mut sorted) {
        let (tag_id, _) = declared(&model, tag);
        if !sightings.overview.is_spoiled(tag_id) {
            warnings.push(MotionWarning::TagLooksOtherwise { tag_id, frames });
        }
    }
    let lasting =
        correlated_errors::weigh_rests(&mut fit, &sorted, &constant, options.place_error_sd_px);
    let state = fit
        .minimise(sorted, FINAL)
        .ok_or_else(|| sorted_fit::undetermined(sightings))?;
    for tag in significance::bowed_tags(&fit, &state) {
        let (tag_id, _) = declared(&model, tag);
        let bow_mm = state.constants.bow_mm(tag).amax();
        // A picture that is known to be poor is no evidence of bent paper.
        if !sightings.overview.is_spoiled(tag_id) {
            warnings.push(MotionWarning::TagBent { tag_id, bow_mm });
        }
    }
    fit.layout.corner_errors = has_corner_errors;
    let before = warnings.len();
    let motion = Conclusion {
        fit: &fit,
        state: &state,
        constant: &constant,
        lasting,
        sightings,
        model: &model,
    }
    .draw(options, warnings)?;
    // Where a poor picture makes a hinge poor, its own warning names the cause.
    let spoiled = |surface: &str| {
        let mut surfaces = model.surfaces.iter().filter(|it| it.name == surface);
        surfaces.any(|it| sightings.overview.is_spoiled(it.tag_id))
    };
    let later = warnings.split_off(before);
    warnings.extend(later.into_iter().filter(
        |warning| !matches!(warning, MotionWarning::HingePoor { surface, .. } if spoiled(surface)),
    ));
    Ok(motion)
}
