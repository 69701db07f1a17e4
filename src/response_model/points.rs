//! Points: deflections at commands, with their joint covariance.

use nalgebra::{DMatrix, DVector};

/// Deflections of one surface at commands of its servo.
#[derive(Debug, Clone)]
pub(crate) struct Points {
    pub command_pct: Vec<f64>,
    /// Side of the play: −1 after a rising command, +1 after a falling one, 0 where not known.
    pub side: Vec<f64>,
    pub deflection_deg: DVector<f64>,
    /// Joint covariance of the deflections, deg².
    pub covariance_deg2: DMatrix<f64>,
}

impl Points {
    pub fn len(&self) -> usize {
        self.command_pct.len()
    }

    /// Their covariance, with a scatter of each added, deg².
    pub fn with_scatter_deg2(&self, scatter_deg: f64) -> DMatrix<f64> {
        let mut covariance = self.covariance_deg2.clone();
        for point in 0..self.len() {
            covariance[(point, point)] += scatter_deg.powi(2);
        }
        covariance
    }

    /// Difference between the largest and the smallest deflection, deg.
    pub fn travel_deg(&self) -> f64 {
        self.deflection_deg.max() - self.deflection_deg.min()
    }
}

/// Whether deflections go up (+1) or down (−1) with the command, by the slope of their straight line.
pub(crate) fn slope_sign(points: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let (sum, count) = points
        .clone()
        .fold((0.0, 0.0), |(sum, count), (command, _)| {
            (sum + command, count + 1.0)
        });
    let mean_pct = sum / count;
    let moments = points.map(|(command, deflection)| (command - mean_pct) * deflection);
    moments.sum::<f64>().signum()
}
