//! Bundle adjustment: the camera and its pose in every view, by least squares on all points.
//!
//! The normal equations have the shape of an arrow: each view's pose meets the intrinsics but no
//! other view. Poses are eliminated view by view (Schur complement; Triggs et al., "Bundle
//! Adjustment — A Modern Synthesis", 2000, section 6.1), so the cost grows linearly with views.

use nalgebra::{Isometry3, Point3, SMatrix, SVector, Translation3, UnitQuaternion, Vector3};

use super::terms::DistortionTerms;
use crate::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};
use crate::solver::Loss;

/// Degrees of freedom of a pose: rotation, then translation, both in the camera frame.
pub(super) const POSE: usize = 6;

const MOST_STEPS: usize = 100;
/// The fit ends when a step promises to lower the cost by less than this share.
const CONVERGED: f64 = 1e-12;
const FIRST_DAMPING: f64 = 1e-3;
const LARGEST_DAMPING: f64 = 1e12;

pub(super) type Intrinsics = SVector<f64, INTRINSIC_COUNT>;
/// Normal matrices have the shape of the covariance that they give.
pub(super) type IntrinsicsSquare = IntrinsicsCovariance;

/// A point of the board, where it was seen, and the standard deviation of that.
#[derive(Debug, Clone, Copy)]
pub(super) struct WeightedPoint {
    pub on_board: Point3<f64>,
    pub in_image: nalgebra::Point2<f64>,
    pub sd_px: f64,
}

/// A camera and where it was in every view.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub camera: Camera,
    pub camera_from_board: Vec<Isometry3<f64>>,
}

/// The end of an adjustment.
pub(super) struct Adjusted {
    pub state: State,
    /// Sum of squared residuals over their variances, or of the loss in its place.
    pub cost: f64,
    /// What each view says of the intrinsics once its own pose is eliminated.
    pub views: Vec<ViewInformation>,
}

/// Normal equations of the intrinsics from one view, its pose eliminated.
#[derive(Debug, Clone, Copy)]
pub(super) struct ViewInformation {
    pub normal: IntrinsicsSquare,
    pub gradient: Intrinsics,
}

/// What is adjusted to what.
pub(super) struct Adjustment<'a> {
    pub views: &'a [Vec<WeightedPoint>],
    pub terms: DistortionTerms,
    pub loss: Loss,
}

/// Blocks of the normal equations that belong to one view.
struct ViewBlocks {
    intrinsics: IntrinsicsSquare,
    mixed: SMatrix<f64, INTRINSIC_COUNT, POSE>,
    pose: SMatrix<f64, POSE, POSE>,
    gradient_intrinsics: Intrinsics,
    gradient_pose: SVector<f64, POSE>,
}

impl Adjustment<'_> {
    /// Levenberg–Marquardt from a first state; `None` if a point of the board leaves the picture's
    /// side of the camera at the start, or if the points do not fix a pose.
    pub fn run(&self, start: State) -> Option<Adjusted> {
        let mut state = start;
        let mut cost = self.cost(&state)?;
        let mut damping = FIRST_DAMPING;
        for _ in 0..MOST_STEPS {
            let blocks = self.blocks(&state)?;
            let mut promised = 0.0;
            let mut accepted = false;
            while damping < LARGEST_DAMPING {
                let step = self.step(&blocks, damping);
                if let Some((intrinsics, poses, gain)) = step {
                    promised = gain;
                    let trial = moved(&state, &intrinsics, &poses);
                    if let Some(next) = self.cost(&trial).filter(|&next| next < cost) {
                        state = trial;
                        cost = next;
                        damping = (damping * 0.1).max(1e-12);
                        accepted = true;
                        break;
                    }
                    if promised <= CONVERGED * cost {
                        break;
                    }
                }
                damping *= 10.0;
            }
            if !accepted || promised <= CONVERGED * cost {
                break;
            }
        }
        let views = self
            .blocks(&state)?
            .iter()
            .map(|blocks| blocks.eliminated(0.0))
            .collect::<Option<Vec<_>>>()?;
        Some(Adjusted { state, cost, views })
    }

    fn cost(&self, state: &State) -> Option<f64> {
        let mut cost = 0.0;
        for (points, pose) in self.views.iter().zip(&state.camera_from_board) {
            for point in points {
                let seen = state.camera.project(&(pose * point.on_board))?;
                let squared = (seen - point.in_image).norm_squared() / point.sd_px.powi(2);
                cost += self.loss.value(squared);
            }
        }
        cost.is_finite().then_some(cost)
    }

    fn blocks(&self, state: &State) -> Option<Vec<ViewBlocks>> {
        self.views
            .iter()
            .zip(&state.camera_from_board)
            .map(|(points, pose)| self.view_blocks(points, &state.camera, pose))
            .collect()
    }

    fn view_blocks(
        &self,
        points: &[WeightedPoint],
        camera: &Camera,
        camera_from_board: &Isometry3<f64>,
    ) -> Option<ViewBlocks> {
        let mut blocks = ViewBlocks::zero();
        for point in points {
            let in_camera = camera_from_board * point.on_board;
            let projection = camera.project_with_jacobians(&in_camera)?;
            let residual = (projection.in_image - point.in_image) / point.sd_px;
            let weight = self.loss.weight(residual.norm_squared());
            let mut by_intrinsics = projection.by_intrinsics / point.sd_px;
            by_intrinsics
                .columns_range_mut(self.terms.intrinsics()..)
                .fill(0.0);
            // A small rotation ω about the camera's origin end moves the turned point by ω × Rx.
            let turned = in_camera.coords - camera_from_board.translation.vector;
            let by_point = projection.by_point / point.sd_px;
            let by_rotation = -by_point * turned.cross_matrix();
            let mut by_pose = SMatrix::<f64, 2, POSE>::zeros();
            by_pose.fixed_columns_mut::<3>(0).copy_from(&by_rotation);
            by_pose.fixed_columns_mut::<3>(3).copy_from(&by_point);

            blocks.intrinsics += by_intrinsics.transpose() * by_intrinsics * weight;
            blocks.mixed += by_intrinsics.transpose() * by_pose * weight;
            blocks.pose += by_pose.transpose() * by_pose * weight;
            blocks.gradient_intrinsics += by_intrinsics.transpose() * residual * weight;
            blocks.gradient_pose += by_pose.transpose() * residual * weight;
        }
        Some(blocks)
    }

    /// A damped step of intrinsics and poses, and the decrease of the cost that it promises.
    #[allow(clippy::type_complexity)]
    fn step(
        &self,
        blocks: &[ViewBlocks],
        damping: f64,
    ) -> Option<(Intrinsics, Vec<SVector<f64, POSE>>, f64)> {
        let mut normal = IntrinsicsSquare::zeros();
        let mut gradient = Intrinsics::zeros();
        for block in blocks {
            let reduced = block.eliminated(damping)?;
            normal += reduced.normal;
            gradient += reduced.gradient;
        }
        let diagonal: Intrinsics = blocks.iter().map(|block| block.intrinsics.diagonal()).sum();
        for i in 0..INTRINSIC_COUNT {
            // A term that is not estimated has an empty row: give it a step of zero.
            normal[(i, i)] += if i < self.terms.intrinsics() {
                damping * diagonal[i]
            } else {
                1.0
            };
        }
        let intrinsics = -normal.cholesky()?.solve(&gradient);
        let mut promised = 0.0;
        let mut poses = Vec::with_capacity(blocks.len());
        for block in blocks {
            let pull = block.gradient_pose + block.mixed.transpose() * intrinsics;
            let pose = -block.damped_pose(damping).cholesky()?.solve(&pull);
            promised -= 2.0 * block.gradient_intrinsics.dot(&intrinsics)
                + 2.0 * block.gradient_pose.dot(&pose)
                + intrinsics.dot(&(block.intrinsics * intrinsics))
                + 2.0 * intrinsics.dot(&(block.mixed * pose))
                + pose.dot(&(block.pose * pose));
            poses.push(pose);
        }
        Some((intrinsics, poses, promised))
    }
}

impl ViewBlocks {
    fn zero() -> Self {
        Self {
            intrinsics: SMatrix::zeros(),
            mixed: SMatrix::zeros(),
            pose: SMatrix::zeros(),
            gradient_intrinsics: SVector::zeros(),
            gradient_pose: SVector::zeros(),
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
            normal: self.intrinsics - carried * self.mixed.transpose(),
            gradient: self.gradient_intrinsics - carried * self.gradient_pose,
        })
    }
}

fn moved(state: &State, intrinsics: &Intrinsics, poses: &[SVector<f64, POSE>]) -> State {
    let camera_from_board = state
        .camera_from_board
        .iter()
        .zip(poses)
        .map(|(pose, step)| {
            let turn = UnitQuaternion::from_scaled_axis(Vector3::new(step[0], step[1], step[2]));
            let shift = Vector3::new(step[3], step[4], step[5]);
            Isometry3::from_parts(
                Translation3::from(pose.translation.vector + shift),
                turn * pose.rotation,
            )
        })
        .collect();
    State {
        camera: Camera::from_intrinsics(&(state.camera.intrinsics() + intrinsics)),
        camera_from_board,
    }
}
