//! The start of the joint fit: from both planar poses of each tag, until the hinge decides.
//!
//! Airframe tags first, then each surface by itself on a few dozen frames (see `trials`).
//! With a moving camera the surface that came out best then helps the others:
//! its tag determines the camera's pose together with the airframe tags, which alone are poor at it.

use rayon::prelude::*;

use super::trials::{Known, Trial, airframe_tag, surface_trial};
use crate::geometry::Pose;
use crate::model_file::ModelFile;
use crate::motion::MotionError;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::solve::frame_start::start_frames;

/// A start for all frames of a fit whose layout and frames are set.
pub(in crate::motion) fn start(fit: &JointFit, model: &ModelFile) -> Result<State, MotionError> {
    let mut known = Known::default();
    for tag in 0..fit.layout.airframe_tags {
        let pose = airframe_tag(fit, &known, tag);
        known
            .airframe_tags
            .push(pose.unwrap_or_else(Pose::identity));
    }
    let mut alone: Vec<Trial> = (0..fit.layout.surfaces)
        .into_par_iter()
        .map(|surface| surface_trial(fit, model, &known, surface))
        .collect::<Result<_, _>>()?;
    alone.sort_by(|a, b| a.mean_cost.total_cmp(&b.mean_cost));
    for trial in alone {
        let helped = fit.layout.camera_moves && !known.surfaces.is_empty();
        let surface = trial.surface;
        known = if helped {
            surface_trial(fit, model, &known, surface)?.found
        } else {
            Known {
                surfaces: [known.surfaces, trial.found.surfaces].concat(),
                airframe_tags: known.airframe_tags,
            }
        };
    }
    known.surfaces.sort_by_key(|solved| solved.surface);
    let constants = known.constants();
    let frames = start_frames(fit, &constants, &known.spans());
    Ok(State { constants, frames })
}
