//! How the whole picture of a camera that stands still may move.

use nalgebra::{Matrix2x3, Point2, Vector2, Vector3};

use crate::camera::Camera;
use crate::motion::problem::prediction::turning;

/// What a motion may be, as standard deviations: shift (px) or turn (rad, in shifts of the picture), growth.
/// They only matter for frames with few points.
const SHIFT_SD_PX: f64 = 40.0;
const GROWTH_SD: f64 = 0.005;

/// A motion of the whole picture.
#[derive(Debug, Clone, Copy)]
pub(super) enum Model {
    /// Shift (px) and growth.
    Picture,
    /// Turn of the camera, rad.
    Turn,
}

impl Model {
    /// How a point in the picture follows the three numbers.
    pub fn slopes(self, camera: &Camera, place_px: &Vector2<f64>) -> Option<Matrix2x3<f64>> {
        match self {
            Self::Picture => {
                let from_centre = place_px - Vector2::new(camera.cx, camera.cy);
                Some(Matrix2x3::new(
                    1.0,
                    0.0,
                    from_centre.x,
                    0.0,
                    1.0,
                    from_centre.y,
                ))
            }
            Self::Turn => {
                let ray = camera.undistort(&Point2::from(*place_px))?.to_homogeneous();
                let projection = camera.project_with_jacobians(&ray.into())?;
                Some(projection.by_point * turning(&ray))
            }
        }
    }

    /// Inverse variances of the numbers beforehand.
    pub fn information(self, camera: &Camera) -> Vector3<f64> {
        match self {
            Self::Picture => Vector3::new(
                SHIFT_SD_PX.powi(-2),
                SHIFT_SD_PX.powi(-2),
                GROWTH_SD.powi(-2),
            ),
            Self::Turn => Vector3::from_element((camera.fx / SHIFT_SD_PX).powi(2)),
        }
    }
}
