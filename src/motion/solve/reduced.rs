//! The reduced system of the constants, and how the eliminated unknowns of the frames follow them.

use nalgebra::{Cholesky, Const, DMatrix, DVector, Dyn, OMatrix, SVector};

use crate::motion::problem::parameters::VIEW_UNKNOWNS;
use crate::solver::scaled_inverse;

pub(in crate::motion) type ViewVector = SVector<f64, VIEW_UNKNOWNS>;
pub(super) type ViewRows = OMatrix<f64, Const<VIEW_UNKNOWNS>, Dyn>;

/// How an eliminated deflection follows everything else: −(coupling · rest) / curvature.
#[derive(Debug, Clone)]
pub(in crate::motion) struct AngleElimination {
    pub surface: usize,
    pub by_view: ViewVector,
    /// Constants and how the deflection is coupled to them.
    pub by_constants: Vec<(usize, f64)>,
    pub gradient: f64,
    pub curvature: f64,
    /// Weight that the sighting had.
    pub weight: f64,
    /// Weight of the frame's other sightings, and so of its pose.
    pub share: f64,
}

impl AngleElimination {
    /// Variance of the deflection given constants and pose, rad², without the weight that the
    /// sighting has in the constants.
    pub fn variance_by_itself(&self) -> f64 {
        self.weight / self.curvature
    }
}

/// How an eliminated view, a camera pose and the motion of its picture, follows the constants.
#[derive(Debug, Clone)]
pub(in crate::motion) struct ViewElimination {
    /// One column a constant, and the gradient behind them.
    pub(super) coupling: ViewRows,
    /// Of the view's own information; unknowns that are not fitted have a one on its diagonal.
    pub root: Cholesky<f64, Const<VIEW_UNKNOWNS>>,
}

impl ViewElimination {
    /// The view's step that belongs to a step of the constants.
    pub fn step(&self, constants: &DVector<f64>) -> ViewVector {
        let count = constants.len();
        let slope = self.coupling.columns(0, count) * constants + self.coupling.column(count);
        -self.root.solve(&slope)
    }

    /// How a quantity follows the constants by way of the view, from how it follows the view.
    pub fn by_constants(&self, by_view: &ViewVector) -> DVector<f64> {
        let count = self.coupling.ncols() - 1;
        -self
            .coupling
            .columns(0, count)
            .tr_mul(&self.root.solve(by_view))
    }
}

/// The eliminated unknowns of one frame.
#[derive(Debug, Clone, Default)]
pub(in crate::motion) struct FrameElimination {
    pub view: Option<ViewElimination>,
    pub angles: Vec<AngleElimination>,
}

/// The reduced system of the constants, with the data for back-substitution.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Reduced {
    pub information: DMatrix<f64>,
    pub gradient: DVector<f64>,
    /// Diagonal before elimination: the scale of each constant.
    pub scale: DVector<f64>,
    pub frames: Vec<FrameElimination>,
    /// Half the sum of the losses at this point; infinite outside the model.
    pub cost: f64,
    /// By how much the frames' own unknowns promise to lower the cost, the constants held.
    pub promised: f64,
    /// The point is outside the model, or leaves a camera pose undetermined.
    pub broken: bool,
}

impl Reduced {
    /// Covariance of the first constants, those that the fit moves; `None` if they are not determined.
    pub fn covariance(&self, fitted: usize) -> Option<DMatrix<f64>> {
        let information = self.information.view((0, 0), (fitted, fitted));
        (!self.broken).then(|| scaled_inverse(&information.into_owned()))?
    }
}
