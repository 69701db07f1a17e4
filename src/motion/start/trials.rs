//! Small fits on some of the frames that decide where the joint fit starts.
//!
//! Every hypothesis about an airframe tag's pose, or about a surface's hinge, gets a small joint
//! fit of its own; the one that explains the corners best wins.

use std::collections::BTreeMap;

use nalgebra::{Point3, SVector, Vector3};
use rayon::prelude::*;

use super::hypotheses::{PossiblePoses, expected, propose};
use crate::geometry::Pose;
use crate::model_file::{ModelFile, Surface};
use crate::motion::MotionError;
use crate::motion::problem::joint_fit::{JointFit, State, Surroundings};
use crate::motion::problem::layout::Layout;
use crate::motion::problem::observation::{Observation, ObservedFrame, Target};
use crate::motion::problem::parameters::{Constants, FrameState, Hinged, Priors};
use crate::motion::problem::residuals::keep_plausible;
use crate::motion::solve::frame_start::{
    START_LOSS, camera_poses, planar_pose, start_frames, start_others,
};
use crate::motion::solve::search::{FROM_AFAR, Search};

/// Frames on which hypotheses are tried.
const TRIAL_FRAMES: usize = 32;
/// Frames that propose an airframe tag's pose.
const TAG_PROPOSING_FRAMES: usize = 8;
/// A trial fit, and the winner's: what is left in the end is negligible beside the errors of so
/// few frames.
const TRIAL: Search = Search {
    damping: FROM_AFAR,
    steps: 12,
    promised: 0.1,
};
const WINNER: Search = Search { steps: 30, ..TRIAL };
/// Deflections that are tried for a hypothesis, rad: either way from any place in the travel.
const WHOLE_SCAN_RAD: [f64; 2] = [-1.3, 1.3];
/// Deflections beyond those of the trial frames that are tried in the other frames, rad.
const SCAN_MARGIN_RAD: f64 = 0.12;
/// A surface has to be seen in this many frames: its nine constants and the deflections need
/// 9 + n ≤ 8 n, and twice that to notice errors.
const FEWEST_FRAMES: usize = 4;

/// A surface whose hinge is decided.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Solved {
    /// Position in the model file.
    pub surface: usize,
    pub hinged: Hinged,
    /// Deflections to try in other frames, from and to.
    pub span_rad: [f64; 2],
}

/// The decisions so far.
#[derive(Debug, Clone, Default)]
pub(in crate::motion) struct Known {
    /// `reference_from_tag` of the first airframe tags.
    pub airframe_tags: Vec<Pose>,
    pub surfaces: Vec<Solved>,
}

impl Known {
    pub fn constants(&self) -> Constants {
        Constants {
            surfaces: self
                .surfaces
                .iter()
                .map(|solved| solved.hinged.clone())
                .collect(),
            airframe_tags: self.airframe_tags.clone(),
            edge_shift_px: 0.0,
            readout_s: 0.0,
            lens: SVector::zeros(),
            bows_mm: BTreeMap::new(),
            rocking: SVector::zeros(),
            landmarks: vec![],
            landmarks_seen_from: Point3::origin(),
        }
    }

    pub fn spans(&self) -> Vec<[f64; 2]> {
        self.surfaces.iter().map(|solved| solved.span_rad).collect()
    }

    fn positions(&self) -> Vec<usize> {
        self.surfaces.iter().map(|solved| solved.surface).collect()
    }
}

/// A fitted state with its cost, half the sum of the losses.
struct Fitted {
    state: State,
    cost: f64,
}

/// A decided trial of one surface, on top of what was known.
pub(in crate::motion) struct Trial {
    pub surface: usize,
    /// Cost of a sighting.
    pub mean_cost: f64,
    pub found: Known,
}

/// Pose of an airframe tag against the tags before it: the proposal with the best small fit.
pub(in crate::motion) fn airframe_tag(fit: &JointFit, known: &Known, tag: usize) -> Option<Pose> {
    if fit.layout.camera_moves && tag == 0 {
        return Some(Pose::identity());
    }
    let target = Target::Airframe(tag);
    let usable = |frame: &ObservedFrame| {
        frame.shows(target) && (!fit.layout.camera_moves || frame.shows(Target::Airframe(0)))
    };
    let trial = trial_fit(fit, usable, &[], tag + 1);
    let stride = trial.frames.len().div_ceil(TAG_PROPOSING_FRAMES).max(1);
    let mut proposals = vec![];
    for frame in trial.frames.iter().step_by(stride) {
        let seen = frame.kept().find(|seen| seen.target == target)?;
        let Some(poses) = planar_pose(fit, seen) else {
            continue;
        };
        let cameras = if fit.layout.camera_moves {
            camera_poses(fit, frame, &known.constants())
        } else {
            vec![Pose::identity()]
        };
        for camera in &cameras {
            proposals.extend(poses.candidates.map(|pose| camera.inverse() * pose));
        }
    }
    let fitted: Vec<Fitted> = proposals
        .into_par_iter()
        .filter_map(|proposal| {
            let mut constants = known.constants();
            constants.airframe_tags.push(proposal);
            refined(&trial, constants, &[], TRIAL)
        })
        .collect();
    let best = fitted.into_iter().min_by(|a, b| a.cost.total_cmp(&b.cost));
    best.and_then(|best| best.state.constants.airframe_tags.get(tag).copied())
}

/// Decides a surface's hinge, with the help of the decisions so far.
pub(in crate::motion) fn surface_trial(
    fit: &JointFit,
    model: &ModelFile,
    known: &Known,
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
    // Beside a still camera the airframe tags and other surfaces do not influence a hinge.
    let known = if fit.layout.camera_moves {
        known.clone()
    } else {
        Known::default()
    };
    let mut positions = known.positions();
    positions.push(surface);
    let trial = trial_fit(fit, usable, &positions, known.airframe_tags.len());
    let mut spans = known.spans();
    spans.push(WHOLE_SCAN_RAD);
    let fitted: Vec<Fitted> = hypotheses(fit, &trial, &known, declared)
        .into_par_iter()
        .filter_map(|hinged| {
            let mut constants = known.constants();
            constants.surfaces.push(hinged);
            refined(&trial, constants, &spans, TRIAL)
        })
        .collect();
    let best = fitted.into_iter().min_by(|a, b| a.cost.total_cmp(&b.cost));
    // Frames that started from the wrong pose of an airframe tag get a second chance.
    let winner = best.and_then(|best| refined(&trial, best.state.constants, &spans, WINNER));
    let winner = winner.ok_or(MotionError::NoHinge {
        surface: declared.name.clone(),
    })?;
    let sightings: usize = trial
        .frames
        .iter()
        .map(|frame| frame.observations.len())
        .sum();
    Ok(Trial {
        surface,
        mean_cost: winner.cost / sightings as f64,
        found: decided(&positions, winner.state),
    })
}

/// The decision from a trial's final state.
fn decided(positions: &[usize], state: State) -> Known {
    let span_of = |index: usize| {
        let angles = state.frames.iter().map(|frame| frame.angles_rad[index]);
        let span = angles
            .map(|angle| [angle, angle])
            .reduce(|span, angle| [span[0].min(angle[0]), span[1].max(angle[1])])
            .unwrap_or_default();
        [span[0] - SCAN_MARGIN_RAD, span[1] + SCAN_MARGIN_RAD]
    };
    let surfaces = positions.iter().zip(&state.constants.surfaces).enumerate();
    Known {
        surfaces: surfaces
            .map(|(index, (surface, hinged))| Solved {
                surface: *surface,
                hinged: hinged.clone(),
                span_rad: span_of(index),
            })
            .collect(),
        airframe_tags: state.constants.airframe_tags.clone(),
    }
}

/// A trial fit from given constants on what they explain, with the cost of all its frames.
fn refined(
    trial: &JointFit,
    constants: Constants,
    spans: &[[f64; 2]],
    search: Search,
) -> Option<Fitted> {
    let frames = start_frames(trial, &constants, spans);
    let start = State { constants, frames };
    let mut plausible = trial.clone();
    keep_plausible(&mut plausible, &start);
    let settled = plausible.minimise(start, search).ok()?.state;
    // Frames that were explained keep their state.
    let explained = |index: usize| {
        let all_kept = (plausible.frames[index].observations.iter()).all(|seen| seen.kept);
        all_kept.then(|| settled.frames[index].clone())
    };
    let frames = start_others(trial, &settled.constants, spans, explained);
    let constants = settled.constants;
    let state = State { constants, frames };
    let cost = trial.forgiving_cost(&state);
    Some(Fitted { state, cost })
}

/// A small fit on some of the usable frames, of some surfaces (renumbered in the given order) and
/// the first `tags` airframe tags.
fn trial_fit(
    fit: &JointFit,
    usable: impl Fn(&ObservedFrame) -> bool,
    surfaces: &[usize],
    tags: usize,
) -> JointFit {
    let retargeted = |seen: &Observation| -> Option<Observation> {
        let target = match seen.target {
            Target::Surface(index) => {
                Target::Surface(surfaces.iter().position(|wanted| *wanted == index)?)
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
            time_s: frame.time_s,
            observations: frame.kept().filter_map(retargeted).collect(),
            landmarks: vec![],
        })
        .collect();
    let ruler_mm = |surface: &usize| fit.priors.radius_mm[*surface];
    JointFit {
        layout: Layout {
            surfaces: surfaces.len(),
            airframe_tags: tags,
            edge_shift: false,
            readout: false,
            lens: false,
            bows: false,
            corner_errors: false,
            picture_moves: false,
            ..fit.layout
        },
        lens: fit.lens.clone(),
        priors: Priors {
            radius_mm: surfaces.iter().map(ruler_mm).collect(),
            ..fit.priors.clone()
        },
        loss: START_LOSS,
        lines: fit.lines,
        view_share_of_tags: 1.0,
        surroundings: Surroundings::Unused,
        steadied: None,
        frames,
        passes: vec![],
    }
}

/// Hinges of the trial's last surface that are worth a fit.
fn hypotheses(fit: &JointFit, trial: &JointFit, known: &Known, declared: &Surface) -> Vec<Hinged> {
    let poses = possible_poses(fit, trial, known);
    let mut hypotheses = propose(&poses, declared.edge_mm);
    if let Some(middle) = poses.get(poses.len() / 2) {
        let axis = if declared.upright {
            Vector3::y_axis()
        } else {
            Vector3::x_axis()
        };
        let axis = middle.camera_from_reference.rotation.inverse() * axis;
        hypotheses.extend(expected(middle, axis, declared.edge_mm));
    }
    hypotheses
}

/// Poses that the tag of the trial's last surface may have in its frames.
fn possible_poses(fit: &JointFit, trial: &JointFit, known: &Known) -> Vec<PossiblePoses> {
    let constants = known.constants();
    let newest = Target::Surface(known.surfaces.len());
    // Known surfaces and airframe tags together determine the camera's pose far better.
    let mut others = trial.clone();
    for seen in others
        .frames
        .iter_mut()
        .flat_map(|frame| &mut frame.observations)
    {
        seen.kept = seen.target != newest;
    }
    let settled = start_frames(&others, &constants, &known.spans());
    let of_frame = |(frame, state): (&ObservedFrame, &FrameState)| {
        let seen = frame.kept().find(|seen| seen.target == newest)?;
        let tag = planar_pose(fit, seen)?;
        let cameras = match (fit.layout.camera_moves, known.surfaces.is_empty()) {
            (false, _) => vec![Pose::identity()],
            (true, false) => vec![state.camera_from_reference],
            (true, true) => camera_poses(fit, frame, &constants),
        };
        let camera_from_reference = *cameras.first()?;
        let in_camera = tag.candidates[0].translation.vector;
        Some(PossiblePoses {
            sight: camera_from_reference.rotation.inverse() * in_camera.normalize(),
            distance_mm: in_camera.norm(),
            camera_from_reference,
            reference_from_tag: cameras
                .iter()
                .take(2)
                .flat_map(|camera| tag.candidates.map(|pose| camera.inverse() * pose))
                .collect(),
        })
    };
    trial
        .frames
        .iter()
        .zip(&settled)
        .filter_map(of_frame)
        .collect()
}
