//! The search for the joint fit's minimum: Levenberg–Marquardt over all frames at once.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::normal_equations::reduce;
use super::reduced::{FrameElimination, Reduced, ViewVector};
use crate::motion::FitPass;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::landmark_prediction::LANDMARK_LOSS;
use crate::motion::problem::observation::{ObservedFrame, PIECE};
use crate::motion::problem::parameters::{Constants, FrameState, Given};
use crate::motion::problem::prediction::residual;
use crate::solver::{Change, Descent, Minimum, Policy, Undefined, descend};

/// Damping at the start of a search, as a fraction of the diagonal: from a rough guess …
pub(in crate::motion) const FROM_AFAR: f64 = 1e-4;
/// … and from where a fit has been, which has changed a little since. The curvature of what the fit can
/// hardly determine is a millionth of the diagonal: with more damping it would creep.
pub(in crate::motion) const FROM_NEARBY: f64 = 1e-8;
/// With less damping than this a step goes nearly all the way: if its predicted decrease is small, the minimum is
/// near.
const HARDLY_DAMPED: f64 = 1e-2;
/// Damping is given up beyond this.
const LARGEST_DAMPING: f64 = 1e10;
/// Factors on the damping after a step that was taken, and after one that was not.
const DAMPING_EASED: f64 = 0.1;
const DAMPING_RAISED: f64 = 8.0;
/// A refused step that raised the cost (half a χ²) by less ends the search: parameters then move by
/// a few hundredths of their standard deviation at most.
const SETTLED_INCREASE: f64 = 1e-4;
/// The same as a fraction of the cost, for sightings that are far better than declared.
const SETTLED_FRACTION: f64 = 1e-9;

/// How a search for the minimum begins, and when it ends.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) struct Search {
    /// [`FROM_AFAR`] or [`FROM_NEARBY`].
    pub damping: f64,
    /// Steps that are tried at most.
    pub steps: usize,
    /// A step that promises to lower the cost (half a χ²) by less is the last.
    pub promised: f64,
}

impl JointFit {
    /// The reduced system of all frames and priors at a state.
    pub fn system(&self, state: &State, damping: f64) -> Reduced {
        let mut system = reduce(self, state, damping);
        self.add_priors(&state.constants, &mut system);
        system
    }

    /// Covariance of the constants at a state; `None` if they are not determined.
    pub fn covariance(&self, state: &State) -> Option<DMatrix<f64>> {
        self.system(state, 0.0).covariance(self.layout.fitted())
    }

    fn add_priors(&self, constants: &Constants, reduced: &mut Reduced) {
        reduced.cost += 0.5 * self.prior_chi2(constants);
        for prior in self.priors(constants) {
            let (column, weight) = (prior.column, prior.sd.powi(-2));
            for (i, a) in prior.slope.iter().enumerate() {
                reduced.gradient[column + i] += a * prior.miss * weight;
                reduced.scale[column + i] += a * a * weight;
                for (j, b) in prior.slope.iter().enumerate() {
                    reduced.information[(column + i, column + j)] += a * b * weight;
                }
            }
        }
    }

    /// Minimises the cost from a state.
    ///
    /// # Errors
    /// [`Undefined`] if the start is outside the model.
    pub fn minimise(&self, start: State, search: Search) -> Result<Minimum<State>, Undefined> {
        descend(self, start, &search.policy())
    }

    /// The same, noted among the fit's passes.
    pub fn pass(
        &mut self,
        fits: &'static str,
        start: State,
        search: Search,
    ) -> Result<Minimum<State>, Undefined> {
        let mut minimum = self.minimise(start, search)?;
        self.passes.push(FitPass {
            fits,
            course: std::mem::take(&mut minimum.course),
            ending: minimum.ending,
        });
        Ok(minimum)
    }

    /// Half the loss of a frame's sightings, landmarks and picture, by their weights.
    fn frame_cost(&self, frame: &ObservedFrame, state: &FrameState, given: &Given) -> Option<f64> {
        let mut cost = 0.0;
        for seen in frame.kept() {
            let miss = residual(seen, given, state)?;
            cost += seen.weight() * self.loss.value(miss.norm_squared());
        }
        if !self.layout.view_moves() || !frame.is_used() {
            return Some(0.5 * cost);
        }
        for seen in &frame.landmarks {
            let miss_px = seen.residual_px(given, state)?;
            let chi2 = miss_px.norm_squared() / seen.sd_px.powi(2);
            cost += frame.share() * LANDMARK_LOSS.value(chi2);
        }
        if self.layout.picture_moves {
            cost += frame.share() * self.priors.picture.chi2(&state.picture);
        }
        Some(0.5 * cost)
    }
}

impl Search {
    fn policy(self) -> Policy {
        let settled = |amount| Change {
            amount,
            fraction: SETTLED_FRACTION,
        };
        Policy {
            damping: self.damping,
            eased: DAMPING_EASED,
            raised: DAMPING_RAISED,
            least_damping: 0.0,
            most_damping: LARGEST_DAMPING,
            hardly_damped: HARDLY_DAMPED,
            steps: self.steps,
            predicted: settled(self.promised),
            decrease: Change::NONE,
            increase: settled(SETTLED_INCREASE),
        }
    }
}

impl Descent for JointFit {
    type State = State;
    type Equations = Reduced;

    fn equations(&self, state: &State, damping: f64) -> Option<(Reduced, f64)> {
        let system = self.system(state, damping);
        let cost = system.cost;
        Some((system, cost))
    }

    fn cost(&self, state: &State) -> Option<f64> {
        let given = self.lens.given(&state.constants);
        let of_frame = |frame: &ObservedFrame, frame_state: &FrameState| {
            self.frame_cost(frame, frame_state, &given)
        };
        let frames = self.of_frames(state, of_frame);
        let cost: Option<f64> = frames.into_iter().sum();
        Some(cost? + 0.5 * self.prior_chi2(&state.constants))
    }

    /// Consumes the eliminated unknowns, which are most of the fit's memory.
    fn step(&self, state: &State, system: &mut Reduced, damping: f64) -> Option<(State, f64)> {
        let eliminated = std::mem::take(&mut system.frames);
        if system.broken {
            return None;
        }
        let mut information = system.information.clone();
        for index in 0..system.scale.len() {
            let floor = f64::MIN_POSITIVE.sqrt();
            information[(index, index)] += damping * system.scale[index] + floor;
        }
        let step = -information.cholesky()?.solve(&system.gradient);
        let predicted = system.promised - 0.5 * system.gradient.dot(&step);
        let frames = eliminated.into_par_iter().zip(&state.frames);
        let stepped = State {
            constants: state.constants.stepped(&self.layout, &step),
            frames: frames
                .with_min_len(PIECE)
                .map(|(eliminated, frame)| stepped_frame(frame, &eliminated, &step))
                .collect(),
        };
        Some((stepped, predicted))
    }

    /// Every frame's unknowns are eliminated with the damping.
    fn damped_again(&self, state: &State, _used_up: Reduced, damping: f64) -> Option<Reduced> {
        Some(self.system(state, damping))
    }
}

/// Back-substitution: a frame's step that belongs to a step of the constants.
fn stepped_frame(
    frame: &FrameState,
    eliminated: &FrameElimination,
    step: &DVector<f64>,
) -> FrameState {
    let mut stepped = frame.clone();
    let mut view_step = ViewVector::zeros();
    if let Some(view) = &eliminated.view {
        view_step = view.step(step);
        stepped.step_view(&view_step);
    }
    for angle in &eliminated.angles {
        let coupled: f64 = angle
            .by_constants
            .iter()
            .map(|(column, coupling)| coupling * step[*column])
            .sum();
        let slope = angle.gradient + angle.by_view.dot(&view_step) + coupled;
        stepped.angles_rad[angle.surface] -= slope / angle.curvature;
    }
    stepped
}
