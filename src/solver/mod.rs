//! Least squares by damped Gauss–Newton steps.
//!
//! [`descend`] minimises a cost whose normal equations the problem forms itself: the joint fit, one frame
//! of it, the camera calibration, one crossing of a board. [`solve`] serves small dense problems that give
//! residuals only: the linkage fit, the clock of a stick log. Both report why they ended.

mod descent;
mod levenberg_marquardt;
mod linear;
mod loss;
mod scaled;

pub use descent::{Change, Descent, Ending, Minimum, Policy, Tried, Undefined, descend};
pub use levenberg_marquardt::{Solution, SolverError, SolverOptions, StopReason, solve};
pub use linear::{LinearFit, LinearSums};
pub use loss::Loss;
pub use scaled::{scaled_inverse, unit_diagonal_scale};

use nalgebra::{DMatrix, DVector};

/// Relative step of central differences: the cube root of the machine epsilon balances rounding
/// against curvature (Press et al., Numerical Recipes, 5.7).
const DIFFERENCE_STEP: f64 = 6.055_454_452_393_343e-6;

/// A least-squares problem: residuals as a function of the parameters.
///
/// Residuals are in units of their standard deviation wherever the covariance is to be used as is.
pub trait Problem {
    /// Number of parameters.
    fn parameter_count(&self) -> usize;

    /// Residuals at `parameters`; `None` where the model has no value (the step is then refused).
    fn residuals(&self, parameters: &DVector<f64>) -> Option<DVector<f64>>;

    /// Derivatives of the residuals, one row a residual, one column a parameter.
    ///
    /// Central differences unless a problem knows better.
    fn jacobian(&self, parameters: &DVector<f64>) -> Option<DMatrix<f64>> {
        numeric_jacobian(self, parameters)
    }

    /// Number of consecutive residuals that the loss judges together: 2 for a point in an image.
    fn block_size(&self) -> usize {
        1
    }
}

/// Derivatives of a problem's residuals by central differences, one-sided at an edge of the model.
pub fn numeric_jacobian<P: Problem + ?Sized>(
    problem: &P,
    parameters: &DVector<f64>,
) -> Option<DMatrix<f64>> {
    let here = problem.residuals(parameters)?;
    let mut jacobian = DMatrix::zeros(here.len(), parameters.len());
    let mut moved = parameters.clone();
    for index in 0..parameters.len() {
        let value = parameters[index];
        let step = DIFFERENCE_STEP * if value == 0.0 { 1.0 } else { value.abs() };
        let (above, below) = (value + step, value - step);
        moved[index] = above;
        let residuals_above = problem.residuals(&moved);
        moved[index] = below;
        let residuals_below = problem.residuals(&moved);
        moved[index] = value;
        let slope = match (residuals_above, residuals_below) {
            (Some(up), Some(down)) => (up - down) / (above - below),
            (Some(up), None) => (up - &here) / (above - value),
            (None, Some(down)) => (&here - down) / (value - below),
            (None, None) => return None,
        };
        jacobian.set_column(index, &slope);
    }
    Some(jacobian)
}
