//! A smooth response through scattered stations: a Legendre series with a linkage's prior.
//!
//! An arm, a rod and a horn make a smooth curve whose higher terms die away fast. Knowing that
//! serves better between stations than any local interpolation, averages the noise, and shows
//! honestly how little is known where stations are far apart. The estimate is Gaussian regression
//! (generalised least squares with a prior); over the strength of the prior and the scatter of the
//! visits it is averaged, weighted by the evidence (MacKay, Neural Computation 4 (1992) 415).

use nalgebra::{DMatrix, DVector};

use super::visits::Visits;
use crate::geometry::{BEND_SHARES, FIRST_BEND};

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
/// Prior standard deviation of half the play, deg: surfaces with more are repaired first (common
/// practice, no source).
const HALF_PLAY_PRIOR_DEG: f64 = 0.3;
/// Number of coefficients that are fitted: constant, slope, shape and half the play.
const COEFFICIENTS: usize = FIRST_BEND + BEND_SHARES.len() + 1;
/// Column of half the play.
const PLAY: usize = COEFFICIENTS - 1;

/// A fitted series: deflection = Σ aₖ Pₖ(x) + side · half play, with x the command scaled to −1…1.
#[derive(Debug, Clone)]
pub(super) struct Series {
    middle_pct: f64,
    half_range_pct: f64,
    coefficients: DVector<f64>,
    covariance: DMatrix<f64>,
    /// How each coefficient follows each visit that counts.
    gain: DMatrix<f64>,
    /// Scatter between visits beyond the measurement's own uncertainty, deg.
    pub scatter_deg: f64,
}

impl Series {
    /// The series averaged over all that are probable; `None` if the covariance is not positive definite.
    pub fn fit(visits: &Visits) -> Option<Self> {
        let commands = visits.distinct_commands_pct();
        let (first, last) = (*commands.first()?, *commands.last()?);
        let frame = Frame {
            middle_pct: 0.5 * (first + last),
            half_range_pct: 0.5 * (last - first),
        };
        let mut candidates = Vec::new();
        for (scatter_deg, probability) in SCATTERS_DEG {
            let whitened = Whitened::new(visits, &frame, scatter_deg)?;
            let fits = PRIOR_SCALES.iter().filter_map(|&scale| {
                let (evidence, series) = whitened.fit(&frame, scale)?;
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
        let frame = Frame {
            middle_pct: self.middle_pct,
            half_range_pct: self.half_range_pct,
        };
        frame.terms(command_pct, 0.0)
    }

    /// Deflection in the middle of the play, deg.
    pub fn value_deg(&self, command_pct: f64) -> f64 {
        self.terms(command_pct).dot(&self.coefficients)
    }

    /// Covariance of the coefficients that [`Self::terms`] multiply, deg².
    pub fn covariance_deg2(&self) -> &DMatrix<f64> {
        &self.covariance
    }

    /// How each coefficient follows each visit that counts.
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

/// Maps commands to −1…1.
struct Frame {
    middle_pct: f64,
    half_range_pct: f64,
}

impl Frame {
    fn terms(&self, command_pct: f64, side: f64) -> DVector<f64> {
        let x = (command_pct - self.middle_pct) / self.half_range_pct;
        let mut terms = DVector::zeros(COEFFICIENTS);
        terms[0] = 1.0;
        terms[1] = x;
        // Bonnet's recursion.
        for order in 2..PLAY {
            let k = order as f64;
            terms[order] =
                ((2.0 * k - 1.0) * x * terms[order - 1] - (k - 1.0) * terms[order - 2]) / k;
        }
        terms[PLAY] = side;
        terms
    }
}

/// Design and data with the visits' correlations removed.
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
    fn new(visits: &Visits, frame: &Frame, scatter_deg: f64) -> Option<Self> {
        let factor = visits.used_covariance_deg2(scatter_deg).cholesky()?.l();
        let whitener = factor.clone().try_inverse()?;
        let count = visits.used.len();
        let mut design = DMatrix::zeros(count, COEFFICIENTS);
        for (row, &visit) in visits.used.iter().enumerate() {
            let terms = frame.terms(visits.command_pct[visit], visits.side[visit]);
            design.set_row(row, &terms.transpose());
        }
        let data = DVector::from_iterator(
            count,
            visits
                .used
                .iter()
                .map(|&visit| visits.deflection_deg[visit]),
        );
        Some(Self {
            design: &whitener * design,
            half_travel_deg: 0.5 * (data.max() - data.min()),
            data: &whitener * data,
            log_determinant: factor.diagonal().iter().map(|value| value.ln()).sum(),
            whitener,
            scatter_deg,
        })
    }

    /// Log evidence and the series for one strength of the prior.
    fn fit(&self, frame: &Frame, scale: f64) -> Option<(f64, Series)> {
        let count = self.design.nrows();
        let mut augmented = DMatrix::zeros(count + COEFFICIENTS, COEFFICIENTS);
        augmented
            .view_mut((0, 0), (count, COEFFICIENTS))
            .copy_from(&self.design);
        for (order, share) in (FIRST_BEND..PLAY).zip(BEND_SHARES) {
            let sd_deg = share * scale * self.half_travel_deg;
            augmented[(count + order, order)] = 1.0 / sd_deg;
        }
        augmented[(count + PLAY, PLAY)] = 1.0 / HALF_PLAY_PRIOR_DEG;
        let (q, r) = augmented.qr().unpack();
        let root = r.clone().try_inverse()?;
        let gain = &root * q.rows(0, count).transpose();
        let coefficients = &gain * &self.data;
        let misfit = (&self.data - &self.design * &coefficients).norm_squared();
        let strain: f64 = (FIRST_BEND..COEFFICIENTS)
            .map(|order| {
                let sd_deg = if order == PLAY {
                    HALF_PLAY_PRIOR_DEG
                } else {
                    BEND_SHARES[order - FIRST_BEND] * scale * self.half_travel_deg
                };
                (coefficients[order] / sd_deg).powi(2)
            })
            .sum();
        let occam: f64 = r.diagonal().iter().map(|value| value.abs().ln()).sum();
        let evidence = -0.5 * (misfit + strain)
            - occam
            - self.log_determinant
            - BEND_SHARES.len() as f64 * scale.ln();
        let series = Series {
            middle_pct: frame.middle_pct,
            half_range_pct: frame.half_range_pct,
            coefficients,
            covariance: &root * root.transpose(),
            gain: gain * &self.whitener,
            scatter_deg: self.scatter_deg,
        };
        evidence.is_finite().then_some((evidence, series))
    }
}
