//! Matrices whose rows have units of very different size.

use nalgebra::DMatrix;

/// What a covariance or an information matrix is multiplied with from both sides to have a unit
/// diagonal; `None` if its diagonal is not positive.
pub fn unit_diagonal_scale(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let diagonal = matrix.diagonal();
    let is_positive = diagonal
        .iter()
        .all(|value| *value > 0.0 && value.is_finite());
    is_positive.then(|| DMatrix::from_diagonal(&diagonal.map(|value| value.sqrt().recip())))
}

/// Inverse of an information matrix, scaled to a unit diagonal on the way; `None` if it is not
/// positive definite.
pub fn scaled_inverse(information: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let scale = unit_diagonal_scale(information)?;
    let inverse = (&scale * information * &scale).cholesky()?.inverse();
    Some(&scale * inverse * &scale)
}
