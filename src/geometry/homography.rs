//! Homographies between the square of a tag and its picture.

use nalgebra::{Matrix3, Point2, SMatrix, SVector};

/// Corners of the unit tag square: top-left, top-right, bottom-right, bottom-left; v runs down.
pub const SQUARE: [(f64, f64); 4] = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];

/// The homography that maps [`SQUARE`] to four points, its last entry 1; `None` where three of
/// them lie on a line.
pub fn from_square(corners: &[Point2<f64>; 4]) -> Option<Matrix3<f64>> {
    let mut equations = SMatrix::<f64, 8, 8>::zeros();
    let mut right = SVector::<f64, 8>::zeros();
    for (k, ((a, b), corner)) in SQUARE.into_iter().zip(corners).enumerate() {
        let (x, y) = (corner.x, corner.y);
        equations.set_row(2 * k, &[a, b, 1.0, 0.0, 0.0, 0.0, -x * a, -x * b].into());
        equations.set_row(
            2 * k + 1,
            &[0.0, 0.0, 0.0, a, b, 1.0, -y * a, -y * b].into(),
        );
        right[2 * k] = x;
        right[2 * k + 1] = y;
    }
    let h = equations.lu().solve(&right)?;
    h.iter()
        .all(|value| value.is_finite())
        .then(|| Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0))
}

/// A place (x, y) under a homography.
pub fn map(homography: &Matrix3<f64>, x: f64, y: f64) -> Point2<f64> {
    let mapped = homography * nalgebra::Vector3::new(x, y, 1.0);
    Point2::new(mapped.x / mapped.z, mapped.y / mapped.z)
}
