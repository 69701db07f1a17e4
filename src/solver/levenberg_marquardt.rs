//! Levenberg–Marquardt as a trust region (J. J. Moré, "The Levenberg–Marquardt algorithm:
//! implementation and theory", Lecture Notes in Mathematics 630, 1978).
//!
//! Each Jacobian is scaled by columns and decomposed once, by QR and then by singular values, so
//! that steps keep full precision where normal equations would square the condition number.

use nalgebra::{DMatrix, DVector};

use super::{Loss, Problem};

/// First trust radius as a multiple of the scaled parameters' norm (Moré's `factor`, his range is
/// 0.1 to 100): the first step changes the parameters by no more than they are.
const FIRST_RADIUS_FACTOR: f64 = 1.0;
/// Steps with a smaller ratio of real to promised decrease are refused (Moré 1978).
const SMALLEST_RATIO: f64 = 1e-4;
/// The damping is good when the step's length is within this fraction of the radius (Moré 1978).
const RADIUS_SLACK: f64 = 0.1;
/// Newton steps for the damping; three are usual.
const DAMPING_STEPS: usize = 12;
/// Singular values below this fraction of the largest are taken as zero.
const RANK_TOLERANCE: f64 = 1e-14;
/// Sweeps allowed in the singular value decomposition before it is given up.
const SVD_SWEEPS: usize = 10_000;

/// When to stop, and how large residuals count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SolverOptions {
    /// Largest number of Jacobians.
    pub iterations: usize,
    /// Stop when real and promised relative decrease of the cost fall below this.
    pub cost_tolerance: f64,
    /// Stop when the step falls below this fraction of the parameters, both scaled.
    pub step_tolerance: f64,
    /// Stop when the cosine between the residuals and every column of the Jacobian is below this.
    pub gradient_tolerance: f64,
    /// Loss of each residual block.
    pub loss: Loss,
}

impl Default for SolverOptions {
    fn default() -> Self {
        Self {
            iterations: 1000,
            cost_tolerance: 1e-15,
            step_tolerance: 1e-12,
            gradient_tolerance: 1e-13,
            loss: Loss::Quadratic,
        }
    }
}

/// Why the solver stopped with a minimum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopReason {
    /// Residuals are orthogonal to the Jacobian, or zero.
    GradientVanished,
    /// The step no longer changes the parameters.
    StepVanished,
    /// The cost no longer falls.
    CostSettled,
}

/// A minimum, or the best point known when the solver gave up.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// Parameters.
    pub parameters: DVector<f64>,
    /// Residuals there, not weighted.
    pub residuals: DVector<f64>,
    /// Jacobian there, each block weighted by the square root of its loss's weight.
    pub weighted_jacobian: DMatrix<f64>,
    /// ½ Σ ρ.
    pub cost: f64,
    /// Number of Jacobians used.
    pub iterations: usize,
}

/// Why no minimum was reached.
#[derive(Debug, thiserror::Error)]
pub enum SolverError {
    /// The model has no finite value at the start.
    #[error("the model has no value at the starting parameters")]
    NoValueAtStart,
    /// Fewer residuals than parameters.
    #[error("{residuals} residuals cannot determine {parameters} parameters")]
    TooFewResiduals {
        /// Number of residuals.
        residuals: usize,
        /// Number of parameters.
        parameters: usize,
    },
    /// The limit on iterations was reached; the best point so far is handed back.
    #[error("the fit still moved after {} iterations", best.iterations)]
    IterationsExhausted {
        /// Best point so far.
        best: Box<Solution>,
    },
    /// The Jacobian is not finite; the best point so far is handed back.
    #[error("the model's derivatives are not finite after {} iterations", best.iterations)]
    BadJacobian {
        /// Best point so far.
        best: Box<Solution>,
    },
}

impl Solution {
    /// Inverse of JᵀJ: the parameters' covariance where residuals are in standard deviations.
    ///
    /// `None` if the data leave a combination of parameters undetermined.
    pub fn covariance(&self) -> Option<DMatrix<f64>> {
        let scale = column_norms(&self.weighted_jacobian);
        let decomposed = Decomposed::new(&self.weighted_jacobian, &scale, None)?;
        let largest = decomposed.singular_values.max();
        let parameter_count = scale.len();
        let mut root = decomposed.right.clone();
        for column in 0..parameter_count {
            let singular_value = decomposed.singular_values[column];
            if singular_value.is_nan() || singular_value <= RANK_TOLERANCE * largest {
                return None;
            }
            root.column_mut(column).unscale_mut(singular_value);
        }
        for row in 0..parameter_count {
            root.row_mut(row).unscale_mut(scale[row]);
        }
        Some(&root * root.transpose())
    }

    /// 2 · cost ÷ degrees of freedom; 1 where the residuals' standard deviations were right.
    pub fn residual_variance(&self) -> f64 {
        let freedom = self.residuals.len() as f64 - self.parameters.len() as f64;
        2.0 * self.cost / freedom
    }
}

/// Minimises ½ Σ ρ(‖rᵢ‖²) over the residual blocks of a problem, from a start.
///
/// A step is taken only if the cost really falls. On failure the best point so far is handed back
/// within the error.
pub fn solve(
    problem: &impl Problem,
    start: DVector<f64>,
    options: &SolverOptions,
) -> Result<(Solution, StopReason), SolverError> {
    let mut search = Search::at(problem, start, options)?;
    while search.best.iterations < options.iterations {
        if let Some(reason) = search.advance()? {
            return Ok((search.best, reason));
        }
    }
    Err(SolverError::IterationsExhausted {
        best: Box::new(search.best),
    })
}

/// The state between iterations.
struct Search<'a, P: Problem> {
    problem: &'a P,
    options: &'a SolverOptions,
    best: Solution,
    /// Largest norm that each column has had: makes the method indifferent to units.
    scale: DVector<f64>,
    radius: f64,
    damping: f64,
}

impl<'a, P: Problem> Search<'a, P> {
    fn at(
        problem: &'a P,
        start: DVector<f64>,
        options: &'a SolverOptions,
    ) -> Result<Self, SolverError> {
        let residuals = finite(problem.residuals(&start)).ok_or(SolverError::NoValueAtStart)?;
        if residuals.len() < start.len() {
            return Err(SolverError::TooFewResiduals {
                residuals: residuals.len(),
                parameters: start.len(),
            });
        }
        let cost = cost(problem, &residuals, options.loss);
        let weighted_jacobian = DMatrix::zeros(residuals.len(), start.len());
        let scale = DVector::zeros(start.len());
        let best = Solution {
            parameters: start,
            residuals,
            weighted_jacobian,
            cost,
            iterations: 0,
        };
        Ok(Self {
            problem,
            options,
            best,
            scale,
            radius: 0.0,
            damping: 0.0,
        })
    }

    /// One Jacobian, and steps from it until one is taken or the search ends.
    fn advance(&mut self) -> Result<Option<StopReason>, SolverError> {
        self.best.iterations += 1;
        let weights = root_weights(self.problem, &self.best.residuals, self.options.loss);
        let jacobian = self
            .problem
            .jacobian(&self.best.parameters)
            .filter(|jacobian| jacobian.iter().all(|value| value.is_finite()));
        let Some(mut jacobian) = jacobian else {
            return Err(self.bad_jacobian());
        };
        for (mut row, weight) in jacobian.row_iter_mut().zip(weights.iter()) {
            row *= *weight;
        }
        let residuals = self.best.residuals.component_mul(&weights);
        self.best.weighted_jacobian = jacobian;
        let norms = column_norms(&self.best.weighted_jacobian);
        self.scale = self.scale.sup(&norms);
        if self.radius == 0.0 {
            self.start_radius();
        }
        if largest_cosine(&self.best.weighted_jacobian, &norms, &residuals)
            <= self.options.gradient_tolerance
        {
            return Ok(Some(StopReason::GradientVanished));
        }
        let decomposed =
            Decomposed::new(&self.best.weighted_jacobian, &self.scale, Some(&residuals));
        match decomposed {
            Some(decomposed) => Ok(self.step(&decomposed)),
            None => Err(self.bad_jacobian()),
        }
    }

    fn start_radius(&mut self) {
        // A column of zeros has no scale of its own.
        for scale in self.scale.iter_mut().filter(|scale| **scale == 0.0) {
            *scale = 1.0;
        }
        let scaled_norm = self.scale.component_mul(&self.best.parameters).norm();
        self.radius = FIRST_RADIUS_FACTOR * if scaled_norm > 0.0 { scaled_norm } else { 1.0 };
    }

    fn bad_jacobian(&self) -> SolverError {
        SolverError::BadJacobian {
            best: Box::new(self.best.clone()),
        }
    }

    /// Shortens the trust radius until a step lowers the cost; returns whether the search has ended.
    fn step(&mut self, decomposed: &Decomposed) -> Option<StopReason> {
        loop {
            self.damping = decomposed.damping_for(self.radius, self.damping);
            let scaled_step = decomposed.step(self.damping);
            let length = scaled_step.norm();
            if self.best.iterations == 1 {
                self.radius = self.radius.min(length);
            }
            let candidate = &self.best.parameters + scaled_step.component_div(&self.scale);
            let residuals = finite(self.problem.residuals(&candidate));
            let new_cost = residuals.as_ref().map_or(f64::INFINITY, |residuals| {
                cost(self.problem, residuals, self.options.loss)
            });
            let promised = decomposed.promised_decrease(self.damping);
            let real = self.best.cost - new_cost;
            let ratio = if promised > 0.0 { real / promised } else { 0.0 };
            self.adapt_radius(ratio, length);
            let relative =
                |decrease: f64| decrease.abs() <= self.options.cost_tolerance * self.best.cost;
            let settled = relative(real) && relative(promised) && ratio <= 2.0;
            let taken = ratio >= SMALLEST_RATIO;
            if let (true, Some(residuals)) = (taken, residuals) {
                self.best.parameters = candidate;
                self.best.residuals = residuals;
                self.best.cost = new_cost;
            }
            if settled {
                return Some(StopReason::CostSettled);
            }
            let scaled_norm = self.scale.component_mul(&self.best.parameters).norm();
            if self.radius.min(length) <= self.options.step_tolerance * scaled_norm {
                return Some(StopReason::StepVanished);
            }
            if taken {
                return None;
            }
        }
    }

    /// Moré's rules: shrink where the linear model promised too much, widen where it held.
    fn adapt_radius(&mut self, ratio: f64, length: f64) {
        if ratio.is_nan() || ratio <= 0.25 {
            let shrink = if ratio.is_finite() { 0.5 } else { 0.1 };
            self.radius = shrink * self.radius.min(10.0 * length);
            self.damping /= shrink;
        } else if ratio >= 0.75 || self.damping == 0.0 {
            self.radius = 2.0 * length;
            self.damping *= 0.5;
        }
    }
}

/// A column-scaled Jacobian by its singular values.
struct Decomposed {
    singular_values: DVector<f64>,
    /// Right singular vectors in its columns.
    right: DMatrix<f64>,
    /// Residuals along the left singular vectors.
    residuals: DVector<f64>,
}

impl Decomposed {
    fn new(
        jacobian: &DMatrix<f64>,
        scale: &DVector<f64>,
        residuals: Option<&DVector<f64>>,
    ) -> Option<Self> {
        let mut scaled = jacobian.clone();
        for (mut column, scale) in scaled.column_iter_mut().zip(scale.iter()) {
            if *scale > 0.0 {
                column.unscale_mut(*scale);
            }
        }
        let qr = scaled.qr();
        let parameter_count = scale.len();
        let rotated = residuals.map_or(DVector::zeros(parameter_count), |residuals| {
            let mut rotated = residuals.clone();
            qr.q_tr_mul(&mut rotated);
            rotated.rows(0, parameter_count).into_owned()
        });
        let svd = qr.r().try_svd(true, true, f64::EPSILON, SVD_SWEEPS)?;
        let residuals = svd.u?.tr_mul(&rotated);
        Some(Self {
            singular_values: svd.singular_values,
            right: svd.v_t?.transpose(),
            residuals,
        })
    }

    /// The step for a damping, in scaled parameters.
    fn step(&self, damping: f64) -> DVector<f64> {
        -(&self.right * self.filtered(damping))
    }

    /// σ (Uᵀr) / (σ² + λ), with undetermined directions left alone.
    fn filtered(&self, damping: f64) -> DVector<f64> {
        let floor = RANK_TOLERANCE * self.singular_values.max();
        self.singular_values
            .zip_map(&self.residuals, |sigma, residual| {
                if sigma > floor {
                    sigma * residual / (sigma * sigma + damping)
                } else {
                    0.0
                }
            })
    }

    /// Decrease of the cost that the linear model promises.
    fn promised_decrease(&self, damping: f64) -> f64 {
        self.singular_values
            .iter()
            .zip(self.filtered(damping).iter())
            .map(|(sigma, filtered)| {
                let moved = sigma * filtered;
                0.5 * moved * moved + damping * filtered * filtered
            })
            .sum()
    }

    /// The damping whose step is as long as the radius, 0 where the full step is shorter.
    ///
    /// Newton's method on 1/‖p(λ)‖, which is nearly straight (Moré 1978, section 5).
    fn damping_for(&self, radius: f64, guess: f64) -> f64 {
        let full = self.filtered(0.0).norm();
        if full <= (1.0 + RADIUS_SLACK) * radius {
            return 0.0;
        }
        let gradient = self.singular_values.component_mul(&self.residuals).norm();
        let (mut lower, mut upper) = (0.0, gradient / radius);
        let mut damping = guess.clamp(lower, upper);
        if damping == 0.0 {
            damping = (1e-3 * upper).max(f64::MIN_POSITIVE);
        }
        for _ in 0..DAMPING_STEPS {
            let filtered = self.filtered(damping);
            let length = filtered.norm();
            let excess = length - radius;
            if excess.abs() <= RADIUS_SLACK * radius {
                break;
            }
            let slope: f64 = self
                .singular_values
                .iter()
                .zip(filtered.iter())
                .map(|(sigma, filtered)| filtered * filtered / (sigma * sigma + damping))
                .sum::<f64>()
                / length;
            if excess > 0.0 {
                lower = damping;
            } else {
                upper = damping;
            }
            damping += excess / slope * length / radius;
            if damping.is_nan() || damping <= lower || damping >= upper {
                damping = (lower * upper).sqrt().max(1e-3 * upper);
            }
        }
        damping
    }
}

fn finite(residuals: Option<DVector<f64>>) -> Option<DVector<f64>> {
    residuals.filter(|residuals| residuals.iter().all(|value| value.is_finite()))
}

fn column_norms(jacobian: &DMatrix<f64>) -> DVector<f64> {
    DVector::from_iterator(
        jacobian.ncols(),
        jacobian.column_iter().map(|column| column.norm()),
    )
}

fn cost(problem: &impl Problem, residuals: &DVector<f64>, loss: Loss) -> f64 {
    let losses = residuals
        .as_slice()
        .chunks(problem.block_size())
        .map(|block| loss.value(block.iter().map(|value| value * value).sum()));
    0.5 * losses.sum::<f64>()
}

fn root_weights(problem: &impl Problem, residuals: &DVector<f64>, loss: Loss) -> DVector<f64> {
    let mut weights = residuals.clone();
    for block in weights.as_mut_slice().chunks_mut(problem.block_size()) {
        let squared_norm = block.iter().map(|value| value * value).sum();
        block.fill(loss.weight(squared_norm).sqrt());
    }
    weights
}

/// Largest cosine between the residuals and a column.
fn largest_cosine(jacobian: &DMatrix<f64>, norms: &DVector<f64>, residuals: &DVector<f64>) -> f64 {
    let length = residuals.norm();
    if length == 0.0 {
        return 0.0;
    }
    jacobian
        .column_iter()
        .zip(norms.iter())
        .filter(|(_, norm)| **norm > 0.0)
        .map(|(column, norm)| column.dot(residuals).abs() / (norm * length))
        .fold(0.0, f64::max)
}
