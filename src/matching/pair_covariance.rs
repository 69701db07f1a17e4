//! Joint covariance of both sides of a pair: of their visits, and of the unknowns of their curves.

use nalgebra::DMatrix;

use crate::measured::Measured;
use crate::response::Responses;

use super::curve::ResponseCurve;

/// Covariances of a pair.
#[derive(Debug, Clone)]
pub(super) struct PairCovariance {
    /// Between the follower's (rows) and the reference's visits, deg².
    cross_deg2: DMatrix<f64>,
    unknowns_deg2: DMatrix<f64>,
}

impl PairCovariance {
    /// Takes the covariances of two fitted curves; a known difference of their neutrals is one more
    /// unknown.
    pub fn new(
        responses: &Responses,
        reference: &ResponseCurve,
        follower: &ResponseCurve,
        neutral_deg: Option<Measured>,
    ) -> Self {
        let cross_deg2 = cross_deg2(responses, reference, follower);
        let unknowns_deg2 = joint_deg2(reference, follower, &cross_deg2);
        Self {
            cross_deg2,
            unknowns_deg2: with_neutral(unknowns_deg2, neutral_deg),
        }
    }

    /// Joint covariance of the unknowns of both curves, the reference's first, deg².
    pub fn unknowns_deg2(&self) -> &DMatrix<f64> {
        &self.unknowns_deg2
    }

    /// Covariance of the visits that count, the reference's first, with a scatter of each added, deg².
    pub fn used_visits_deg2(
        &self,
        reference: &ResponseCurve,
        follower: &ResponseCurve,
        scatter_deg: f64,
    ) -> DMatrix<f64> {
        let own = [reference, follower].map(|side| {
            let scatter_deg = side.scatter_deg().hypot(scatter_deg);
            side.visits().used_covariance_deg2(scatter_deg)
        });
        joined(&own, &used(&self.cross_deg2, reference, follower))
    }
}

/// The part of a covariance between all visits that is between those that count.
fn used(
    cross_deg2: &DMatrix<f64>,
    reference: &ResponseCurve,
    follower: &ResponseCurve,
) -> DMatrix<f64> {
    cross_deg2
        .select_rows(&follower.visits().used)
        .select_columns(&reference.visits().used)
}

/// Both sides' own covariances, the reference's first, with the one between the follower's (rows) and the
/// reference's.
fn joined(own: &[DMatrix<f64>; 2], cross: &DMatrix<f64>) -> DMatrix<f64> {
    let (first, second) = (own[0].nrows(), own[1].nrows());
    let mut joint = DMatrix::zeros(first + second, first + second);
    joint.view_mut((0, 0), (first, first)).copy_from(&own[0]);
    joint
        .view_mut((first, first), (second, second))
        .copy_from(&own[1]);
    joint.view_mut((first, 0), (second, first)).copy_from(cross);
    joint
        .view_mut((0, first), (first, second))
        .copy_from(&cross.transpose());
    joint
}

/// Covariance between the follower's (rows) and the reference's visits, deg².
fn cross_deg2(
    responses: &Responses,
    reference: &ResponseCurve,
    follower: &ResponseCurve,
) -> DMatrix<f64> {
    let span = |side: &ResponseCurve| (side.visits().first_row, side.visits().side.len());
    let (rows, columns) = (span(follower), span(reference));
    responses
        .covariance_deg2
        .view((rows.0, columns.0), (rows.1, columns.1))
        .into_owned()
}

/// Joint covariance of the unknowns of both curves, the reference's first, deg².
fn joint_deg2(
    reference: &ResponseCurve,
    follower: &ResponseCurve,
    cross_deg2: &DMatrix<f64>,
) -> DMatrix<f64> {
    let own = [reference.covariance_deg2(), follower.covariance_deg2()];
    let used = used(cross_deg2, reference, follower);
    let shared = follower.gain() * used * reference.gain().transpose();
    joined(&own, &shared)
}

/// The same with the follower's neutral above the reference's as one more unknown, where it is one.
fn with_neutral(joint_deg2: DMatrix<f64>, neutral_deg: Option<Measured>) -> DMatrix<f64> {
    let Some(neutral_deg) = neutral_deg else {
        return joint_deg2;
    };
    let unknowns = joint_deg2.nrows();
    let mut with = joint_deg2.resize(unknowns + 1, unknowns + 1, 0.0);
    with[(unknowns, unknowns)] = neutral_deg.sd.powi(2);
    with
}
