//! One frame by itself, with the constants as they are: where the camera is and how far each
//! surface is deflected.

use std::f64::consts::PI;

use nalgebra::{SMatrix, SVector};

use super::observation::{ObservedFrame, Target};
use super::parameters::{Constants, FrameState, Lens, TAG_CONSTANTS};
use super::prediction::{POSE, RESIDUAL, WITHOUT_LENS, linearise, residual};
use crate::camera::Camera;
use crate::geometry::{corners_in_tag, stepped_pose};
use crate::solver::Loss;

/// Steps for one frame; six are usual.
const STEPS: usize = 12;
const FIRST_DAMPING: f64 = 1e-3;
/// A frame counts as settled when a step lowers its cost by less than this fraction and amount.
const SETTLED: f64 = 1e-3;
/// Distance between the deflections that are tried first, rad (6°): well within reach of
/// Gauss–Newton for a tag whose picture turns by the same.
const SCAN_STEP_RAD: f64 = 0.1;
/// Corners that are compared there: two opposite ones tell place, size and turn.
const SCANNED_CORNERS: [usize; 2] = [0, 2];

/// What the fit of one frame looks at.
pub(super) struct FrameFit<'a> {
    pub lens: &'a Lens,
    pub camera: &'a Camera,
    pub constants: &'a Constants,
    pub camera_moves: bool,
    pub loss: Loss,
    /// Deflections that are tried first, from and to, by surface.
    pub scan_rad: &'a [[f64; 2]],
}

impl FrameFit<'_> {
    /// The best of several starts for the camera's pose, with its cost.
    pub fn best(
        &self,
        frame: &ObservedFrame,
        starts: impl IntoIterator<Item = FrameState>,
    ) -> Option<(FrameState, f64)> {
        starts
            .into_iter()
            .filter_map(|start| self.settle(frame, self.with_scanned_angles(frame, start)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Half the loss of the frame's sightings.
    pub fn cost(&self, frame: &ObservedFrame, state: &FrameState) -> Option<f64> {
        let losses = frame.kept().map(|seen| {
            let miss = residual(seen, self.camera, self.constants, state)?;
            Some(self.loss.value(miss.norm_squared()))
        });
        Some(0.5 * losses.sum::<Option<f64>>()?)
    }

    /// Puts every surface at the tried deflection whose tag comes nearest to the picture.
    fn with_scanned_angles(&self, frame: &ObservedFrame, mut state: FrameState) -> FrameState {
        for seen in frame.kept() {
            let Target::Surface(surface) = seen.target else {
                continue;
            };
            let [from, to] = self.scan_rad[surface];
            let count = ((to - from) / SCAN_STEP_RAD).ceil().max(1.0) as usize;
            let hinged = &self.constants.surfaces[surface];
            let corners = corners_in_tag(seen.edge_mm);
            let miss = |angle_rad: f64| -> f64 {
                let camera_from_tag = state.camera_from_reference
                    * hinged
                        .hinge
                        .carry(&hinged.reference_from_tag_at_zero, angle_rad);
                let misses = SCANNED_CORNERS.map(|index| {
                    let seen_at = seen.corners_px.fixed_rows::<2>(2 * index);
                    self.camera
                        .project(&(camera_from_tag * corners[index]))
                        .map_or(f64::INFINITY, |point| (point.coords - seen_at).norm())
                });
                misses[0] + misses[1]
            };
            let angles = (0..=count).map(|step| {
                let angle_rad = from + (to - from) * step as f64 / count as f64;
                (angle_rad, miss(angle_rad))
            });
            if let Some((angle_rad, _)) = angles.min_by(|a, b| a.1.total_cmp(&b.1)) {
                state.angles_rad[surface] = angle_rad;
            }
        }
        state
    }

    /// Levenberg–Marquardt on one frame.
    pub fn settle(&self, frame: &ObservedFrame, start: FrameState) -> Option<(FrameState, f64)> {
        let mut cost = self.cost(frame, &start)?;
        let mut state = start;
        let mut damping = FIRST_DAMPING;
        for _ in 0..STEPS {
            let Some(candidate) = self.step(frame, &state, damping) else {
                damping *= 10.0;
                continue;
            };
            let new_cost = self.cost(frame, &candidate).unwrap_or(f64::INFINITY);
            let decrease = cost - new_cost;
            if decrease > 0.0 {
                (state, cost) = (candidate, new_cost);
                damping *= 0.1;
            } else {
                damping *= 10.0;
            }
            if (0.0..SETTLED * (1.0 + cost)).contains(&decrease) {
                break;
            }
        }
        // A wild step may have gone round: whole turns do not show in the picture.
        for angle_rad in &mut state.angles_rad {
            *angle_rad = (*angle_rad + PI).rem_euclid(2.0 * PI) - PI;
        }
        Some((state, cost))
    }

    fn step(&self, frame: &ObservedFrame, state: &FrameState, damping: f64) -> Option<FrameState> {
        type PoseVector = SVector<f64, TAG_CONSTANTS>;
        let mut information = SMatrix::<f64, TAG_CONSTANTS, TAG_CONSTANTS>::zeros();
        let mut gradient = PoseVector::zeros();
        let mut angles: Vec<(usize, PoseVector, f64, f64)> = vec![];
        for seen in frame.kept() {
            let line =
                linearise::<WITHOUT_LENS>(seen, self.camera, self.lens, self.constants, state)?;
            let by_pose = line.columns.fixed_columns::<TAG_CONSTANTS>(POSE);
            let miss = line.columns.column(RESIDUAL);
            let weight = self.loss.weight(miss.norm_squared());
            information += by_pose.tr_mul(&by_pose) * weight;
            gradient += by_pose.tr_mul(&miss) * weight;
            let Target::Surface(surface) = seen.target else {
                continue;
            };
            let curvature = weight * line.by_angle.norm_squared() * (1.0 + damping);
            if curvature > f64::MIN_POSITIVE {
                let coupling: PoseVector = by_pose.tr_mul(&line.by_angle) * weight;
                let slope = weight * line.by_angle.dot(&miss);
                information -= coupling * coupling.transpose() / curvature;
                gradient -= coupling * slope / curvature;
                angles.push((surface, coupling, slope, curvature));
            }
        }
        let mut stepped = state.clone();
        let mut pose_step = PoseVector::zeros();
        if self.camera_moves {
            for index in 0..TAG_CONSTANTS {
                information[(index, index)] *= 1.0 + damping;
            }
            pose_step = -information.cholesky()?.solve(&gradient);
            stepped.camera_from_reference = stepped_pose(&state.camera_from_reference, &pose_step);
        }
        for (surface, coupling, slope, curvature) in angles {
            stepped.angles_rad[surface] -= (slope + coupling.dot(&pose_step)) / curvature;
        }
        Some(stepped)
    }
}
