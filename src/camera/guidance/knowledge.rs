//! What the kept views say about the intrinsics, and what one more view would add.
//!
//! With c the intrinsics and p a view's pose, a view that sees points with standard deviation σ adds
//!
//! ```text
//! H = (Jcᵀ Jc − Jcᵀ Jp (Jpᵀ Jp)⁻¹ Jpᵀ Jc) / σ²
//! ```
//!
//! to the information on c. With g the row by which the deflection of 30° moves with c (the one that
//! the verdict judges), the variance that the profile adds is g N⁻¹ gᵀ, N the sum over the views, and
//! (N + H)⁻¹ in its place shows what the view is worth. All distortion terms count here from the first
//! view on, with a weak prior: a term that the fit leaves out as not significant is not known to be zero.

use nalgebra::{Isometry3, Point2, RowSVector, SMatrix, SVector};

use super::super::calibration::{Calibration, USUAL_FOCAL, by_pose, deflections_by_intrinsics};
use super::placing::in_space;
use crate::camera::{Camera, INTRINSIC_COUNT, IntrinsicsCovariance};

/// Prior standard deviation of both focal lengths together, over the focal length: from a wide to a
/// long main camera of phones and webcams (common practice, no source).
const FOCAL_SD: f64 = 0.2;
/// … of their difference: pixels are square to 1 %.
const SQUARE_SD: f64 = 0.01;
/// … of the principal point from the middle, over the picture's width.
const CENTRE_SD: f64 = 0.05;
/// … of k1 k2 p1 p2 k3, as plain lenses have them (common practice, no source).
const DISTORTION_SD: [f64; 5] = [0.2, 0.3, 0.003, 0.003, 0.3];
/// Standard deviation of a crossing's coordinate before a fit shows it, px: a sharp picture.
const USUAL_SD_PX: f64 = 0.1;

/// … and the least that is believed of a fit, px.
const SMALLEST_SD_PX: f64 = 0.01;

/// Information on fx fy cx cy k1 k2 p1 p2 k3; it has the shape of the covariance that it gives.
pub(super) type Information = IntrinsicsCovariance;

/// What is known of the camera.
#[derive(Debug, Clone)]
pub(super) struct Knowledge {
    pub camera: Camera,
    /// Standard deviation of a crossing's coordinate, widened by the scatter between places.
    sd_px: f64,
    /// Of the views and the prior together.
    information: Information,
    by_side: [RowSVector<f64, INTRINSIC_COUNT>; 2],
}

impl Knowledge {
    /// What is known before the first view; `None` for an absurd size of the picture.
    pub fn before_views(size_px: (usize, usize)) -> Option<Self> {
        let (width, height) = (size_px.0 as f64, size_px.1 as f64);
        let focal_px = USUAL_FOCAL * width.max(height);
        let camera = Camera {
            fx: focal_px,
            fy: focal_px,
            cx: (width - 1.0) / 2.0,
            cy: (height - 1.0) / 2.0,
            distortion: [0.0; 5],
        };
        Self::of(camera, USUAL_SD_PX, size_px)
    }

    /// What is known with a fitted camera, before the information of its views is added.
    pub fn of_fit(calibration: &Calibration) -> Option<Self> {
        // The RMS is of distances, which have two coordinates.
        let sd_px = calibration.rms_px * (calibration.between_views / 2.0).sqrt();
        let sd_px = sd_px.max(SMALLEST_SD_PX);
        Self::of(calibration.camera, sd_px, calibration.size_px)
    }

    fn of(camera: Camera, sd_px: f64, size_px: (usize, usize)) -> Option<Self> {
        Some(Self {
            camera,
            sd_px,
            information: prior(&camera, size_px.0 as f64)?,
            by_side: deflections_by_intrinsics(&camera, size_px.0)?,
        })
    }

    /// The same with one view more.
    pub fn add(&mut self, view: &Information) {
        self.information += view;
    }

    /// Information of a view that shows some points of a board in a pose.
    pub fn of_view(
        &self,
        camera_from_board: &Isometry3<f64>,
        on_board_mm: impl Iterator<Item = Point2<f64>>,
    ) -> Option<Information> {
        let mut intrinsics = Information::zeros();
        let mut mixed = SMatrix::<f64, INTRINSIC_COUNT, 6>::zeros();
        let mut pose = SMatrix::<f64, 6, 6>::zeros();
        for point in on_board_mm {
            let in_camera = camera_from_board * in_space(point);
            let projection = self.camera.project_with_jacobians(&in_camera)?;
            let by_pose = by_pose(&projection.by_point, camera_from_board, &in_camera);
            let by_intrinsics = projection.by_intrinsics;
            intrinsics += by_intrinsics.transpose() * by_intrinsics;
            mixed += by_intrinsics.transpose() * by_pose;
            pose += by_pose.transpose() * by_pose;
        }
        let carried = mixed * pose.cholesky()?.inverse();
        Some((intrinsics - carried * mixed.transpose()) / self.sd_px.powi(2))
    }

    /// Variance of a 30° deflection with a view more, rad²: the mean of a tag left and a tag right of
    /// the middle.
    pub fn variance_with(&self, view: &Information) -> Option<f64> {
        let total = (self.information + view).cholesky()?;
        let sides = self.by_side.iter();
        let variances = sides.map(|by| by.transpose().dot(&total.solve(&by.transpose())));
        Some(variances.sum::<f64>() / self.by_side.len() as f64)
    }

    /// The share of the present variance that a view takes away, 0 to 1.
    pub fn gain(&self, view: &Information) -> Option<f64> {
        let before = self.variance_with(&Information::zeros())?;
        Some(1.0 - self.variance_with(view)? / before)
    }
}

fn prior(camera: &Camera, width_px: f64) -> Option<Information> {
    let focal_px = (camera.fx + camera.fy) / 2.0;
    let mut sds = SVector::<f64, INTRINSIC_COUNT>::zeros();
    sds.fixed_rows_mut::<2>(0).fill(focal_px * SQUARE_SD);
    sds.fixed_rows_mut::<2>(2).fill(width_px * CENTRE_SD);
    sds.fixed_rows_mut::<5>(4).copy_from_slice(&DISTORTION_SD);
    let mut covariance = Information::from_diagonal(&sds.component_mul(&sds));
    covariance
        .fixed_view_mut::<2, 2>(0, 0)
        .add_scalar_mut((focal_px * FOCAL_SD).powi(2));
    Some(covariance.cholesky()?.inverse())
}
