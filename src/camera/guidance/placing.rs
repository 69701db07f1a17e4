//! Where a board was held, for a camera that is known at least roughly.

use nalgebra::{Isometry3, Matrix6, Point2, Point3, Translation3, UnitQuaternion, Vector6};

use super::super::calibration::{BoardView, by_pose, first_pose};
use crate::camera::Camera;
use crate::geometry::homography;

/// Gauss–Newton steps from the closed form; four are enough for a thousandth of a pixel.
const STEPS: usize = 6;
/// A camera whose picture is in normalised coordinates.
const NORMALISED: Camera = Camera {
    fx: 1.0,
    fy: 1.0,
    cx: 0.0,
    cy: 0.0,
    distortion: [0.0; 5],
};

/// Where a board was held in a view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed {
    pub camera_from_board: Isometry3<f64>,
    /// RMS distance between points seen and points projected.
    pub rms_px: f64,
}

/// Fits the board's pose to a view with the camera held; `None` where the camera cannot see the view.
pub(super) fn placed(camera: &Camera, view: &BoardView) -> Option<Placed> {
    let (mut on_board, mut normalised) = (Vec::new(), Vec::new());
    for point in &view.points {
        on_board.push(point.on_board_mm);
        normalised.push(camera.undistort(&point.in_image_px)?);
    }
    let mut pose = first_pose(&NORMALISED, &homography::between(&on_board, &normalised)?);
    for _ in 0..STEPS {
        pose = stepped(camera, view, &pose)?;
    }
    let squares = view.points.iter().map(|point| {
        let seen = camera.project(&(pose * in_space(point.on_board_mm)))?;
        Some((seen - point.in_image_px).norm_squared())
    });
    let sum: f64 = squares.sum::<Option<f64>>()?;
    Some(Placed {
        camera_from_board: pose,
        rms_px: (sum / view.points.len() as f64).sqrt(),
    })
}

fn stepped(camera: &Camera, view: &BoardView, pose: &Isometry3<f64>) -> Option<Isometry3<f64>> {
    let mut normal = Matrix6::zeros();
    let mut gradient = Vector6::zeros();
    for point in &view.points {
        let in_camera = pose * in_space(point.on_board_mm);
        let projection = camera.project_with_jacobians(&in_camera)?;
        let by_pose = by_pose(&projection.by_point, pose, &in_camera);
        normal += by_pose.transpose() * by_pose;
        gradient += by_pose.transpose() * (projection.in_image - point.in_image_px);
    }
    let step = -normal.cholesky()?.solve(&gradient);
    let turn = UnitQuaternion::from_scaled_axis(step.fixed_rows::<3>(0).into_owned());
    Some(Isometry3::from_parts(
        Translation3::from(pose.translation.vector + step.fixed_rows::<3>(3)),
        turn * pose.rotation,
    ))
}

/// A point of the flat board in its frame.
pub(super) fn in_space(on_board_mm: Point2<f64>) -> Point3<f64> {
    Point3::new(on_board_mm.x, on_board_mm.y, 0.0)
}
