//! Projection through the lens and back.
//!
//! Brown–Conrady distortion (D. C. Brown, "Decentering distortion of lenses", 1966) in OpenCV's
//! parameter order: with x = X/Z, y = Y/Z, r² = x² + y² and
//! g = 1 + k1 r² + k2 r⁴ + k3 r⁶,
//!
//! ```text
//! x' = x g + 2 p1 x y + p2 (r² + 2 x²)        u = fx x' + cx
//! y' = y g + p1 (r² + 2 y²) + 2 p2 x y        v = fy y' + cy
//! ```

use nalgebra::{Matrix2, Matrix2x3, Point2, Point3, SMatrix, SVector};

use super::{Camera, INTRINSIC_COUNT};

/// Smallest depth that is projected, in the unit of the point: a point behind the camera has no
/// picture.
const SMALLEST_DEPTH: f64 = 1e-9;

/// Steps of Newton's method allowed in [`Camera::undistort`]; five are usual.
const UNDISTORT_STEPS: usize = 50;

/// Normalised coordinates are undistorted to this, a millionth of a pixel or better.
const UNDISTORT_TOLERANCE: f64 = 1e-13;

/// A projected point with its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Projection {
    /// The point in the image, px.
    pub in_image: Point2<f64>,
    /// Derivative with respect to the point in the camera frame, px per unit of the point.
    pub by_point: Matrix2x3<f64>,
    /// Derivative with respect to fx fy cx cy k1 k2 p1 p2 k3.
    pub by_intrinsics: SMatrix<f64, 2, INTRINSIC_COUNT>,
}

/// A normalised point after distortion, with the terms of its derivatives.
struct Distorted {
    point: Point2<f64>,
    by_normalised: Matrix2<f64>,
    by_distortion: SMatrix<f64, 2, 5>,
}

impl Camera {
    /// A camera from fx fy cx cy k1 k2 p1 p2 k3.
    pub fn from_intrinsics(intrinsics: &SVector<f64, INTRINSIC_COUNT>) -> Self {
        Self {
            fx: intrinsics[0],
            fy: intrinsics[1],
            cx: intrinsics[2],
            cy: intrinsics[3],
            distortion: std::array::from_fn(|index| intrinsics[4 + index]),
        }
    }

    /// fx fy cx cy k1 k2 p1 p2 k3.
    pub fn intrinsics(&self) -> SVector<f64, INTRINSIC_COUNT> {
        let [k1, k2, p1, p2, k3] = self.distortion;
        SVector::from([self.fx, self.fy, self.cx, self.cy, k1, k2, p1, p2, k3])
    }

    /// The same camera for a picture of `width_factor` times the width and height.
    ///
    /// Pixel centres are integers, so the picture's corner at (−½, −½) stays in place.
    pub fn scaled(&self, width_factor: f64) -> Self {
        Self {
            fx: self.fx * width_factor,
            fy: self.fy * width_factor,
            cx: (self.cx + 0.5) * width_factor - 0.5,
            cy: (self.cy + 0.5) * width_factor - 0.5,
            distortion: self.distortion,
        }
    }

    /// Where a point of the camera frame is seen, px.
    ///
    /// `None` behind the camera, and so far off the axis that the distortion folds back.
    #[inline]
    pub fn project(&self, point_in_camera: &Point3<f64>) -> Option<Point2<f64>> {
        let normalised = normalise(point_in_camera)?;
        Some(self.image_from_distorted(&self.distorted_point(&normalised)?))
    }

    /// [`Camera::project`] with the derivatives by the point and by the intrinsics.
    #[inline]
    pub fn project_with_jacobians(&self, point_in_camera: &Point3<f64>) -> Option<Projection> {
        let normalised = normalise(point_in_camera)?;
        let distorted = self.distort(&normalised)?;
        let focal = Matrix2::new(self.fx, 0.0, 0.0, self.fy);
        let inverse_depth = point_in_camera.z.recip();
        let normalised_by_point = Matrix2x3::new(
            inverse_depth,
            0.0,
            -normalised.x * inverse_depth,
            0.0,
            inverse_depth,
            -normalised.y * inverse_depth,
        );
        let mut by_intrinsics = SMatrix::<f64, 2, INTRINSIC_COUNT>::zeros();
        by_intrinsics[(0, 0)] = distorted.point.x;
        by_intrinsics[(1, 1)] = distorted.point.y;
        by_intrinsics[(0, 2)] = 1.0;
        by_intrinsics[(1, 3)] = 1.0;
        by_intrinsics
            .fixed_view_mut::<2, 5>(0, 4)
            .copy_from(&(focal * distorted.by_distortion));
        Some(Projection {
            in_image: self.image_from_distorted(&distorted.point),
            by_point: focal * distorted.by_normalised * normalised_by_point,
            by_intrinsics,
        })
    }

    /// The normalised point (X/Z, Y/Z) that is seen at a place of the image, by Newton's method.
    ///
    /// `None` where the distortion has no inverse: too far outside the picture.
    pub fn undistort(&self, point_in_image: &Point2<f64>) -> Option<Point2<f64>> {
        let wanted = Point2::new(
            (point_in_image.x - self.cx) / self.fx,
            (point_in_image.y - self.cy) / self.fy,
        );
        if !wanted.coords.norm().is_finite() {
            return None;
        }
        let mut normalised = wanted;
        // Halve the start towards the axis until the distortion is regular there.
        while self.distort(&normalised).is_none() {
            normalised *= 0.5;
            if normalised.coords.norm() <= UNDISTORT_TOLERANCE {
                return None;
            }
        }
        for _ in 0..UNDISTORT_STEPS {
            let distorted = self.distort(&normalised)?;
            let miss = wanted - distorted.point;
            if miss.norm() <= UNDISTORT_TOLERANCE {
                return Some(normalised);
            }
            let step = distorted.by_normalised.try_inverse()? * miss;
            normalised = self.shortened_step(&normalised, &step, &wanted)?;
        }
        let miss = wanted - self.distort(&normalised)?.point;
        (miss.norm() <= UNDISTORT_TOLERANCE.sqrt()).then_some(normalised)
    }

    /// Takes a Newton step, halved until it comes nearer to the wanted point.
    fn shortened_step(
        &self,
        from: &Point2<f64>,
        step: &nalgebra::Vector2<f64>,
        wanted: &Point2<f64>,
    ) -> Option<Point2<f64>> {
        let miss_before = (wanted - self.distort(from)?.point).norm();
        (0..UNDISTORT_STEPS)
            .map(|halvings| from + step * 0.5_f64.powi(halvings as i32))
            .find(|candidate| {
                self.distort(candidate)
                    .is_some_and(|after| (wanted - after.point).norm() < miss_before)
            })
            // At the limit of rounding no step comes nearer: stay.
            .or(Some(*from))
    }

    #[inline]
    fn image_from_distorted(&self, distorted: &Point2<f64>) -> Point2<f64> {
        Point2::new(
            self.fx * distorted.x + self.cx,
            self.fy * distorted.y + self.cy,
        )
    }

    /// Distorts a normalised point; `None` where the radial part no longer grows outward.
    #[inline]
    fn distorted_point(&self, normalised: &Point2<f64>) -> Option<Point2<f64>> {
        let [k1, k2, p1, p2, k3] = self.distortion;
        let (x, y) = (normalised.x, normalised.y);
        let r2 = x * x + y * y;
        let growth = 1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + r2 * 7.0 * k3));
        if growth.is_nan() || growth <= 0.0 {
            return None;
        }
        let radial = self.radial(r2);
        Some(Point2::new(
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ))
    }

    #[inline]
    fn radial(&self, r2: f64) -> f64 {
        let [k1, k2, _, _, k3] = self.distortion;
        1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    }

    /// [`Camera::distorted_point`] with its derivatives.
    #[inline]
    fn distort(&self, normalised: &Point2<f64>) -> Option<Distorted> {
        let point = self.distorted_point(normalised)?;
        let [k1, k2, p1, p2, k3] = self.distortion;
        let (x, y) = (normalised.x, normalised.y);
        let r2 = x * x + y * y;
        let radial = self.radial(r2);
        let radial_by_r2 = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);
        let cross = 2.0 * x * y * radial_by_r2 + 2.0 * p1 * x + 2.0 * p2 * y;
        let by_normalised = Matrix2::new(
            radial + 2.0 * x * x * radial_by_r2 + 2.0 * p1 * y + 6.0 * p2 * x,
            cross,
            cross,
            radial + 2.0 * y * y * radial_by_r2 + 6.0 * p1 * y + 2.0 * p2 * x,
        );
        let (r4, r6) = (r2 * r2, r2 * r2 * r2);
        let by_distortion = SMatrix::<f64, 2, 5>::new(
            x * r2,
            x * r4,
            2.0 * x * y,
            r2 + 2.0 * x * x,
            x * r6,
            y * r2,
            y * r4,
            r2 + 2.0 * y * y,
            2.0 * x * y,
            y * r6,
        );
        Some(Distorted {
            point,
            by_normalised,
            by_distortion,
        })
    }
}

/// (X/Z, Y/Z) of a point in front of the camera.
#[inline]
fn normalise(point_in_camera: &Point3<f64>) -> Option<Point2<f64>> {
    (point_in_camera.z > SMALLEST_DEPTH).then(|| {
        Point2::new(
            point_in_camera.x / point_in_camera.z,
            point_in_camera.y / point_in_camera.z,
        )
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    fn phone() -> Camera {
        Camera {
            fx: 1503.2,
            fy: 1498.8,
            cx: 958.1,
            cy: 541.7,
            distortion: [0.081, -0.12, 0.0011, -0.0007, 0.03],
        }
    }

    /// Reference values: `projectPoints` of OpenCV 4.6.0.
    #[test]
    fn projects_as_opencv_does() {
        let points_and_reference = [
            (
                [-210.0, 95.0, 700.0],
                [503.3604489804552, 746.9406532592748],
            ),
            (
                [130.0, -155.0, 650.0],
                [1260.4246928940468, 182.32958185739642],
            ),
            ([1.0, 2.0, 900.0], [959.7702221294245, 545.030689611244]),
        ];
        for (point, reference) in points_and_reference {
            let seen = phone().project(&Point3::from(point)).unwrap();
            assert_relative_eq!(seen.x, reference[0], epsilon = 1e-9);
            assert_relative_eq!(seen.y, reference[1], epsilon = 1e-9);
        }
    }

    #[test]
    fn what_lies_behind_or_is_folded_has_no_picture() {
        assert_eq!(phone().project(&Point3::new(1.0, 1.0, -5.0)), None);
        let mut barrel = phone();
        barrel.distortion = [-0.3, 0.0, 0.0, 0.0, 0.0];
        assert_eq!(barrel.project(&Point3::new(2.0, 0.0, 1.0)), None);
    }

    #[test]
    fn halving_the_picture_halves_distances_from_its_corner() {
        let point = Point3::new(-40.0, 70.0, 500.0);
        let full = phone().project(&point).unwrap();
        let half = phone().scaled(0.5).project(&point).unwrap();
        assert_relative_eq!(half.x + 0.5, (full.x + 0.5) / 2.0, epsilon = 1e-9);
        assert_relative_eq!(half.y + 0.5, (full.y + 0.5) / 2.0, epsilon = 1e-9);
    }

    proptest! {
        #[test]
        fn undistorting_returns_what_was_projected(x in -0.6..0.6, y in -0.35..0.35) {
            let camera = phone();
            let seen = camera.project(&Point3::new(x, y, 1.0)).unwrap();
            let back = camera.undistort(&seen).unwrap();
            prop_assert!((back - Point2::new(x, y)).norm() < 1e-11);
        }

        #[test]
        fn jacobians_agree_with_differences(x in -300.0..300.0, y in -200.0..200.0, z in 400.0..900.0) {
            let camera = phone();
            let point = Point3::new(x, y, z);
            let projection = camera.project_with_jacobians(&point).unwrap();
            for axis in 0..3 {
                let (mut above, mut below) = (point, point);
                above[axis] += 1e-3;
                below[axis] -= 1e-3;
                let slope = (camera.project(&above).unwrap() - camera.project(&below).unwrap()) / 2e-3;
                prop_assert!((slope - projection.by_point.column(axis)).norm() < 1e-6);
            }
            for index in 0..INTRINSIC_COUNT {
                let step = 1e-4;
                let (mut above, mut below) = (camera.intrinsics(), camera.intrinsics());
                above[index] += step;
                below[index] -= step;
                let above = Camera::from_intrinsics(&above).project(&point).unwrap();
                let below = Camera::from_intrinsics(&below).project(&point).unwrap();
                let slope = (above - below) / (2.0 * step);
                prop_assert!((slope - projection.by_intrinsics.column(index)).norm() < 1e-6);
            }
        }
    }
}
