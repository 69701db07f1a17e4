//! A smooth response through scattered stations: a Legendre series with a linkage's prior.
//!
//! An arm, a rod and a horn make a smooth curve whose higher terms decrease fast. This prior serves better between
//! stations than any local interpolation. It averages the noise, and the uncertainty grows where stations are far
//! apart. The estimate is Gaussian regression (generalised least squares with a prior). It is averaged over the
//! strength of the prior and the scatter of the visits, weighted by the evidence (MacKay, Neural Computation 4
//! (1992) 415).

use nalgebra::{DMatrix, DVector};

use super::legendre::Legendre;
use super::play::HALF_PLAY_PRIOR_DEG;
use super::points::Points;
use crate::geometry::{BEND_SHARES, FIRST_BEND};
use crate::solver::LinearSums;
use crate::stick;

/// Multiples of the prior that the evidence weighs.
const PRIOR_SCALES: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];

/// Scatter between visits that the evidence weighs, deg, and how probable each is before anything is
/// measured: dead band and friction of servos and linkages leave some 0.02°, seldom much more (half a
/// Cauchy distribution of that width; common practice, no source).
const SCATTERS_DEG: [(f64, f64); 8] = [
    (0.0, 0.16),
    (0.01, 0.25),
    (0.02, 0.24),
    (0.04, 0.13),
    (0.06, 0.08),
    (0.09, 0.06),
    (0.14, 0.05),
    (0.28, 0.03),
];

/// Number of coefficients that are fitted: constant, slope, shape and half the play.
const COEFFICIENTS: usize = FIRST_BEND + BEND_SHARES.len() + 1;

/// Column of half the play.
const PLAY: usize = COEFFICIENTS - 1;

/// A fitted series: deflection = Σ aₖ Pₖ(x) + side · half play, with x the command scaled to −1…1.
#[derive(Debug, Clone)]
pub(crate) struct Series {
    basis: Legendre,
    coefficients: DVector<f64>,
    covariance: DMatrix<f64>,
    /// How each coefficient follows each point.
    gain: DMatrix<f64>,
    /// Scatter between points beyond the measurement's own uncertainty, deg.
    pub scatter_deg: f64,
}

impl Series {
    /// The series averaged over all that are probable; `None` if the covariance is not positive definite.
    pub fn fit(points: &Points) -> Option<Self> {
        let commands = stick::distinct_pct(points.command_pct.iter().copied());
        let basis = Legendre::over([*commands.first()?, *commands.last()?], PLAY);
        let mut candidates = Vec::new();
        for (scatter_deg, probability) in SCATTERS_DEG {
            let whitened = Whitened::new(points, &basis, scatter_deg)?;
            let fits = PRIOR_SCALES.iter().filter_map(|&scale| {
                let (evidence, series) = whitened.fit(&basis, scale)?;
                Some((evidence + probability.ln(), series))
            });
            candidates.extend(fits);
        }
        Self::averaged(&candidates)
    }

    /// The mean of several fits weighted by their evidence; their spread adds to the covariance.
    fn averaged(candidates: &[(f64, Self)]) -> Option<Self> {
        let most = candidates
            .iter()
            .map(|(evidence, _)| *evidence)
            .max_by(f64::total_cmp)?;
        let weights: Vec<f64> = candidates
            .iter()
            .map(|(evidence, _)| (evidence - most).exp())
            .collect();
        let total: f64 = weights.iter().sum();
        let mut mean = candidates.first()?.1.clone();
        mean.coefficients.fill(0.0);
        mean.covariance.fill(0.0);
        mean.gain.fill(0.0);
        mean.scatter_deg = 0.0;
        for ((_, series), weight) in candidates.iter().zip(&weights) {
            let share = weight / total;
            mean.coefficients += share * &series.coefficients;
            mean.gain += share * &series.gain;
            mean.scatter_deg += share * series.scatter_deg;
        }
        for ((_, series), weight) in candidates.iter().zip(&weights) {
            let apart = &series.coefficients - &mean.coefficients;
            mean.covariance += (weight / total) * (&series.covariance + &apart * apart.transpose());
        }
        Some(mean)
    }

    /// Terms of the series at a command, none of the play.
    pub fn terms(&self, command_pct: f64) -> DVector<f64> {
        DVector::from_vec(terms(&self.basis, command_pct, 0.0))
    }

    /// Deflection in the middle of the play, deg.
    pub fn value_deg(&self, command_pct: f64) -> f64 {
        self.terms(command_pct).dot(&self.coefficients)
    }

    /// Covariance of the coefficients that [`Self::terms`] multiply, deg².
    pub fn covariance_deg2(&self) -> &DMatrix<f64> {
        &self.covariance
    }

    /// How each coefficient follows each point.
    pub fn gain(&self) -> &DMatrix<f64> {
        &self.gain
    }

    /// Half the play with its standard deviation, deg; signed.
    pub fn half_play_deg(&self) -> (f64, f64) {
        (
            self.coefficients[PLAY],
            self.covariance[(PLAY, PLAY)].max(0.0).sqrt(),
        )
    }
}

/// The values of all functions at a command on a side of the play.
fn terms(basis: &Legendre, command_pct: f64, side: f64) -> Vec<f64> {
    let mut terms = basis.values(command_pct);
    terms.push(side);
    terms
}

/// Design and data with the points' correlations removed.
struct Whitened {
    design: DMatrix<f64>,
    data: DVector<f64>,
    /// Inverse of the covariance's lower Cholesky factor.
    whitener: DMatrix<f64>,
    log_determinant: f64,
    half_travel_deg: f64,
    scatter_deg: f64,
}

impl Whitened {
    fn new(points: &Points, basis: &Legendre, scatter_deg: f64) -> Option<Self> {
        let factor = points.with_scatter_deg2(scatter_deg).cholesky()?.l();
        let whitener = factor.clone().try_inverse()?;
        let mut design = DMatrix::zeros(points.len(), COEFFICIENTS);
        for point in 0..points.len() {
            let terms = terms(basis, points.command_pct[point], points.side[point]);
            design.set_row(point, &DVector::from_vec(terms).transpose());
        }
        Some(Self {
            design: &whitener * design,
            half_travel_deg: 0.5 * points.travel_deg(),
            data: &whitener * &points.deflection_deg,
            log_determinant: factor.diagonal().iter().map(|value| value.ln()).sum(),
            whitener,
            scatter_deg,
        })
    }

    /// Log evidence and the series for one strength of the prior.
    fn fit(&self, basis: &Legendre, scale: f64) -> Option<(f64, Series)> {
        let bends = (FIRST_BEND..PLAY).zip(BEND_SHARES);
        let bends = bends.map(|(order, share)| (order, share * scale * self.half_travel_deg));
        let prior_sds_deg: Vec<(usize, f64)> = bends.chain([(PLAY, HALF_PLAY_PRIOR_DEG)]).collect();
        let mut sums = LinearSums::new(COEFFICIENTS);
        for &(order, sd_deg) in &prior_sds_deg {
            sums.add(&[(order, 1.0)], 0.0, sd_deg.powi(-2));
        }
        for (row, value) in self.design.row_iter().zip(self.data.iter()) {
            let row: Vec<f64> = row.iter().copied().collect();
            sums.add_all(&row, *value, 1.0);
        }
        let fit = sums.fit()?;
        let coefficients = fit.values;
        let misfit = (&self.data - &self.design * &coefficients).norm_squared();
        let strains = prior_sds_deg
            .iter()
            .map(|&(order, sd_deg)| (coefficients[order] / sd_deg).powi(2));
        let evidence = -0.5 * (misfit + strains.sum::<f64>())
            - fit.log_root_determinant
            - self.log_determinant
            - BEND_SHARES.len() as f64 * scale.ln();
        let series = Series {
            basis: basis.clone(),
            coefficients,
            gain: &fit.covariance * self.design.transpose() * &self.whitener,
            covariance: fit.covariance,
            scatter_deg: self.scatter_deg,
        };
        evidence.is_finite().then_some((evidence, series))
    }
}
