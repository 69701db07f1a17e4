//! The search for the joint fit's minimum: Levenberg–Marquardt over all frames at once.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::normal_equations::{FrameElimination, Reduced, ViewVector, reduce};
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::PIECE;
use crate::motion::problem::parameters::{Constants, FrameState};

/// Damping at the start of a search, as a fraction of the diagonal: from a rough guess …
pub(in crate::motion) const FROM_AFAR: f64 = 1e-4;
/// … and from where a fit has been, which has changed a little since. The curvature of what the fit can
/// hardly tell is a millionth of the diagonal: with more damping it would creep.
pub(in crate::motion) const FROM_NEARBY: f64 = 1e-8;
/// With less damping than this a step goes nearly all the way: if it promises little, little is
/// left.
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
    /// A step that promises to lower the cost (half a χ²) by less is the last, and is taken without
    /// a look at where it leads.
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
    /// `None` if the start is outside the model.
    pub fn minimise(&self, start: State, search: Search) -> Option<State> {
        let mut damping = search.damping;
        let mut here = self.linearised(start, damping);
        if !here.system.cost.is_finite() {
            return None;
        }
        for _ in 0..search.steps {
            let step = self.step(&mut here, damping);
            let (decrease, next) = match step {
                Some((last, promised))
                    if damping < HARDLY_DAMPED && promised < here.settled(search.promised) =>
                {
                    return Some(last);
                }
                Some((candidate, _)) => {
                    let next = self.linearised(candidate, damping * DAMPING_EASED);
                    (here.system.cost - next.system.cost, Some(next))
                }
                None => (f64::NEG_INFINITY, None),
            };
            if let Some(next) = next.filter(|_| decrease > 0.0) {
                here = next;
                damping *= DAMPING_EASED;
                continue;
            }
            damping *= DAMPING_RAISED;
            if damping > LARGEST_DAMPING || -decrease < here.settled(SETTLED_INCREASE) {
                break;
            }
            here = self.linearised(here.state, damping);
        }
        Some(here.state)
    }

    fn linearised(&self, state: State, damping: f64) -> Here {
        let system = self.system(&state, damping);
        Here { state, system }
    }

    /// The state one damped Gauss–Newton step away, and by how much it promises to lower the cost.
    ///
    /// What was eliminated is used up: it is most of the fit's memory, and a step that is refused begins
    /// with a new look at this place.
    fn step(&self, here: &mut Here, damping: f64) -> Option<(State, f64)> {
        let eliminated = std::mem::take(&mut here.system.frames);
        let system = &here.system;
        if system.broken {
            return None;
        }
        let mut information = system.information.clone();
        for index in 0..system.scale.len() {
            let floor = f64::MIN_POSITIVE.sqrt();
            information[(index, index)] += damping * system.scale[index] + floor;
        }
        let step = -information.cholesky()?.solve(&system.gradient);
        let promised = system.promised - 0.5 * system.gradient.dot(&step);
        let frames = eliminated.into_par_iter().zip(&here.state.frames);
        let state = State {
            constants: here.state.constants.stepped(&self.layout, &step),
            frames: frames
                .with_min_len(PIECE)
                .map(|(eliminated, frame)| stepped_frame(frame, &eliminated, &step))
                .collect(),
        };
        Some((state, promised))
    }
}

/// A state with its normal equations.
struct Here {
    state: State,
    system: Reduced,
}

impl Here {
    /// What counts as next to nothing beside the cost.
    fn settled(&self, change: f64) -> f64 {
        change.max(SETTLED_FRACTION * self.system.cost)
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
