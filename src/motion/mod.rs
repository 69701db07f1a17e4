//! Motion: fits all frames jointly to each surface's hinge.
//!
//! One robust nonlinear least squares over all corners of all frames (bundle adjustment with one
//! degree of freedom a surface; B. Triggs et al., "Bundle adjustment: a modern synthesis", 2000).
//! A single tag's pose is a poor angle meter: nearly face-on its tilt hardly shows, and two tilts
//! explain it about equally well. But a surface turns about one line, so all frames together determine
//! that line, and one number remains for each frame.
//!
//! | module | contents |
//! | --- | --- |
//! | `problem` | observations, unknowns, residuals and their derivatives |
//! | `solve` | the minimum over all frames, and over one frame alone |
//! | `start` | a first state from the sightings alone |
//! | `select` | which sightings count and by how much; which optional unknowns are significant |
//! | `surroundings` | landmarks that are fixed to the ground |
//! | `declared` | the declarations of the model file against the clip |
//! | `conclude` | deflections, hinges and their covariance |
//! | `held` | single frames after a fit, with its constants held |
//!
//! [`fit`] calls them in the order of its numbered steps; `sorted_fit` holds the part that
//! `declared` repeats with other declarations. `taking_part` repeats all of it without the surfaces that a
//! clip does not show moving.

mod conclude;
mod declared;
mod deflections;
mod fit_pass;
mod held;
mod options;
mod problem;
mod select;
mod solve;
mod sorted_fit;
mod start;
mod surroundings;
mod taking_part;
mod warning;

pub use conclude::at_neutral::{
    HINGE_ROWS, HingeInReference, OnSurface, POSE_ROWS, PlacedTag, TagsAtNeutral, TagsAtZero,
};
pub use declared::declaration::DeclarationWarning;
pub use declared::sides::QuarterTurn;
pub use deflections::{
    FrameDeflection, Misfit, Motion, MotionFrame, PictureWander, SurfaceMotion, WeightedSum,
};
pub use fit_pass::FitPass;
pub use held::{Figures, HeldFit, HeldFrame, HeldTag, Spoiled};
pub use options::{FitOptions, MotionError};
pub(crate) use problem::observation::{Corners, ReadLines};
pub(crate) use problem::prediction::edge_slope;
pub(crate) use problem::readout::slope;
pub use select::correlated_errors::LastingErrors;
pub use taking_part::{LeftOut, fit_what_moves, fit_what_moves_and_hold};
pub use warning::MotionWarning;

use std::collections::BTreeMap;

use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::solver::{Ending, Undefined};
use crate::tags::Sightings;
use conclude::corner_errors::mean_residuals;
use conclude::result::Conclusion;
use declared::declared_fit::{Declared, fit_by_what_holds};
use declared::{airframe_check, profile_check, sides};
use problem::joint_fit::{JointFit, State, Surroundings};
use problem::{observation, rocking};
use select::{correlated_errors, marginal, significance};
use solve::search::{FROM_NEARBY, Search};
use start::setup::{declared, with_seen_airframe_tags};
use surroundings::bridging;

/// The last search. Its last step may change deflections by a tenth of their standard deviation; what that
/// leaves is less than a hundredth.
const FINAL_PROMISED: f64 = 1e-2;

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
    let concluded = fit_to_the_end(sightings, model, profile, options, warnings)?;
    Ok(concluded.motion)
}

/// A fit with all that led to its conclusion.
struct Concluded {
    fit: JointFit,
    state: State,
    /// The declarations that the fit goes by.
    model: ModelFile,
    /// +1 or −1 for each surface: which way its angle grows as its deflection does.
    signs: Vec<f64>,
    motion: Motion,
}

fn last_search(options: &FitOptions) -> Search {
    Search {
        damping: FROM_NEARBY,
        steps: options.most_steps,
        promised: FINAL_PROMISED,
    }
}

fn fit_to_the_end(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
    warnings: &mut Vec<MotionWarning>,
) -> Result<Concluded, MotionError> {
    // 1. What the picture alone contradicts.
    let mut basis = seen_declarations(sightings, model, profile, options, warnings)?;
    // 2. All sightings that fit, by all declarations that hold.
    let (mut fit, sorted) = fit_by_what_holds(&mut basis, warnings)?;
    let options = &profile_check::options_with_lens(&basis, &fit);
    let model = &basis.model;
    report_view(&fit, &sorted, warnings);
    // 3. Residuals that all frames have in common are lasting errors of the corners.
    let has_corner_errors = options.corner_error_sd_px > 0.0;
    let constant = match has_corner_errors {
        true => mean_residuals(&fit, &sorted),
        false => BTreeMap::new(),
    };
    // 4. Sightings that are a little off: they have a deflection, but do not influence the constants.
    let sorted = with_marginal_sightings(&mut fit, sorted, &basis, warnings);
    // 5. A rest repeats its errors, so it counts as fewer frames.
    let lasting =
        correlated_errors::weigh_rests(&mut fit, &sorted, &constant, options.place_error_sd_px);
    // 6. The minimum with these weights.
    let minimum = fit.pass("with final weights", sorted, last_search(options));
    let minimum = minimum.map_err(|Undefined| sorted_fit::undetermined(&fit))?;
    if minimum.ending != Ending::Converged {
        warnings.push(MotionWarning::NotConverged);
    }
    let state = minimum.state;
    report_bends(&fit, &state, &basis, warnings);
    // 7. Deflections, hinges and their covariance.
    fit.layout.corner_errors = has_corner_errors;
    let mut doubts = vec![];
    let conclusion = Conclusion {
        fit: &fit,
        state: &state,
        constant: &constant,
        lasting,
        sightings,
        model,
    };
    let signs = conclusion.signs().unwrap_or_default();
    let motion = conclusion.draw(options, &mut doubts);
    // Where a poor picture makes a hinge poor, its own warning names the cause.
    let spoiled = |surface: &str| {
        let declared = model.surface(surface);
        declared.is_some_and(|it| sightings.overview.is_spoiled(it.tag_id))
    };
    warnings.extend(doubts.into_iter().filter(
        |warning| !matches!(warning, MotionWarning::HingePoor { surface, .. } if spoiled(surface)),
    ));
    let motion = motion?;
    Ok(Concluded {
        model: basis.model,
        fit,
        state,
        signs,
        motion,
    })
}

/// The declarations, without airframe tags that move or were not seen.
fn seen_declarations<'a>(
    sightings: &'a Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &'a FitOptions,
    warnings: &mut Vec<MotionWarning>,
) -> Result<Declared<'a>, MotionError> {
    let mut model = with_seen_airframe_tags(model, sightings);
    sides::judge(sightings, &model, warnings);
    airframe_check::leave_out_moving(sightings, &mut model, warnings)?;
    if model.airframe_tags.is_empty() {
        warnings.push(MotionWarning::NoAirframeTag);
    }
    Ok(Declared {
        sightings,
        model,
        profile: profile.clone(),
        options,
    })
}

/// Reports what determines the camera's pose, and what disturbs it.
fn report_view(fit: &JointFit, state: &State, warnings: &mut Vec<MotionWarning>) {
    match fit.surroundings {
        Surroundings::Moving => warnings.push(MotionWarning::SurroundingsMove),
        Surroundings::Undetermined => warnings.push(MotionWarning::SurroundingsUndetermined),
        Surroundings::Unused | Surroundings::Fixed => {}
    }
    if fit.layout.rocking {
        let angle_deg = rocking::rocking_deg(fit, state);
        warnings.push(MotionWarning::AircraftRocks { angle_deg });
    }
    let frames = bridging::bridged_frames(fit);
    if frames as f64 * observation::interval_s(&fit.frames) >= bridging::REPORTED_S {
        warnings.push(MotionWarning::AirframeTagHidden { frames });
    }
}

/// The state with the deflections of marginal sightings; reports tags with many of them.
fn with_marginal_sightings(
    fit: &mut JointFit,
    mut state: State,
    declared_by: &Declared<'_>,
    warnings: &mut Vec<MotionWarning>,
) -> State {
    for (tag, frames) in marginal::admit(fit, &mut state) {
        let (tag_id, _) = declared(&declared_by.model, tag);
        if !declared_by.sightings.overview.is_spoiled(tag_id) {
            warnings.push(MotionWarning::TagLooksOtherwise { tag_id, frames });
        }
    }
    state
}

/// Reports tags whose paper is bent. A picture that is known to be poor is no evidence of that.
fn report_bends(
    fit: &JointFit,
    state: &State,
    declared_by: &Declared<'_>,
    warnings: &mut Vec<MotionWarning>,
) {
    for tag in significance::bowed_tags(fit, state) {
        let (tag_id, _) = declared(&declared_by.model, tag);
        let bow_mm = state.constants.bow_mm(tag).amax();
        if !declared_by.sightings.overview.is_spoiled(tag_id) {
            warnings.push(MotionWarning::TagBent { tag_id, bow_mm });
        }
    }
}
