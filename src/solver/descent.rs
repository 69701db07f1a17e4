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

    /// A fraction of the cost.
    pub const fn relative(fraction: f64) -> Self {
        Self {
            amount: 0.0,
            fraction,
        }
    }

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
    /// The steps that were tried on the way.
    pub course: Vec<Tried>,
}

/// A step of a descent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tried {
    /// Its damping.
    pub damping: f64,
    /// The decrease of the cost that the linear model predicts; `None` where the equations do not determine
    /// a step.
    pub predicted: Option<f64>,
    /// The cost after it, or still where it was refused.
    pub cost: f64,
    /// Whether it was taken.
    pub taken: bool,
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
        course: Vec::new(),
    };
    for _ in 0..policy.steps {
        let step = problem.step(&here.state, &mut equations, damping);
        let predicted = step.as_ref().map(|(_, predicted)| *predicted);
        let refused = Tried::refused(damping, predicted, here.cost);
        let mut increase = f64::INFINITY;
        if let Some((candidate, predicted)) = step {
            let little_left = policy.leaves_little(damping, predicted, here.cost);
            if little_left || problem.is_negligible(&here.state, &candidate) {
                return Ok(here.after_last(problem, candidate, refused));
            }
            let eased = (damping * policy.eased).max(policy.least_damping);
            let next = defined(problem, &candidate, eased);
            increase = next
                .as_ref()
                .map_or(f64::INFINITY, |next| next.1 - here.cost);
            if let Some((next, cost)) = next.filter(|_| increase < 0.0) {
                let settled = -increase < policy.decrease.at(cost);
                (here.state, here.cost, equations, damping) = (candidate, cost, next, eased);
                here.course.push(refused.taken_to(cost));
                if settled {
                    return Ok(here.ended(Ending::Converged));
                }
                continue;
            }
        }
        here.course.push(refused);
        damping *= policy.raised;
        if let Some(ending) = policy.gives_up(increase, damping, here.cost) {
            return Ok(here.ended(ending));
        }
        match problem.damped_again(&here.state, equations, damping) {
            Some(again) => equations = again,
            None => return Ok(here.ended(Ending::Stalled)),
        }
    }
    Ok(here)
}

impl Policy {
    /// Whether a step predicts next to no decrease, and goes nearly all the way.
    fn leaves_little(&self, damping: f64, predicted: f64, cost: f64) -> bool {
        damping <= self.hardly_damped && predicted < self.predicted.at(cost)
    }

    /// Whether a refused step that increased the cost so much ends the descent, rather than more damping.
    fn gives_up(&self, increase: f64, raised: f64, cost: f64) -> Option<Ending> {
        if increase < self.increase.at(cost) {
            Some(Ending::Converged)
        } else if raised > self.most_damping {
            Some(Ending::Stalled)
        } else {
            None
        }
    }
}

impl Tried {
    fn refused(damping: f64, predicted: Option<f64>, cost: f64) -> Self {
        Self {
            damping,
            predicted,
            cost,
            taken: false,
        }
    }

    fn taken_to(self, cost: f64) -> Self {
        let taken = true;
        Self {
            cost,
            taken,
            ..self
        }
    }
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
    fn after_last<D: Descent<State = S>>(
        mut self,
        problem: &D,
        candidate: S,
        refused: Tried,
    ) -> Self {
        let most = self.cost + ROUNDING * self.cost.abs();
        let taken = problem.cost(&candidate).filter(|cost| *cost <= most);
        let last = taken.map_or(refused, |cost| refused.taken_to(cost));
        self.course.push(last);
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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use approx::assert_relative_eq;
    use nalgebra::{Matrix2, Vector2};

    use super::*;

    const POLICY: Policy = Policy {
        damping: 1e-3,
        eased: 0.1,
        raised: 10.0,
        least_damping: 1e-15,
        most_damping: 1e10,
        hardly_damped: 1e-2,
        steps: 100,
        predicted: Change {
            amount: 1e-20,
            fraction: 1e-12,
        },
        decrease: Change::NONE,
        increase: Change::NONE,
    };

    /// Rosenbrock's valley (J. J. Moré, B. S. Garbow and K. E. Hillstrom, ACM TOMS 7 (1981) 17,
    /// problem 1): residuals 10 (y − x²) and 1 − x, least at (1, 1).
    struct Valley {
        /// Factor on the gradient; −1 makes every step lead uphill.
        gradient: f64,
        /// The model has no value beyond this x.
        end_x: f64,
    }

    impl Valley {
        const START: [f64; 2] = [-1.2, 1.0];

        fn open() -> Self {
            Self {
                gradient: 1.0,
                end_x: f64::INFINITY,
            }
        }
    }

    impl Descent for Valley {
        type State = Vector2<f64>;
        type Equations = (Matrix2<f64>, Vector2<f64>);

        fn equations(&self, at: &Self::State, _damping: f64) -> Option<(Self::Equations, f64)> {
            let residuals = Vector2::new(10.0 * (at.y - at.x * at.x), 1.0 - at.x);
            let jacobian = Matrix2::new(-20.0 * at.x, 10.0, -1.0, 0.0);
            let gradient = jacobian.transpose() * residuals * self.gradient;
            let cost = self.cost(at)?;
            Some(((jacobian.transpose() * jacobian, gradient), cost))
        }

        fn step(
            &self,
            at: &Self::State,
            (normal, gradient): &mut Self::Equations,
            damping: f64,
        ) -> Option<(Self::State, f64)> {
            let damped = *normal + Matrix2::from_diagonal(&(normal.diagonal() * damping));
            let step = -damped.cholesky()?.solve(gradient);
            Some((at + step, -0.5 * gradient.dot(&step)))
        }

        fn cost(&self, at: &Self::State) -> Option<f64> {
            let squares = (10.0 * (at.y - at.x * at.x)).powi(2) + (1.0 - at.x).powi(2);
            (at.x <= self.end_x).then_some(0.5 * squares)
        }
    }

    #[test]
    fn a_curved_valley_is_followed_to_its_lowest_point() {
        let found = descend(&Valley::open(), Valley::START.into(), &POLICY).unwrap();
        assert_eq!(found.ending, Ending::Converged);
        // Each step that was taken lowers the cost, the last one to that of the minimum.
        let taken = found.course.iter().filter(|tried| tried.taken);
        let costs: Vec<f64> = taken.map(|tried| tried.cost).collect();
        assert!(costs.is_sorted_by(|before, after| before >= after));
        assert_eq!(costs.last(), Some(&found.cost));
        assert_relative_eq!(found.state, Vector2::new(1.0, 1.0), epsilon = 1e-8);
    }

    #[test]
    fn a_descent_cut_short_reports_that_its_steps_are_exhausted() {
        let short = Policy { steps: 3, ..POLICY };
        let start = Vector2::from(Valley::START);
        let found = descend(&Valley::open(), start, &short).unwrap();
        assert_eq!(found.ending, Ending::StepsExhausted);
        assert!(found.cost < Valley::open().cost(&start).unwrap());
    }

    #[test]
    fn steps_that_all_lead_uphill_stall_where_they_started() {
        let uphill = Valley {
            gradient: -1.0,
            ..Valley::open()
        };
        let start = Vector2::from(Valley::START);
        let found = descend(&uphill, start, &POLICY).unwrap();
        assert_eq!((found.ending, found.state), (Ending::Stalled, start));
    }

    #[test]
    fn a_last_step_that_raises_the_cost_is_not_taken() {
        let uphill = Valley {
            gradient: -1.0,
            ..Valley::open()
        };
        let unseen = Policy {
            predicted: Change {
                amount: f64::INFINITY,
                fraction: 0.0,
            },
            ..POLICY
        };
        let start = Vector2::from(Valley::START);
        let found = descend(&uphill, start, &unseen).unwrap();
        assert_eq!(found.state, start);
    }

    #[test]
    fn the_edge_of_the_model_holds_a_descent_but_does_not_break_it() {
        let walled = Valley {
            end_x: 0.5,
            ..Valley::open()
        };
        let found = descend(&walled, Valley::START.into(), &POLICY).unwrap();
        assert!(found.state.x <= 0.5 && found.cost < 1.0);
        let outside = descend(&walled, Vector2::new(0.6, 0.0), &POLICY);
        assert_eq!(outside, Err(Undefined));
    }
}
