//! Bundle adjustment: the camera and its pose in every view, by least squares on all points.
//!
//! The normal equations are arrow-shaped: each view's pose is coupled to the shared numbers (the
//! intrinsics and the board's bend), but to no other view. Poses are eliminated view by view (Schur
//! complement; Triggs et al., "Bundle Adjustment — A Modern Synthesis", 2000, section 6.1), so the
//! cost grows linearly with views.

use nalgebra::{
    Isometry3, Matrix2x3, Matrix2x6, Point2, Point3, SMatrix, SVector, Translation3,
    UnitQuaternion, Vector3,
};

use super::terms::{BEND, BoardShape, DistortionTerms};
use crate::camera::{Camera, INTRINSIC_COUNT};
use crate::solver::{Change, Descent, Ending, Loss, Policy, descend};

/// Degrees of freedom of a pose: rotation, then translation, both in the camera frame.
pub(super) const POSE: usize = 6;

/// The adjustment ends where a step predicts to lower the cost by less than a millionth of a millionth, which is
/// about how exact costs are, or changes it by less than a thousand times as much: the parameters then move by
/// a thousandth of their standard deviations. Distortion that the views hardly determine creeps there.
const POLICY: Policy = Policy {
    damping: 1e-3,
    eased: 0.1,
    raised: 10.0,
    least_damping: 1e-12,
    most_damping: 1e12,
    hardly_damped: f64::INFINITY,
    steps: 400,
    predicted: Change::relative(1e-12),
    decrease: Change::relative(1e-9),
    increase: Change::relative(1e-9),
};

/// Numbers that all views share: the intrinsics, then the board's bend.
pub(super) const SHARED: usize = INTRINSIC_COUNT + BEND;

/// A vector of the shared numbers.
pub(super) type Shared = SVector<f64, SHARED>;
/// A matrix of the shared numbers.
pub(super) type SharedSquare = SMatrix<f64, SHARED, SHARED>;

/// A point of the board, where it was seen, and the standard deviation of that.
#[derive(Debug, Clone, Copy)]
pub(super) struct WeightedPoint {
    pub on_board_mm: Point2<f64>,
    /// How the point rises with each number of the board's bend.
    pub rise: Vector3<f64>,
    pub in_image_px: Point2<f64>,
    pub sd_px: f64,
}

/// A camera, a board, and where the camera was in every view.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub camera: Camera,
    /// Bend of the board, mm (see [`BoardShape`]).
    pub bend_mm: Vector3<f64>,
    pub camera_from_board: Vec<Isometry3<f64>>,
}

impl State {
    /// Where a point of the board is seen in a view.
    pub fn project(&self, view: usize, point: &WeightedPoint) -> Option<Point2<f64>> {
        let in_camera = self.camera_from_board[view] * self.on_board(point);
        self.camera.project(&in_camera)
    }

    /// The shared numbers as one vector.
    pub fn shared(&self) -> Shared {
        let mut shared = Shared::zeros();
        shared
            .fixed_rows_mut::<INTRINSIC_COUNT>(0)
            .copy_from(&self.camera.intrinsics());
        shared
            .fixed_rows_mut::<BEND>(INTRINSIC_COUNT)
            .copy_from(&self.bend_mm);
        shared
    }

    fn on_board(&self, point: &WeightedPoint) -> Point3<f64> {
        let flat = point.on_board_mm;
        Point3::new(flat.x, flat.y, point.rise.dot(&self.bend_mm))
    }
}

/// The end of an adjustment.
pub(super) struct Adjusted {
    pub state: State,
    /// Sum of squared residuals over their variances, or of the loss in its place.
    pub cost: f64,
    /// Why the adjustment ended.
    pub ending: Ending,
    /// Information of each view on the intrinsics, its own pose eliminated.
    pub views: Vec<ViewInformation>,
}

/// Normal equations of the shared numbers from one view, its pose eliminated.
#[derive(Debug, Clone, Copy)]
pub(super) struct ViewInformation {
    pub normal: SharedSquare,
    pub gradient: Shared,
    /// The cost of this view.
    pub cost: f64,
}

/// The adjustment problem: observations and unknowns.
pub(super) struct Adjustment<'a> {
    pub views: &'a [Vec<WeightedPoint>],
    pub terms: DistortionTerms,
    pub shape: BoardShape,
    pub loss: Loss,
}

/// Blocks of the normal equations that belong to one view.
pub(super) struct ViewBlocks {
    shared: SharedSquare,
    mixed: SMatrix<f64, SHARED, POSE>,
    pose: SMatrix<f64, POSE, POSE>,
    gradient_shared: Shared,
    gradient_pose: SVector<f64, POSE>,
    cost: f64,
}

/// A step of the adjustment and the decrease of the cost that it promises.
struct Step {
    shared: Shared,
    poses: Vec<SVector<f64, POSE>>,
    promised: f64,
}

impl Adjustment<'_> {
    /// Adjusts from a first state; `None` if a point of the board leaves the picture's side of the
    /// camera at the start, or if the points do not fix a pose.
    pub fn run(&self, start: State) -> Option<Adjusted> {
        let found = descend(self, start, &POLICY).ok()?;
        let views = self
            .blocks(&found.state)?
            .iter()
            .map(|blocks| blocks.eliminated(0.0))
            .collect::<Option<Vec<_>>>()?;
        Some(Adjusted {
            state: found.state,
            cost: found.cost,
            ending: found.ending,
            views,
        })
    }

    fn blocks(&self, state: &State) -> Option<Vec<ViewBlocks>> {
        let views = self.views.iter().enumerate();
        views
            .map(|(view, points)| self.view_blocks(view, points, state))
            .collect()
    }

    fn view_blocks(
        &self,
        view: usize,
        points: &[WeightedPoint],
        state: &State,
    ) -> Option<ViewBlocks> {
        let camera_from_board = &state.camera_from_board[view];
        let normal = camera_from_board.rotation * Vector3::z();
        let mut blocks = ViewBlocks::zero();
        for point in points {
            let in_camera = camera_from_board * state.on_board(point);
            let projection = state.camera.project_with_jacobians(&in_camera)?;
            let residual = (projection.in_image - point.in_image_px) / point.sd_px;
            let weight = self.loss.weight(residual.norm_squared());
            blocks.cost += self.loss.value(residual.norm_squared());
            let by_point = projection.by_point / point.sd_px;
            let mut by_shared = SMatrix::<f64, 2, SHARED>::zeros();
            by_shared
                .columns_range_mut(..self.terms.intrinsics())
                .copy_from(
                    &(projection.by_intrinsics.columns(0, self.terms.intrinsics()) / point.sd_px),
                );
            if self.shape == BoardShape::Bent {
                let by_bend = by_point * normal * point.rise.transpose();
                by_shared
                    .fixed_columns_mut::<BEND>(INTRINSIC_COUNT)
                    .copy_from(&by_bend);
            }
            let by_pose = by_pose(&by_point, camera_from_board, &in_camera);
            blocks.shared += by_shared.transpose() * by_shared * weight;
            blocks.mixed += by_shared.transpose() * by_pose * weight;
            blocks.pose += by_pose.transpose() * by_pose * weight;
            blocks.gradient_shared += by_shared.transpose() * residual * weight;
            blocks.gradient_pose += by_pose.transpose() * residual * weight;
        }
        Some(blocks)
    }

    /// A damped step.
    fn damped_step(&self, blocks: &[ViewBlocks], damping: f64) -> Option<Step> {
        let mut normal = SharedSquare::zeros();
        let mut gradient = Shared::zeros();
        for block in blocks {
            let reduced = block.eliminated(damping)?;
            normal += reduced.normal;
            gradient += reduced.gradient;
        }
        let diagonal: Shared = blocks.iter().map(|block| block.shared.diagonal()).sum();
        for index in 0..SHARED {
            // A number that is not estimated has an empty row: its step is zero.
            normal[(index, index)] += if is_estimated(index, self.terms, self.shape) {
                damping * diagonal[index]
            } else {
                1.0
            };
        }
        let shared = -normal.cholesky()?.solve(&gradient);
        let mut promised = 0.0;
        let mut poses = Vec::with_capacity(blocks.len());
        for block in blocks {
            let pull = block.gradient_pose + block.mixed.transpose() * shared;
            let pose = -block.damped_pose(damping).cholesky()?.solve(&pull);
            promised -= 2.0 * block.gradient_shared.dot(&shared)
                + 2.0 * block.gradient_pose.dot(&pose)
                + shared.dot(&(block.shared * shared))
                + 2.0 * shared.dot(&(block.mixed * pose))
                + pose.dot(&(block.pose * pose));
            poses.push(pose);
        }
        Some(Step {
            shared,
            poses,
            promised,
        })
    }
}

impl Descent for Adjustment<'_> {
    type State = State;
    type Equations = Vec<ViewBlocks>;

    fn equations(&self, state: &State, _damping: f64) -> Option<(Vec<ViewBlocks>, f64)> {
        let blocks = self.blocks(state)?;
        let cost = blocks.iter().map(|block| block.cost).sum();
        Some((blocks, cost))
    }

    fn step(
        &self,
        state: &State,
        blocks: &mut Vec<ViewBlocks>,
        damping: f64,
    ) -> Option<(State, f64)> {
        let step = self.damped_step(blocks, damping)?;
        Some((moved(state, &step), step.promised))
    }

    fn cost(&self, state: &State) -> Option<f64> {
        let mut cost = 0.0;
        for (view, points) in self.views.iter().enumerate() {
            for point in points {
                let seen = state.project(view, point)?;
                let squared = (seen - point.in_image_px).norm_squared() / point.sd_px.powi(2);
                cost += self.loss.value(squared);
            }
        }
        cost.is_finite().then_some(cost)
    }
}

/// Places of the numbers that the views share and that are estimated.
pub(super) fn estimated(terms: DistortionTerms, shape: BoardShape) -> Vec<usize> {
    (0..SHARED)
        .filter(|&index| is_estimated(index, terms, shape))
        .collect()
}

fn is_estimated(index: usize, terms: DistortionTerms, shape: BoardShape) -> bool {
    index < terms.intrinsics() || (index >= INTRINSIC_COUNT && shape == BoardShape::Bent)
}

impl ViewBlocks {
    fn zero() -> Self {
        Self {
            shared: SMatrix::zeros(),
            mixed: SMatrix::zeros(),
            pose: SMatrix::zeros(),
            gradient_shared: SVector::zeros(),
            gradient_pose: SVector::zeros(),
            cost: 0.0,
        }
    }

    fn damped_pose(&self, damping: f64) -> SMatrix<f64, POSE, POSE> {
        let mut damped = self.pose;
        for i in 0..POSE {
            damped[(i, i)] *= 1.0 + damping;
        }
        damped
    }

    fn eliminated(&self, damping: f64) -> Option<ViewInformation> {
        let inverse = self.damped_pose(damping).cholesky()?.inverse();
        let carried = self.mixed * inverse;
        Some(ViewInformation {
            normal: self.shared - carried * self.mixed.transpose(),
            gradient: self.gradient_shared - carried * self.gradient_pose,
            cost: self.cost,
        })
    }
}

fn moved(state: &State, step: &Step) -> State {
    let camera_from_board = state
        .camera_from_board
        .iter()
        .zip(&step.poses)
        .map(|(pose, step)| {
            let turn = UnitQuaternion::from_scaled_axis(step.fixed_rows::<3>(0).into_owned());
            Isometry3::from_parts(
                Translation3::from(pose.translation.vector + step.fixed_rows::<3>(3)),
                turn * pose.rotation,
            )
        })
        .collect();
    let intrinsics = step.shared.fixed_rows::<INTRINSIC_COUNT>(0);
    State {
        camera: Camera::from_intrinsics(&(state.camera.intrinsics() + intrinsics)),
        bend_mm: state.bend_mm + step.shared.fixed_rows::<BEND>(INTRINSIC_COUNT),
        camera_from_board,
    }
}

/// How a pixel moves with a small turn about the board's origin and a shift, both in the camera frame.
pub(in crate::camera) fn by_pose(
    by_point: &Matrix2x3<f64>,
    camera_from_board: &Isometry3<f64>,
    in_camera: &Point3<f64>,
) -> Matrix2x6<f64> {
    // A small rotation ω moves the turned point Rx by ω × Rx.
    let turned = in_camera.coords - camera_from_board.translation.vector;
    let mut by_pose = Matrix2x6::zeros();
    by_pose
        .fixed_columns_mut::<3>(0)
        .copy_from(&(-by_point * turned.cross_matrix()));
    by_pose.fixed_columns_mut::<3>(3).copy_from(by_point);
    by_pose
}
