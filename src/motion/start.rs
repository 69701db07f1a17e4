//! Where the joint fit starts: from planar poses, both of them, until the hinge decides.
//!
//! Airframe tags first, then each surface by itself on a few dozen frames: every hypothesis about
//! its hinge gets a small joint fit of its own, and the one that explains the corners best wins.

use nalgebra::{Point2, SVector, Unit, Vector3};
use rayon::prelude::*;

use super::MotionError;
use super::frame_fit::FrameFit;
use super::hypotheses::{PossiblePoses, expected, propose};
use super::joint_fit::{Fitted, JointFit, State};
use super::outliers::keep_plausible;
use super::observation::{Observation, ObservedFrame, Target};
use super::parameters::{Constants, FrameState, Hinged, Layout, Priors};
use crate::geometry::{PlanarPose, Pose};
use crate::model_file::ModelFile;
use crate::solver::Loss;

/// Frames on which hypotheses are tried.
const TRIAL_FRAMES: usize = 40;
/// Frames that propose an airframe tag's pose.
const TAG_PROPOSING_FRAMES: usize = 8;
/// Steps of a trial fit, and of the winner's.
const TRIAL_STEPS: usize = 12;
const WINNER_STEPS: usize = 30;
/// Deflections that are tried for a hypothesis, rad: either way from any place in the travel.
const WHOLE_SCAN_RAD: [f64; 2] = [-1.3, 1.3];
/// Deflections beyond those of the trial frames that are tried in the other frames, rad.
const SCAN_MARGIN_RAD: f64 = 0.12;
/// A frame's fit is good enough to try no other start when each coordinate misses by less than
/// this many standard deviations in the mean square.
const GOOD_MEAN_SQUARE: f64 = 4.0;
/// Errors count less from here on while the start is sought, standard deviations.
pub(super) const START_LOSS: Loss = Loss::Cauchy { width: 8.0 };
/// A surface has to be seen in this many frames: its nine constants and the deflections need
/// 9 + n ≤ 8 n, and twice that to notice errors.
const FEWEST_FRAMES: usize = 4;

/// The planar poses of a sighting; `None` if its corners are no picture of a tag's front.
fn planar_pose(fit: &JointFit, seen: &Observation) -> Option<PlanarPose> {
    let mut normalised = [Point2::origin(); 4];
    for (index, point) in normalised.iter_mut().enumerate() {
        let corner = Point2::from(seen.corners_px.fixed_rows::<2>(2 * index).into_owned());
        *point = fit.lens.profile().undistort(&corner)?;
    }
    PlanarPose::from_corners(seen.edge_mm, &normalised)
}

/// A start for all frames of a fit whose layout and frames are set.
pub(super) fn start(fit: &JointFit, model: &ModelFile) -> Result<State, MotionError> {
    let mut constants = Constants {
        surfaces: vec![],
        airframe_tags: vec![],
        edge_shift_px: 0.0,
        lens: SVector::zeros(),
    };
    for tag in 0..fit.layout.airframe_tags {
        let pose = airframe_tag(fit, &constants, tag);
        constants
            .airframe_tags
            .push(pose.unwrap_or_else(Pose::identity));
    }
    let trials: Vec<Result<Trial, MotionError>> = (0..fit.layout.surfaces)
        .into_par_iter()
        .map(|surface| surface_trial(fit, model, &constants, surface))
        .collect();
    let mut scan_rad = vec![];
    for trial in trials {
        let trial = trial?;
        constants.surfaces.push(trial.hinged);
        scan_rad.push(trial.angles_rad);
    }
    let frames = start_frames(fit, &constants, &scan_rad);
    Ok(State { constants, frames })
}

/// All frames by themselves, with the constants as they are.
pub(super) fn start_frames(
    fit: &JointFit,
    constants: &Constants,
    scan_rad: &[[f64; 2]],
) -> Vec<FrameState> {
    let camera = fit.lens.camera(constants);
    let frame_fit = FrameFit {
        lens: &fit.lens,
        camera: &camera,
        constants,
        camera_moves: fit.layout.camera_moves,
        loss: START_LOSS,
        scan_rad,
    };
    fit.frames
        .par_iter()
        .with_min_len(16)
        .map(|frame| {
            let unmoved = FrameState {
                camera_from_reference: Pose::identity(),
                angles_rad: vec![0.0; constants.surfaces.len()],
            };
            best_start(fit, &frame_fit, frame, &unmoved).map_or(unmoved, |(state, _)| state)
        })
        .collect()
}

/// Tries the camera poses that the airframe tags allow, until one is good.
pub(super) fn best_start(
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
    for camera_from_reference in camera_poses(fit, frame, frame_fit.constants) {
        let start = FrameState {
            camera_from_reference,
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
fn camera_poses(fit: &JointFit, frame: &ObservedFrame, constants: &Constants) -> Vec<Pose> {
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

/// Pose of an airframe tag against the tags before it: the proposal with the best small fit.
fn airframe_tag(fit: &JointFit, known: &Constants, tag: usize) -> Option<Pose> {
    if fit.layout.camera_moves && tag == 0 {
        return Some(Pose::identity());
    }
    let target = Target::Airframe(tag);
    let usable = |frame: &ObservedFrame| {
        frame.shows(target) && (!fit.layout.camera_moves || frame.shows(Target::Airframe(0)))
    };
    let trial = trial_fit(fit, usable, None, tag + 1);
    let stride = trial.frames.len().div_ceil(TAG_PROPOSING_FRAMES).max(1);
    let mut best: Option<(f64, Pose)> = None;
    for frame in trial.frames.iter().step_by(stride) {
        let seen = frame.kept().find(|seen| seen.target == target)?;
        let Some(poses) = planar_pose(fit, seen) else {
            continue;
        };
        let cameras = if fit.layout.camera_moves {
            camera_poses(fit, frame, known)
        } else {
            vec![Pose::identity()]
        };
        for camera in &cameras {
            for camera_from_tag in &poses.candidates {
                let mut constants = known.clone();
                constants
                    .airframe_tags
                    .push(camera.inverse() * camera_from_tag);
                let Some(fitted) = refined(&trial, constants, TRIAL_STEPS) else {
                    continue;
                };
                if best.is_none_or(|(cost, _)| fitted.cost < cost) {
                    best = Some((fitted.cost, fitted.state.constants.airframe_tags[tag]));
                }
            }
        }
    }
    best.map(|(_, pose)| pose)
}

/// A surface's constants after its trial, and the span of its deflections.
struct Trial {
    hinged: Hinged,
    angles_rad: [f64; 2],
}

fn surface_trial(
    fit: &JointFit,
    model: &ModelFile,
    known: &Constants,
    surface: usize,
) -> Result<Trial, MotionError> {
    let declared = &model.surfaces[surface];
    let target = Target::Surface(surface);
    let usable = |frame: &ObservedFrame| {
        frame.shows(target) && (!fit.layout.camera_moves || frame.shows_airframe())
    };
    let seen_in = fit.frames.iter().filter(|frame| usable(frame)).count();
    if seen_in < FEWEST_FRAMES {
        return Err(MotionError::TooFewFrames {
            surface: declared.name.clone(),
            frames: seen_in,
            needed: FEWEST_FRAMES,
        });
    }
    // Beside a still camera the airframe tags have no say in a hinge.
    let mut known = known.clone();
    if !fit.layout.camera_moves {
        known.airframe_tags.clear();
    }
    let known = &known;
    let trial = trial_fit(fit, usable, Some(surface), known.airframe_tags.len());
    let poses = possible_poses(fit, &trial, known);
    let mut hypotheses = propose(&poses, declared.edge_mm);
    if let Some(middle) = poses.get(poses.len() / 2) {
        let axis = if declared.upright {
            Vector3::y_axis()
        } else {
            Vector3::x_axis()
        };
        let axis = camera_axis_in_reference(&trial, known, axis);
        hypotheses.extend(expected(middle, axis, declared.edge_mm));
    }
    let fitted: Vec<Fitted> = hypotheses
        .into_par_iter()
        .filter_map(|hinged| {
            let mut constants = known.clone();
            constants.surfaces = vec![hinged];
            refined(&trial, constants, TRIAL_STEPS)
        })
        .collect();
    let best = fitted.into_iter().min_by(|a, b| a.cost.total_cmp(&b.cost));
    // Frames that started from the wrong pose of an airframe tag get a second chance.
    let winner = best.and_then(|best| refined(&trial, best.state.constants, WINNER_STEPS));
    let Some(winner) = winner else {
        return Err(MotionError::NoHinge {
            surface: declared.name.clone(),
        });
    };
    let mut angles: Vec<f64> = winner
        .state
        .frames
        .iter()
        .map(|frame| frame.angles_rad[0])
        .collect();
    angles.sort_by(f64::total_cmp);
    let span = match (angles.first(), angles.last()) {
        (Some(first), Some(last)) => [*first, *last],
        _ => [0.0, 0.0],
    };
    let hinged = winner.state.constants.surfaces.into_iter().next();
    hinged
        .map(|hinged| Trial {
            hinged,
            angles_rad: [span[0] - SCAN_MARGIN_RAD, span[1] + SCAN_MARGIN_RAD],
        })
        .ok_or(MotionError::NoHinge {
            surface: declared.name.clone(),
        })
}

/// A trial fit from given constants on what they explain, with the cost of all its frames.
fn refined(trial: &JointFit, constants: Constants, steps: usize) -> Option<Fitted> {
    let scan_rad = vec![WHOLE_SCAN_RAD; trial.layout.surfaces];
    let frames = start_frames(trial, &constants, &scan_rad);
    let start = State { constants, frames };
    let mut plausible = trial.clone();
    keep_plausible(&mut plausible, &start);
    let constants = plausible.minimise(start, steps)?.state.constants;
    let frames = start_frames(trial, &constants, &scan_rad);
    let state = State { constants, frames };
    let cost = trial.forgiving_cost(&state);
    Some(Fitted { state, cost })
}

/// A small fit on some of the usable frames, of one surface (or none) and the first `tags`
/// airframe tags. Its only surface has position 0.
fn trial_fit(
    fit: &JointFit,
    usable: impl Fn(&ObservedFrame) -> bool,
    surface: Option<usize>,
    tags: usize,
) -> JointFit {
    let retargeted = |seen: &Observation| -> Option<Observation> {
        let target = match seen.target {
            Target::Surface(index) => {
                surface.filter(|wanted| *wanted == index)?;
                Target::Surface(0)
            }
            Target::Airframe(tag) if tag < tags => seen.target,
            Target::Airframe(_) => return None,
        };
        Some(Observation {
            target,
            ..seen.clone()
        })
    };
    let usable: Vec<&ObservedFrame> = fit.frames.iter().filter(|frame| usable(frame)).collect();
    let count = usable.len().min(TRIAL_FRAMES);
    let frames = (0..count)
        .map(|index| usable[index * usable.len() / count])
        .map(|frame| ObservedFrame {
            position: frame.position,
            observations: frame.kept().filter_map(retargeted).collect(),
        })
        .collect();
    let radius_mm = surface.map(|surface| fit.priors.radius_mm[surface]);
    JointFit {
        layout: Layout {
            surfaces: usize::from(surface.is_some()),
            airframe_tags: tags,
            edge_shift: false,
            lens: false,
            ..fit.layout
        },
        lens: fit.lens.clone(),
        priors: Priors {
            radius_mm: radius_mm.into_iter().collect(),
            ..fit.priors.clone()
        },
        loss: START_LOSS,
        frames,
    }
}

/// Poses that the surface's tag may have in the trial frames.
fn possible_poses(fit: &JointFit, trial: &JointFit, known: &Constants) -> Vec<PossiblePoses> {
    let of_frame = |frame: &ObservedFrame| -> Option<PossiblePoses> {
        let seen = frame
            .kept()
            .find(|seen| seen.target == Target::Surface(0))?;
        let tag = planar_pose(fit, seen)?;
        let mut cameras = vec![Pose::identity()];
        if fit.layout.camera_moves {
            cameras = camera_poses(fit, frame, known);
            cameras.truncate(2);
        }
        let camera = cameras.first()?;
        let in_camera = tag.candidates[0].translation.vector;
        Some(PossiblePoses {
            sight: camera.rotation.inverse() * in_camera.normalize(),
            distance_mm: in_camera.norm(),
            reference_from_tag: cameras
                .iter()
                .flat_map(|camera| tag.candidates.map(|pose| camera.inverse() * pose))
                .collect(),
        })
    };
    trial.frames.iter().filter_map(of_frame).collect()
}

/// One of the picture's axes in the reference frame, by the middle frame of a trial.
fn camera_axis_in_reference(
    trial: &JointFit,
    known: &Constants,
    axis: Unit<Vector3<f64>>,
) -> Unit<Vector3<f64>> {
    let middle = trial.frames.get(trial.frames.len() / 2);
    let camera = middle.and_then(|frame| camera_poses(trial, frame, known).into_iter().next());
    match camera {
        Some(camera) if trial.layout.camera_moves => camera.rotation.inverse() * axis,
        _ => axis,
    }
}
