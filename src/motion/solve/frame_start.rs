//! Where single frames start while the constants are what they are: from the planar poses of their
//! airframe tags.

use nalgebra::Point2;
use rayon::prelude::*;

use super::frame_fit::{FrameFit, SETTLED_AT_A_TIME};
use crate::geometry::{PlanarPose, Pose};
use crate::motion::problem::joint_fit::JointFit;
use crate::motion::problem::observation::{Observation, ObservedFrame, Target};
use crate::motion::problem::parameters::{Constants, FrameState};
use crate::motion::problem::picture_motion::PictureMotion;
use crate::solver::Loss;

/// A frame's fit is good enough to try no other start when each coordinate misses by less than
/// this many standard deviations in the mean square.
const GOOD_MEAN_SQUARE: f64 = 4.0;
/// Errors count less from here on while the start is sought, standard deviations.
pub(in crate::motion) const START_LOSS: Loss = Loss::Cauchy { width: 8.0 };

/// The planar poses of a sighting; `None` if its corners are no picture of a tag's front.
pub(in crate::motion) fn planar_pose(fit: &JointFit, seen: &Observation) -> Option<PlanarPose> {
    let mut normalised = [Point2::origin(); 4];
    for (index, point) in normalised.iter_mut().enumerate() {
        let corner = Point2::from(seen.corners_px.fixed_rows::<2>(2 * index).into_owned());
        *point = fit.lens.profile().undistort(&corner)?;
    }
    PlanarPose::from_corners(seen.edge_mm, &normalised)
}

/// All frames by themselves, with the constants as they are.
pub(in crate::motion) fn start_frames(
    fit: &JointFit,
    constants: &Constants,
    scan_rad: &[[f64; 2]],
) -> Vec<FrameState> {
    start_others(fit, constants, scan_rad, |_| None)
}

/// The same, but for the frames, by their positions, whose states are known already.
pub(in crate::motion) fn start_others(
    fit: &JointFit,
    constants: &Constants,
    scan_rad: &[[f64; 2]],
    known: impl Fn(usize) -> Option<FrameState> + Sync,
) -> Vec<FrameState> {
    let frame_fit = FrameFit::new(fit, fit.lens.given(constants), START_LOSS, scan_rad);
    let started = |frame: &ObservedFrame| {
        let unmoved = FrameState {
            camera_from_reference: Pose::identity(),
            picture: PictureMotion::default(),
            angles_rad: vec![0.0; constants.surfaces.len()],
        };
        best_start(fit, &frame_fit, frame, &unmoved).map_or(unmoved, |(state, _)| state)
    };
    fit.frames
        .par_iter()
        .enumerate()
        .with_min_len(SETTLED_AT_A_TIME)
        .map(|(index, frame)| known(index).unwrap_or_else(|| started(frame)))
        .collect()
}

/// Tries the camera poses that the airframe tags allow, until one is good.
pub(in crate::motion) fn best_start(
    fit: &JointFit,
    frame_fit: &FrameFit,
    frame: &ObservedFrame,
    unmoved: &FrameState,
) -> Option<(FrameState, f64)> {
    if !fit.layout.camera_moves {
        return frame_fit.best(frame, [unmoved.clone()]);
    }
    let good = 0.5 * GOOD_MEAN_SQUARE * 8.0 * frame.kept().count() as f64;
    let mut best: Option<(FrameState, f64)> = None;
    for camera_from_reference in camera_poses(fit, frame, frame_fit.given.constants) {
        let start = FrameState {
            camera_from_reference,
            picture: unmoved.picture,
            angles_rad: unmoved.angles_rad.clone(),
        };
        let Some(found) = frame_fit.best(frame, [start]) else {
            continue;
        };
        if best.as_ref().is_none_or(|(_, cost)| found.1 < *cost) {
            best = Some(found);
        }
        if best.as_ref().is_some_and(|(_, cost)| *cost < good) {
            break;
        }
    }
    best
}

/// Camera poses that the planar poses of the airframe tags allow.
pub(in crate::motion) fn camera_poses(
    fit: &JointFit,
    frame: &ObservedFrame,
    constants: &Constants,
) -> Vec<Pose> {
    let of_tag = |seen: &Observation| -> Option<[Pose; 2]> {
        let Target::Airframe(tag) = seen.target else {
            return None;
        };
        let reference_from_tag = constants.airframe_tags.get(tag)?;
        let poses = planar_pose(fit, seen)?;
        Some(
            poses
                .candidates
                .map(|camera_from_tag| camera_from_tag * reference_from_tag.inverse()),
        )
    };
    frame.kept().filter_map(of_tag).flatten().collect()
}
