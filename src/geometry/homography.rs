//! Homographies between planes and their pictures.

use nalgebra::{Matrix2, Matrix3, Point2, SMatrix, SVector, Vector2, Vector3};

/// Corners of the unit tag square: top-left, top-right, bottom-right, bottom-left; v runs down.
pub const SQUARE: [(f64, f64); 4] = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];

/// The homography that maps [`SQUARE`] to four points, its last entry 1; `None` if three of them
/// are on a line.
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

/// The homography that maps `from` to `to`, by the normalised direct linear transformation
/// (Hartley & Zisserman 2004, algorithm 4.2); `None` with fewer than four points or where they
/// do not fix it.
pub fn between(from: &[Point2<f64>], to: &[Point2<f64>]) -> Option<Matrix3<f64>> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let unit_from = normalisation(from)?;
    let unit_to = normalisation(to)?;
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (from, to) in from.iter().zip(to) {
        let p = unit_from * from.to_homogeneous();
        let q = unit_to * to.to_homogeneous();
        let row = |u: Vector3<f64>, v: Vector3<f64>, w: Vector3<f64>| {
            SVector::<f64, 9>::from_iterator(u.iter().chain(v.iter()).chain(w.iter()).copied())
        };
        let first = row(p, Vector3::zeros(), -p * q.x);
        let second = row(Vector3::zeros(), p, -p * q.y);
        normal += first * first.transpose() + second * second.transpose();
    }
    let eigen = normal.symmetric_eigen();
    let smallest = eigen.eigenvalues.imin();
    let h = eigen.eigenvectors.column(smallest);
    let unit = Matrix3::from_row_iterator(h.iter().copied());
    let result = unit_to.try_inverse()? * unit * unit_from;
    let scale = result[(2, 2)];
    (scale.abs() > f64::EPSILON && result.iter().all(|value| value.is_finite()))
        .then(|| result / scale)
}

/// A place (x, y) under a homography.
pub fn map(homography: &Matrix3<f64>, x: f64, y: f64) -> Point2<f64> {
    let mapped = homography * Vector3::new(x, y, 1.0);
    Point2::new(mapped.x / mapped.z, mapped.y / mapped.z)
}

/// How a homography stretches the plane about a point: the images of the two unit steps.
pub fn steps(homography: &Matrix3<f64>, point: Point2<f64>) -> Matrix2<f64> {
    let image = homography * point.to_homogeneous();
    let at = Vector2::new(image.x, image.y) / image.z;
    let column = |i: usize| {
        let rate = homography.column(i);
        (Vector2::new(rate[0], rate[1]) - at * rate[2]) / image.z
    };
    Matrix2::from_columns(&[column(0), column(1)])
}

/// Moves the centroid to the origin and the mean distance to √2.
fn normalisation(points: &[Point2<f64>]) -> Option<Matrix3<f64>> {
    let count = points.len() as f64;
    let centre = points
        .iter()
        .map(|point| point.coords)
        .sum::<Vector2<f64>>()
        / count;
    let distance = points
        .iter()
        .map(|point| (point.coords - centre).norm())
        .sum::<f64>()
        / count;
    if distance.is_nan() || distance <= 0.0 {
        return None;
    }
    let scale = std::f64::consts::SQRT_2 / distance;
    Some(Matrix3::new(
        scale,
        0.0,
        -scale * centre.x,
        0.0,
        scale,
        -scale * centre.y,
        0.0,
        0.0,
        1.0,
    ))
}
