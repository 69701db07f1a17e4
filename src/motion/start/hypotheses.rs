//! Guesses at a surface's hinge from the planar poses of its tag.
//!
//! Two poses of a tag that turns about a line give the line: the axis of the turn between them
//! and its centre. Every pair of frames and every combination of their ambiguous poses proposes
//! one; those that carry the tag through most other frames are kept.

use nalgebra::{Point3, Unit, UnitVector3, Vector3};
use rayon::prelude::*;

use crate::geometry::{HingeLine, Pose, turn_about};
use crate::motion::problem::parameters::Hinged;

/// Turns between two poses that propose a hinge, rad: smaller ones are noise.
const PROPOSING_TURN_RAD: [f64; 2] = [0.05, 2.0];
/// Frames that propose; pairs of them make some hundreds of hypotheses.
const PROPOSING_FRAMES: usize = 14;
/// Hypotheses that are kept for a proper fit.
const KEPT: usize = 7;
/// Hypotheses nearer than this (rad, and edges of the tag) count as one.
const ALIKE_RAD: f64 = 0.15;
const ALIKE_EDGES: f64 = 1.0;
/// Expected errors of a single planar pose: tilt (rad), depth (share of the distance), sideways
/// (edges of the tag). Known from the geometry of small tags: tilt errs by degrees, depth by a
/// percent or two.
const TILT_SD_RAD: f64 = 0.12;
const DEPTH_SD_SHARE: f64 = 0.02;
const SIDEWAYS_SD_EDGES: f64 = 0.15;
/// Each frame's mismatch counts up to this many squared standard deviations.
const LARGEST_MISMATCH: f64 = 9.0;

/// Poses that a tag may have in one frame, in the reference frame.
pub(in crate::motion) struct PossiblePoses {
    pub reference_from_tag: Vec<Pose>,
    /// The likeliest pose of the camera.
    pub camera_from_reference: Pose,
    /// Unit vector from the camera to the tag.
    pub sight: Vector3<f64>,
    pub distance_mm: f64,
}

/// The most promising hinges, best first.
pub(in crate::motion) fn propose(frames: &[PossiblePoses], edge_mm: f64) -> Vec<Hinged> {
    let stride = frames.len().div_ceil(PROPOSING_FRAMES).max(1);
    let proposing: Vec<&PossiblePoses> = frames.iter().step_by(stride).collect();
    let mut proposals = vec![];
    for (index, first) in proposing.iter().enumerate() {
        for second in &proposing[index + 1..] {
            for from in &first.reference_from_tag {
                for to in &second.reference_from_tag {
                    proposals.extend(hinge_between(from, to));
                }
            }
        }
    }
    let mut scored: Vec<(f64, Hinged)> = proposals
        .into_par_iter()
        .map(|proposal| (mismatch(&proposal, frames, edge_mm), proposal))
        .collect();
    scored.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut kept: Vec<Hinged> = vec![];
    for (_, proposal) in scored {
        if kept.len() == KEPT {
            break;
        }
        if !kept.iter().any(|other| alike(other, &proposal, edge_mm)) {
            kept.push(proposal);
        }
    }
    kept
}

/// The hinge that carries one pose to another.
fn hinge_between(from: &Pose, to: &Pose) -> Option<Hinged> {
    let (axis, angle_rad) = (to.rotation * from.rotation.inverse()).axis_angle()?;
    if !(PROPOSING_TURN_RAD[0]..PROPOSING_TURN_RAD[1]).contains(&angle_rad) {
        return None;
    }
    let (start, end) = (from.translation.vector, to.translation.vector);
    let way = end - start;
    let way = way - axis.into_inner() * axis.dot(&way);
    let centre = 0.5 * (start + end) + axis.cross(&way) / (2.0 * (0.5 * angle_rad).tan());
    let mut hinge = HingeLine {
        axis,
        point: Point3::from(centre),
    };
    hinge.point = hinge.foot_of(&Point3::from(start));
    Some(Hinged {
        hinge,
        reference_from_tag_at_zero: *from,
    })
}

/// Hinges that a person would expect: along the picture's `axis`, in front of the tag.
pub(in crate::motion) fn expected(
    frame: &PossiblePoses,
    axis_in_reference: UnitVector3<f64>,
    edge_mm: f64,
) -> Vec<Hinged> {
    /// Usual distance of a tag from its hinge, edges of the tag (common practice, no source).
    const USUAL_RADIUS_EDGES: f64 = 3.0;
    let depth = USUAL_RADIUS_EDGES * edge_mm * frame.sight;
    frame
        .reference_from_tag
        .iter()
        .map(|pose| Hinged {
            hinge: HingeLine {
                axis: axis_in_reference,
                point: Point3::from(pose.translation.vector + depth),
            },
            reference_from_tag_at_zero: *pose,
        })
        .collect()
}

fn alike(a: &Hinged, b: &Hinged, edge_mm: f64) -> bool {
    let near =
        |a: &Unit<Vector3<f64>>, b: &Unit<Vector3<f64>>| a.cross(b).norm().asin().abs() < ALIKE_RAD;
    let tilt = |pose: &Pose| Unit::new_unchecked(pose.rotation * Vector3::z());
    let carried = a.hinge.lever_to(&b.hinge.point).norm();
    near(&a.hinge.axis, &b.hinge.axis)
        && near(
            &tilt(&a.reference_from_tag_at_zero),
            &tilt(&b.reference_from_tag_at_zero),
        )
        && carried < ALIKE_EDGES * edge_mm
}

/// How badly a hinge explains the frames, in squared standard deviations of planar poses.
fn mismatch(proposal: &Hinged, frames: &[PossiblePoses], edge_mm: f64) -> f64 {
    let of_frames = frames.iter().map(|frame| {
        let of_poses = frame
            .reference_from_tag
            .iter()
            .map(|pose| pose_mismatch(proposal, pose, frame, edge_mm));
        of_poses.fold(LARGEST_MISMATCH, f64::min)
    });
    of_frames.sum()
}

fn pose_mismatch(proposal: &Hinged, pose: &Pose, frame: &PossiblePoses, edge_mm: f64) -> f64 {
    let hinge = &proposal.hinge;
    let zero = &proposal.reference_from_tag_at_zero;
    let turned = pose.rotation * zero.rotation.inverse();
    let angles = [
        angle_by_rotation(turned.matrix(), &hinge.axis),
        angle_by_levers(hinge, zero, pose),
    ];
    let of_angle = |angle_rad: f64| {
        let carried = hinge.carry(zero, angle_rad);
        let tilt = (turn_about(&hinge.axis, angle_rad).matrix() - turned.matrix()).norm_squared();
        let miss = pose.translation.vector - carried.translation.vector;
        let depth = frame.sight.dot(&miss);
        let sideways = miss - frame.sight * depth;
        0.5 * tilt / TILT_SD_RAD.powi(2)
            + (depth / (DEPTH_SD_SHARE * frame.distance_mm)).powi(2)
            + sideways.norm_squared() / (SIDEWAYS_SD_EDGES * edge_mm).powi(2)
    };
    of_angle(angles[0]).min(of_angle(angles[1]))
}

/// The turn about an axis that is nearest to a rotation.
fn angle_by_rotation(rotation: &nalgebra::Matrix3<f64>, axis: &Unit<Vector3<f64>>) -> f64 {
    let skew = Vector3::new(
        rotation[(2, 1)] - rotation[(1, 2)],
        rotation[(0, 2)] - rotation[(2, 0)],
        rotation[(1, 0)] - rotation[(0, 1)],
    );
    let along = (rotation * axis.into_inner()).dot(axis);
    axis.dot(&skew).atan2(rotation.trace() - along)
}

/// The turn that carries the tag's centre nearest to another pose's.
fn angle_by_levers(hinge: &HingeLine, zero: &Pose, pose: &Pose) -> f64 {
    let from = hinge.lever_to(&Point3::from(zero.translation.vector));
    let to = hinge.lever_to(&Point3::from(pose.translation.vector));
    hinge.axis.dot(&from.cross(&to)).atan2(from.dot(&to))
}
