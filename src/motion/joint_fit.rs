//! The joint fit: Levenberg–Marquardt over all frames at once.

use nalgebra::{DVector, SVector};
use rayon::prelude::*;

use super::normal_equations::{FrameElimination, Reduced, reduce};
use super::observation::ObservedFrame;
use super::parameters::{Constants, FrameState, Layout, Lens, Priors, TAG_CONSTANTS};
use super::prediction::residual;
use crate::geometry::stepped_pose;
use crate::solver::Loss;

/// Damping at the start, as a fraction of the diagonal.
const FIRST_DAMPING: f64 = 1e-4;
/// Damping is given up beyond this.
const LARGEST_DAMPING: f64 = 1e10;
/// Factors on the damping after a step that was taken, and after one that was not.
const DAMPING_EASED: f64 = 0.1;
const DAMPING_RAISED: f64 = 8.0;
/// The cost (half a χ²) counts as settled when a step lowers it by less: parameters then move by
/// a few hundredths of their standard deviation at most, and the next step by far less.
const SETTLED_DECREASE: f64 = 1e-4;
/// The same as a fraction of the cost, for sightings that are far better than declared.
const SETTLED_FRACTION: f64 = 1e-9;

/// Error that stands for a sighting that has no place in the picture, standard deviations: as far
/// off as pictures are wide.
const OUTSIDE_SD: f64 = 1e5;

/// Everything the fit looks at.
#[derive(Debug, Clone)]
pub(super) struct JointFit {
    pub layout: Layout,
    pub lens: Lens,
    pub priors: Priors,
    pub loss: Loss,
    pub frames: Vec<ObservedFrame>,
}

/// Everything the fit moves.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct State {
    pub constants: Constants,
    pub frames: Vec<FrameState>,
}

/// A state with its cost, half the sum of the losses.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub state: State,
    pub cost: f64,
}

impl JointFit {
    /// Half the sum of the losses of all sightings and priors; `None` outside the model.
    pub fn cost(&self, state: &State) -> Option<f64> {
        let camera = self.lens.camera(&state.constants);
        let of_frames: Vec<Option<f64>> = self
            .frames
            .par_iter()
            .zip(&state.frames)
            .with_min_len(64)
            .map(|(frame, frame_state)| {
                let losses = frame.kept().map(|seen| {
                    let miss = residual(seen, &camera, &state.constants, frame_state)?;
                    Some(seen.share * self.loss.value(miss.norm_squared()))
                });
                losses.sum()
            })
            .collect();
        let sightings: f64 = of_frames.into_iter().sum::<Option<f64>>()?;
        let cost = 0.5 * (sightings + self.prior_chi2(&state.constants));
        cost.is_finite().then_some(cost)
    }

    /// The cost, with sightings outside the model as bad as the loss makes an error of
    /// [`OUTSIDE_SD`].
    pub fn forgiving_cost(&self, state: &State) -> f64 {
        let camera = self.lens.camera(&state.constants);
        let frames = self.frames.iter().zip(&state.frames);
        let losses = frames.flat_map(|(frame, frame_state)| {
            frame.kept().map(|seen| {
                let miss = residual(seen, &camera, &state.constants, frame_state);
                let chi2 = miss.map_or(OUTSIDE_SD.powi(2), |miss| miss.norm_squared());
                self.loss.value(chi2)
            })
        });
        0.5 * (losses.sum::<f64>() + self.prior_chi2(&state.constants))
    }

    fn prior_chi2(&self, constants: &Constants) -> f64 {
        let edge = if self.layout.edge_shift {
            (constants.edge_shift_px / self.priors.edge_shift_sd_px).powi(2)
        } else {
            0.0
        };
        let rulers = constants.surfaces.iter().zip(&self.priors.radius_mm);
        let rulers = rulers.filter_map(|(surface, ruler)| {
            ruler.map(|ruler| ((surface.radius_mm() - ruler.value) / ruler.sd).powi(2))
        });
        edge + constants.lens.norm_squared() + rulers.sum::<f64>()
    }

    /// Adds the priors to a reduced system.
    pub fn add_priors(&self, constants: &Constants, reduced: &mut Reduced) {
        let mut add = |column: usize, slope: &[f64], miss: f64, sd: f64| {
            for (i, a) in slope.iter().enumerate() {
                reduced.gradient[column + i] += a * miss / (sd * sd);
                reduced.scale[column + i] += a * a / (sd * sd);
                for (j, b) in slope.iter().enumerate() {
                    reduced.information[(column + i, column + j)] += a * b / (sd * sd);
                }
            }
        };
        if let Some(column) = self.layout.edge_shift_column() {
            let sd = self.priors.edge_shift_sd_px;
            add(column, &[1.0], constants.edge_shift_px, sd);
        }
        if let Some(first) = self.layout.lens_column() {
            for (index, value) in constants.lens.iter().enumerate() {
                add(first + index, &[1.0], *value, 1.0);
            }
        }
        for (index, ruler) in self.priors.radius_mm.iter().enumerate() {
            if let (Some(ruler), Some(surface)) = (ruler, constants.surfaces.get(index)) {
                let miss = surface.radius_mm() - ruler.value;
                let slope = surface.radius_slope();
                add(self.layout.surface(index), slope.as_slice(), miss, ruler.sd);
            }
        }
    }

    /// Minimises the cost from a state; stops when it settles, at the latest after `iterations`.
    ///
    /// `None` if the start is outside the model.
    pub fn minimise(&self, start: State, iterations: usize) -> Option<Fitted> {
        let mut best = Fitted {
            cost: self.cost(&start)?,
            state: start,
        };
        let mut damping = FIRST_DAMPING;
        for _ in 0..iterations {
            let Some(step) = self.step(&best.state, damping) else {
                damping *= DAMPING_RAISED;
                if damping > LARGEST_DAMPING {
                    break;
                }
                continue;
            };
            let cost = self.cost(&step).unwrap_or(f64::INFINITY);
            let decrease = best.cost - cost;
            if decrease > 0.0 {
                best = Fitted { state: step, cost };
                damping *= DAMPING_EASED;
            } else {
                damping *= DAMPING_RAISED;
            }
            let settled = SETTLED_DECREASE.max(SETTLED_FRACTION * best.cost);
            // A refused step ends the search only if it was next to nothing.
            if (0.0..settled).contains(&decrease.abs()) || damping > LARGEST_DAMPING {
                break;
            }
        }
        Some(best)
    }

    /// The state one damped Gauss–Newton step away.
    fn step(&self, state: &State, damping: f64) -> Option<State> {
        let mut reduced = reduce(self, state, damping);
        if reduced.broken {
            return None;
        }
        self.add_priors(&state.constants, &mut reduced);
        for index in 0..reduced.scale.len() {
            let floor = f64::MIN_POSITIVE.sqrt();
            reduced.information[(index, index)] += damping * reduced.scale[index] + floor;
        }
        let step = -reduced.information.cholesky()?.solve(&reduced.gradient);
        let constants = state.constants.stepped(&self.layout, &step);
        let frames = reduced
            .frames
            .iter()
            .zip(&state.frames)
            .map(|(eliminated, frame)| stepped_frame(frame, eliminated, &step))
            .collect();
        Some(State { constants, frames })
    }
}

/// Back-substitution: a frame's step that belongs to a step of the constants.
fn stepped_frame(
    frame: &FrameState,
    eliminated: &FrameElimination,
    step: &DVector<f64>,
) -> FrameState {
    let mut stepped = frame.clone();
    let mut pose_step = SVector::<f64, TAG_CONSTANTS>::zeros();
    if let Some(pose) = &eliminated.pose {
        pose_step = -pose.offset;
        for (column, coupling) in &pose.coupling {
            pose_step -= coupling * step[*column];
        }
        stepped.camera_from_reference = stepped_pose(&frame.camera_from_reference, &pose_step);
    }
    for angle in &eliminated.angles {
        let coupled: f64 = angle
            .by_constants
            .iter()
            .map(|(column, coupling)| coupling * step[*column])
            .sum();
        let slope = angle.gradient + angle.by_pose.dot(&pose_step) + coupled;
        stepped.angles_rad[angle.surface] -= slope / angle.curvature;
    }
    stepped
}
