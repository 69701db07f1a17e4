//! Linear least squares, by sums over weighted rows.
//!
//! Each row states that a weighted sum of the unknowns has a value, with a weight of one over its variance. What is
//! known beforehand is a row like any other. The unknowns follow from the normal equations; their inverse is the
//! covariance where the weights are right (Björck, Numerical Methods for Least Squares Problems, SIAM 1996, 2.2).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Sums of a linear least-squares problem.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearSums {
    /// Lower triangle of the normal matrix.
    normal: DMatrix<f64>,
    moments: DVector<f64>,
}

/// The solution of a linear least-squares problem.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// Unknowns.
    pub values: DVector<f64>,
    /// Their covariance, in the units that the weights imply.
    pub covariance: DMatrix<f64>,
    /// Half the logarithm of the normal matrix's determinant.
    pub log_root_determinant: f64,
}

impl LinearSums {
    /// No rows yet.
    pub fn new(unknowns: usize) -> Self {
        Self {
            normal: DMatrix::zeros(unknowns, unknowns),
            moments: DVector::zeros(unknowns),
        }
    }

    /// Adds a row that depends on few unknowns, each named once with its coefficient.
    pub fn add(&mut self, terms: &[(usize, f64)], value: f64, weight: f64) {
        for &(row, a) in terms {
            self.moments[row] += weight * a * value;
            for &(column, b) in terms {
                if column <= row {
                    self.normal[(row, column)] += weight * a * b;
                }
            }
        }
    }

    /// Adds a row with a coefficient for each unknown.
    pub fn add_all(&mut self, terms: &[f64], value: f64, weight: f64) {
        for (row, a) in terms.iter().enumerate() {
            self.moments[row] += weight * a * value;
            for (column, b) in terms[..=row].iter().enumerate() {
                self.normal[(row, column)] += weight * a * b;
            }
        }
    }

    /// Adds a row of value zero for each unknown, with this share of all weight, so that dependent unknowns have a
    /// solution.
    pub fn add_ridge(&mut self, share: f64) {
        let weight = share * self.normal.trace();
        for unknown in 0..self.moments.len() {
            self.normal[(unknown, unknown)] += weight;
        }
    }

    /// The unknowns; `None` if the rows do not determine them.
    pub fn solve(&self) -> Option<DVector<f64>> {
        Some(self.root()?.solve(&self.moments))
    }

    /// The unknowns with their covariance; `None` if the rows do not determine them.
    pub fn fit(&self) -> Option<LinearFit> {
        let root = self.root()?;
        let diagonal = root.l_dirty().diagonal();
        Some(LinearFit {
            values: root.solve(&self.moments),
            covariance: root.inverse(),
            log_root_determinant: diagonal.iter().map(|value| value.ln()).sum(),
        })
    }

    /// Weighted sum of squares that the solution explains; `None` if the rows do not determine it.
    pub fn explained(&self) -> Option<f64> {
        Some(self.moments.dot(&self.solve()?))
    }

    fn root(&self) -> Option<Cholesky<f64, Dyn>> {
        // Only the lower triangle is read.
        self.normal.clone().cholesky()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_straight_line_agrees_with_the_written_out_formulas() {
        // y = a + bx with weights: S, Sx, Sy, Sxx, Sxy and the variances of Press et al., Numerical Recipes
        // (1992), 15.2.6 and 15.2.9.
        let rows = [
            (0.0, 1.1, 4.0),
            (1.0, 2.9, 1.0),
            (2.5, 6.2, 0.25),
            (4.0, 8.8, 2.0),
        ];
        let sum = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
            rows.iter().map(|&(x, y, w)| w * of(x, y)).sum()
        };
        let (s, sx, sy) = (sum(&|_, _| 1.0), sum(&|x, _| x), sum(&|_, y| y));
        let (sxx, sxy) = (sum(&|x, _| x * x), sum(&|x, y| x * y));
        let delta = s * sxx - sx * sx;
        let expected = [(sxx * sy - sx * sxy) / delta, (s * sxy - sx * sy) / delta];
        let (mut sparse, mut dense) = (LinearSums::new(2), LinearSums::new(2));
        for (x, y, weight) in rows {
            sparse.add(&[(1, x), (0, 1.0)], y, weight);
            dense.add_all(&[1.0, x], y, weight);
        }
        for sums in [sparse, dense] {
            let fit = sums.fit().unwrap();
            for (value, expected) in fit.values.iter().zip(expected) {
                approx::assert_relative_eq!(*value, expected, epsilon = 1e-12);
            }
            approx::assert_relative_eq!(fit.covariance[(0, 0)], sxx / delta, epsilon = 1e-12);
            approx::assert_relative_eq!(fit.covariance[(0, 1)], -sx / delta, epsilon = 1e-12);
            approx::assert_relative_eq!(fit.covariance[(1, 1)], s / delta, epsilon = 1e-12);
            let half = 0.5 * delta.ln();
            approx::assert_relative_eq!(fit.log_root_determinant, half, epsilon = 1e-12);
        }
    }

    #[test]
    fn dependent_unknowns_have_no_solution_without_a_ridge() {
        let mut sums = LinearSums::new(2);
        sums.add_all(&[1.0, 1.0], 3.0, 1.0);
        assert_eq!(sums.solve(), None);
        sums.add_ridge(1e-9);
        let values = sums.solve().unwrap();
        approx::assert_relative_eq!(values[0], 1.5, epsilon = 1e-6);
        approx::assert_relative_eq!(values[1], 1.5, epsilon = 1e-6);
    }
}
