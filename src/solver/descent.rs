//! Descent: damped Gauss–Newton steps to a minimum, with the reason for stopping.
//!
//! The Levenberg–Marquardt method (D. W. Marquardt, J. SIAM 11 (1963) 431) for problems that form and
//! solve their own normal equations: the joint fit, one of its frames, a camera calibration, one crossing
//! of a board. [`solve`](super::solve) serves small dense problems that give residuals only.

/// A cost that falls step by step.
pub trait Descent {
    /// The unknowns.
    type State;
    /// The normal equations at a state.
    type Equations;

    /// The normal equations at a state, and the cost there; `None` where the model has no value.
    ///
    /// `damping` is that of the step to come: problems that eliminate unknowns need it here.
    fn equations(&self, state: &Self::State, damping: f64) -> Option<(Self::Equations, f64)>;

    /// The state one damped step away, and the decrease of the cost that the linear model predicts;
    /// `None` where the equations do not determine a step.
    ///
    /// The equations may be used up: a second step from the same state begins with [`Descent::damped_again`].
    fn step(
        &self,
        state: &Self::State,
        equations: &mut Self::Equations,
        damping: f64,
    ) -> Option<(Self::State, f64)>;

    /// The cost at a state; `None` where the model has no value.
    fn cost(&self, state: &Self::State) -> Option<f64>;

    /// The equations at a state whose step was refused, for another damping.
    fn damped_again(
        &self,
        _state: &Self::State,
        equations: Self::Equations,
        _damping: f64,
    ) -> Option<Self::Equations> {
        Some(equations)
    }

    /// Whether a step is too short to matter, however it changes the cost.
    fn is_negligible(&self, _from: &Self::State, _to: &Self::State) -> bool {
        false
    }
}

/// A change of the cost: an amount or a fraction of the cost, whichever is larger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// In units of the cost.
    pub amount: f64,
    /// Of the cost.
    pub fraction: f64,
}

impl Change {
    /// No change is small enough.
    pub const NONE: Self = Self {
        amount: 0.0,
        fraction: 0.0,
    };

    /// The same number as an amount and as a fraction.
    pub const fn both(number: f64) -> Self {
        Self {
            amount: number,
            fraction: number,
        }
    }

    fn at(self, cost: f64) -> f64 {
        self.amount.max(self.fraction * cost)
    }
}

/// How a descent begins, and when it ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Policy {
    /// Damping of the first step, as a fraction of the diagonal.
    pub damping: f64,
    /// Factor on the damping after a step that was taken.
    pub eased: f64,
    /// Factor on the damping after a step that was refused.
    pub raised: f64,
    /// Damping does not fall below this.
    pub least_damping: f64,
    /// The descent stalls at more damping than this.
    pub most_damping: f64,
    /// A step with no more damping than this goes nearly all the way, so that its prediction shows how
    /// much is left.
    pub hardly_damped: f64,
    /// Steps that are tried at most.
    pub steps: usize,
    /// A hardly damped step that predicts a smaller decrease is the last.
    pub predicted: Change,
    /// A step that decreases the cost by less is the last.
    pub decrease: Change,
    /// A refused step that increases the cost by less ends the descent.
    pub increase: Change,
}

/// Why a descent ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// No step promises a decrease that matters.
    Converged,
    /// No step decreases the cost, however short.
    Stalled,
    /// All steps were taken, and the cost still falls.
    StepsExhausted,
}

/// Where a descent ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Minimum<S> {
    /// The best state found.
    pub state: S,
    /// Its cost.
    pub cost: f64,
    /// Why the descent ended there.
    pub ending: Ending,
}

/// The model has no value at the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the model has no value where the search starts")]
pub struct Undefined;

/// Costs that differ by less than this fraction are equal but for rounding.
const ROUNDING: f64 = 1e-12;

/// Minimises a cost from a state. Every step that is taken decreases the cost itself, not only its linear
/// model.
///
/// # Errors
/// [`Undefined`] if the model has no value at the start.
pub fn descend<D: Descent>(
    problem: &D,
    start: D::State,
    policy: &Policy,
) -> Result<Minimum<D::State>, Undefined> {
    let mut damping = policy.damping;
    let (mut equations, cost) = defined(problem, &start, damping).ok_or(Undefined)?;
    let mut here = Minimum {
        state: start,
        cost,
        ending: Ending::StepsExhausted,
    };
    for _ in 0..policy.steps {
        let step = problem.step(&here.state, &mut equations, damping);
        let mut increase = f64::INFINITY;
        if let Some((candidate, predicted)) = step {
            let hardly_damped = damping <= policy.hardly_damped;
            let little_left = hardly_damped && predicted < policy.predicted.at(here.cost);
            if little_left || problem.is_negligible(&here.state, &candidate) {
                return Ok(here.after_last(problem, candidate));
            }
            let eased = (damping * policy.eased).max(policy.least_damping);
            let next = defined(problem, &candidate, eased);
            increase = next
                .as_ref()
                .map_or(f64::INFINITY, |next| next.1 - here.cost);
            if let Some((next, cost)) = next.filter(|_| increase < 0.0) {
                let settled = -increase < policy.decrease.at(cost);
                (here.state, here.cost, equations, damping) = (candidate, cost, next, eased);
                if settled {
                    return Ok(here.ended(Ending::Converged));
                }
                continue;
            }
        }
        damping *= policy.raised;
        if increase < policy.increase.at(here.cost) {
            return Ok(here.ended(Ending::Converged));
        }
        if damping > policy.most_damping {
            return Ok(here.ended(Ending::Stalled));
        }
        match problem.damped_again(&here.state, equations, damping) {
            Some(again) => equations = again,
            None => return Ok(here.ended(Ending::Stalled)),
        }
    }
    Ok(here)
}

/// The equations at a state, if its cost is finite.
fn defined<D: Descent>(problem: &D, state: &D::State, damping: f64) -> Option<(D::Equations, f64)> {
    let equations = problem.equations(state, damping);
    equations.filter(|(_, cost)| cost.is_finite())
}

impl<S> Minimum<S> {
    fn ended(self, ending: Ending) -> Self {
        Self { ending, ..self }
    }

    /// The end after a step that leaves next to nothing, taken unless it increases the cost.
    fn after_last<D: Descent<State = S>>(self, problem: &D, candidate: S) -> Self {
        let most = self.cost + ROUNDING * self.cost.abs();
        let taken = problem.cost(&candidate).filter(|cost| *cost <= most);
        let ended = self.ended(Ending::Converged);
        match taken {
            Some(cost) => Self {
                state: candidate,
                cost,
                ..ended
            },
            None => ended,
        }
    }
}
