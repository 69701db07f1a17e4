//! Gauss–Newton with the covariance of all observations (generalised least squares). The last unknowns are the
//! turns of the surfaces.

use nalgebra::{DMatrix, DVector};

use crate::solver::{scaled_inverse, unit_diagonal_scale};

/// Gauss–Newton steps; five are usual.
pub(super) const STEPS: usize = 30;
/// Steps smaller than this are at the goal, rad and mm.
pub(super) const SETTLED: f64 = 1e-9;
/// Step of the numeric derivatives, rad and mm: their error stays below a millionth.
const DIFFERENCE_STEP: f64 = 1e-5;
/// Any neutral is within this of any earlier one, as a standard deviation, rad. It decides
/// nothing that the tags determine, but keeps the difference between two surfaces determined where no airframe
/// tag determines their common turn.
pub(super) const PLAUSIBLE_TURN_RAD: f64 = 1.0;
/// Variances below this are raised to it, in squared units of the observations: what a frame of reference has
/// by definition is exact.
const EXACT_VARIANCE: f64 = 1e-14;

/// One step.
pub(super) struct Step {
    /// Change of the unknowns.
    pub by: DVector<f64>,
    /// Covariance of the unknowns.
    pub covariance: DMatrix<f64>,
    /// χ² before the step.
    pub chi2: f64,
}

impl Step {
    /// From how the misses follow the unknowns, the misses and their covariance. `turns_rad` are the last
    /// unknowns as they are. `None` where the observations do not determine the unknowns.
    pub fn of(
        slope: DMatrix<f64>,
        misses: DVector<f64>,
        covariance: DMatrix<f64>,
        turns_rad: &DVector<f64>,
    ) -> Option<Self> {
        let whitening = whitening(covariance)?;
        let (slope, misses) = (&whitening * slope, whitening * misses);
        let mut information = slope.tr_mul(&slope);
        let mut gradient = slope.tr_mul(&misses);
        let first = slope.ncols() - turns_rad.len();
        let weight = PLAUSIBLE_TURN_RAD.powi(-2);
        for (surface, turn_rad) in turns_rad.iter().enumerate() {
            information[(first + surface, first + surface)] += weight;
            gradient[first + surface] += weight * turn_rad;
        }
        let covariance = scaled_inverse(&information)?;
        let by = -(&covariance * gradient);
        by.iter().all(|step| step.is_finite()).then(|| Self {
            by,
            covariance,
            chi2: misses.norm_squared(),
        })
    }
}

/// Steps until one is smaller than the goal, rad and mm; `None` if they do not get there.
pub(super) fn settle<State>(
    start: State,
    goal: f64,
    step: impl Fn(&State) -> Option<Step>,
    moved: impl Fn(&State, &DVector<f64>) -> State,
) -> Option<(State, Step)> {
    let mut now = start;
    let mut last = None;
    for _ in 0..STEPS {
        let step = step(&now)?;
        now = moved(&now, &step.by);
        let size = step.by.amax();
        last = Some(step);
        if size < goal {
            break;
        }
    }
    let last = last.filter(|step| step.by.amax() < SETTLED.sqrt())?;
    Some((now, last))
}

/// Central differences.
pub(super) fn derivative(
    columns: usize,
    rows: usize,
    of: impl Fn(&DVector<f64>) -> DVector<f64>,
) -> DMatrix<f64> {
    let mut slope = DMatrix::zeros(rows, columns);
    for column in 0..columns {
        let mut by = DVector::zeros(columns);
        by[column] = DIFFERENCE_STEP;
        let above = of(&by);
        by[column] = -DIFFERENCE_STEP;
        slope.set_column(column, &((above - of(&by)) / (2.0 * DIFFERENCE_STEP)));
    }
    slope
}

/// Inverse of the lower Cholesky factor, scaled to a unit diagonal on the way.
fn whitening(mut covariance: DMatrix<f64>) -> Option<DMatrix<f64>> {
    for row in 0..covariance.nrows() {
        covariance[(row, row)] += EXACT_VARIANCE;
    }
    let scale = unit_diagonal_scale(&covariance)?;
    let root = (&scale * covariance * &scale).cholesky()?.unpack();
    root.solve_lower_triangular(&scale)
}
