//! The two poses of a square tag that explain its four corners about equally well.

use nalgebra::{Matrix2, Matrix3, Point2, Point3, Rotation3, Translation3, Vector3};

use super::{Pose, homography};

/// Both solutions of the planar pose problem; which one is true, the hinge has to decide.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanarPose {
    /// `camera_from_tag` of both; lengths in the unit of the tag's edge.
    pub candidates: [Pose; 2],
}

/// Corners of a tag in its own frame: top-left, top-right, bottom-right, bottom-left.
pub fn corners_in_tag(edge: f64) -> [Point3<f64>; 4] {
    let half = 0.5 * edge;
    [
        Point3::new(-half, half, 0.0),
        Point3::new(half, half, 0.0),
        Point3::new(half, -half, 0.0),
        Point3::new(-half, -half, 0.0),
    ]
}

impl PlanarPose {
    /// From the corners in normalised image coordinates (X/Z, Y/Z).
    ///
    /// Infinitesimal plane-based pose estimation: T. Collins and A. Bartoli, IJCV 109 (2014) 252,
    /// on the homography of the four corners. `None` if they are no picture of the tag's front.
    pub fn from_corners(edge: f64, normalised: &[Point2<f64>; 4]) -> Option<Self> {
        // The unit square of a homography has its second axis down, a tag's frame has y up.
        let square_from_tag = Matrix3::from_diagonal(&Vector3::new(2.0 / edge, -2.0 / edge, 1.0));
        let homography = homography::from_square(normalised)? * square_from_tag;
        let centre = Point2::new(homography[(0, 2)], homography[(1, 2)]);
        let slope = homography::steps(&homography, Point2::origin());
        // Seen from the front the tag's y points against the image's: orientation turns round.
        if slope.determinant() >= 0.0 {
            return None;
        }
        let camera_from_view = rotation_to(&Vector3::new(centre.x, centre.y, 1.0));
        let view = camera_from_view.matrix();
        let projected = Matrix2::new(
            view[(0, 0)] - centre.x * view[(2, 0)],
            view[(0, 1)] - centre.x * view[(2, 1)],
            view[(1, 0)] - centre.y * view[(2, 0)],
            view[(1, 1)] - centre.y * view[(2, 1)],
        );
        let scaled = projected.try_inverse()? * slope;
        let largest = scaled.singular_values().max();
        let upper = scaled / largest;
        let square = Matrix2::identity() - upper.transpose() * upper;
        let first = square[(0, 0)].max(0.0).sqrt();
        let second = square[(1, 1)].max(0.0).sqrt();
        let second = if square[(0, 1)] < 0.0 {
            -second
        } else {
            second
        };
        let candidate = |sign: f64| {
            let x = Vector3::new(upper[(0, 0)], upper[(1, 0)], sign * first);
            let y = Vector3::new(upper[(0, 1)], upper[(1, 1)], sign * second);
            let in_view = Matrix3::from_columns(&[x, y, x.cross(&y)]);
            // Orthonormal by construction: depth completes the columns to unit length.
            let rotation = camera_from_view * Rotation3::from_matrix_unchecked(in_view);
            with_translation(rotation, edge, normalised)
        };
        Some(Self {
            candidates: [candidate(1.0)?, candidate(-1.0)?],
        })
    }
}

/// The shortest turn from the optical axis to a direction in front of the camera.
fn rotation_to(direction: &Vector3<f64>) -> Rotation3<f64> {
    Rotation3::rotation_between(&Vector3::z(), direction).unwrap_or_else(Rotation3::identity)
}

/// The translation that fits the corners best, linearly, for a given rotation.
fn with_translation(
    rotation: Rotation3<f64>,
    edge: f64,
    normalised: &[Point2<f64>; 4],
) -> Option<Pose> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (corner, seen) in corners_in_tag(edge).iter().zip(normalised) {
        let turned = rotation * corner;
        for (row, offset) in [
            (
                Vector3::new(1.0, 0.0, -seen.x),
                seen.x * turned.z - turned.x,
            ),
            (
                Vector3::new(0.0, 1.0, -seen.y),
                seen.y * turned.z - turned.y,
            ),
        ] {
            normal += row * row.transpose();
            right += row * offset;
        }
    }
    let translation = normal.cholesky()?.solve(&right);
    (translation.z > 0.5 * edge)
        .then(|| Pose::from_parts(Translation3::from(translation), rotation))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn seen(pose: &Pose, edge: f64) -> [Point2<f64>; 4] {
        corners_in_tag(edge).map(|corner| {
            let point = pose * corner;
            Point2::new(point.x / point.z, point.y / point.z)
        })
    }

    fn facing(yaw: f64, pitch: f64, roll: f64, at: Vector3<f64>) -> Pose {
        let square_on =
            Rotation3::from_matrix(&Matrix3::from_diagonal(&Vector3::new(1.0, -1.0, -1.0)));
        let turned = Rotation3::from_euler_angles(pitch, yaw, roll);
        Pose::from_parts(Translation3::from(at), turned * square_on)
    }

    proptest! {
        #[test]
        fn one_of_the_two_is_the_true_pose(
            yaw in -1.0..1.0, pitch in -1.0..1.0, roll in -3.0..3.0,
            x in -300.0..300.0, y in -200.0..200.0, z in 500.0..1200.0,
        ) {
            let truth = facing(yaw, pitch, roll, Vector3::new(x, y, z));
            let poses = PlanarPose::from_corners(20.0, &seen(&truth, 20.0));
            // Turned too far, the camera sees the tag's back.
            let normal = truth.rotation * Vector3::z();
            prop_assume!(normal.dot(&Vector3::new(x, y, z)) < -20.0);
            let best = poses.unwrap().candidates.map(|pose| {
                (pose.rotation.matrix() - truth.rotation.matrix()).norm()
                    + (pose.translation.vector - truth.translation.vector).norm() / z
            });
            prop_assert!(best[0].min(best[1]) < 1e-6, "{best:?}");
        }
    }

    #[test]
    fn a_tag_exactly_square_on_has_two_like_poses() {
        let truth = facing(0.0, 0.0, 0.0, Vector3::new(0.0, 0.0, 800.0));
        let poses = PlanarPose::from_corners(20.0, &seen(&truth, 20.0)).unwrap();
        for pose in poses.candidates {
            assert!(pose.rotation.angle_to(&truth.rotation) < 1e-6);
        }
    }

    #[test]
    fn the_back_of_a_tag_has_no_pose() {
        let truth = facing(0.1, 0.2, 0.0, Vector3::new(0.0, 0.0, 800.0));
        let [a, b, c, d] = seen(&truth, 20.0);
        assert_eq!(PlanarPose::from_corners(20.0, &[b, a, d, c]), None);
    }
}
