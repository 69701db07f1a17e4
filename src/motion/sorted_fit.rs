//! One joint fit by one set of declarations, with its sightings sorted.

use super::problem::joint_fit::{JointFit, State};
use super::select::significance::Significance;
use super::select::{at_rest, outliers};
use super::start::{first_state, setup};
use super::surroundings::join;
use super::{FitOptions, MotionError};
use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::solver::Undefined;
use crate::tags::Sightings;

/// The fit of all that fits; every tag has to fit somewhere.
pub(in crate::motion) fn fit_of_every_tag(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
) -> Result<(JointFit, State), MotionError> {
    let mut fit = setup::joint_fit(sightings, model, profile, options)?;
    at_rest::require_motion_in_picture(&fit, model)?;
    let start = first_state::start(&fit, model)?;
    let sorted = fit_and_sort(&mut fit, start, sightings, options)
        .map_err(|Undefined| undetermined(&fit))?;
    setup::require_every_tag(&fit, model)?;
    Ok((fit, sorted))
}

/// The error of a fit that its usable frames do not determine.
pub(in crate::motion) fn undetermined(fit: &JointFit) -> MotionError {
    let usable = fit.frames.iter().filter(|frame| frame.is_used());
    MotionError::Undetermined {
        frames: usable.count(),
    }
}

/// The fit of all that fits, with tags assumed flat if none is bent, and pictures read at once if
/// nothing shows otherwise. It begins with both: bent tags assumed flat can lead it far astray, and
/// so can fast motion read line by line.
fn fit_and_sort(
    fit: &mut JointFit,
    start: State,
    sightings: &Sightings,
    options: &FitOptions,
) -> Result<State, Undefined> {
    let mut sorted = outliers::fit_and_sort(fit, start, options.rejection_chi2)?;
    if let Some(joined) = join::join(fit, &sorted, sightings) {
        return outliers::sort_on(fit, joined, 0, options.rejection_chi2);
    }
    let before = fit.layout;
    Significance::of(fit, &sorted).leave_in(&mut fit.layout, &mut sorted.constants);
    if fit.layout != before {
        sorted = outliers::fit_and_sort_on(fit, sorted, options.rejection_chi2)?;
    }
    Ok(sorted)
}
