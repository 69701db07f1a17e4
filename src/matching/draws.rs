//! Draws of both responses from their joint distribution, given the measurement.

use super::constants::{DRAWS, SEED};
use nalgebra::DMatrix;

use crate::model_file::Settings;

use super::command::Command;
use super::normals::Normals;
use super::pair::Pair;
use super::places::Place;

/// Deviations of the unknowns of both curves from their estimates, one column a draw.
#[derive(Debug, Clone)]
pub(super) struct Draws {
    deviations: DMatrix<f64>,
}

impl Draws {
    /// Draws from the joint covariance of both responses.
    pub fn new(pair: &Pair) -> Self {
        let eigen = pair.joint_deg2().clone().symmetric_eigen();
        let sds = eigen.eigenvalues.map(|variance| variance.max(0.0).sqrt());
        let root = eigen.eigenvectors * DMatrix::from_diagonal(&sds);
        let mut normals = Normals::new(SEED);
        let standard = DMatrix::from_fn(root.ncols(), DRAWS, |_, _| normals.next());
        Self {
            deviations: root * standard,
        }
    }

    /// How far the mismatch at every place (rows) is off its estimate in every draw (columns), with
    /// numbers entered at the follower, deg in the rising sense.
    pub fn off_deg(&self, pair: &Pair, places: &[Place], settings: &Settings) -> DMatrix<f64> {
        let command = Command::new(pair.radio(), settings);
        let mut terms = DMatrix::zeros(places.len(), self.deviations.nrows());
        for (row, place) in places.iter().enumerate() {
            let own = pair.terms(place.reference_pct, command.servo_pct(place.stick_pct));
            terms.set_row(row, &own.transpose());
        }
        terms * &self.deviations
    }
}
