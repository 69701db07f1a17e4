//! One arm–rod–horn linkage fitted to both sides, with few differences between them.
//!
//! The sides share all other parameters.

use super::constants::{
    DIFFERENCE_PRIOR, MOST_CHI2_PER_FREEDOM, PLANAR_DEG, SHARED_PRIOR, SIDE_PRIOR_DEG,
};
use nalgebra::{DMatrix, DVector};

use crate::measured::Measured;
use crate::solver::{Problem, SolverError, SolverOptions, solve};
use crate::statistics::extremes;

use super::cause::{LinkageDifference, LinkagePart};
use super::linkage::Linkage;
use super::pair::Pair;

/// Parts that may differ, in the order of the linkage's parameters.
pub(super) const PARTS: [LinkagePart; 5] = [
    LinkagePart::HornLength,
    LinkagePart::ServoTurn,
    LinkagePart::ArmAngle,
    LinkagePart::HornAngle,
    LinkagePart::Distance,
];
/// Jacobians after which a fit is taken as it is; a plain linkage needs about ten.
const MOST_ITERATIONS: usize = 25;
/// Relative change of χ² that ends a fit: a hundredth of the difference that decides between explanations.
const COST_TOLERANCE: f64 = 1e-4;
/// Deflections of both sides at each command, in the sense in which both rise.
///
/// Visits that a linkage cannot distinguish are merged here: their best mean (generalised least squares)
/// contains all of their information on it.
pub(super) struct BothSides {
    visits: Vec<MergedVisit>,
    deflection_deg: DVector<f64>,
    /// Makes the errors of `deflection_deg` white: upper triangular.
    whitener: DMatrix<f64>,
    /// Degrees of freedom of the single visits about their means, and their χ².
    scatter: (usize, f64),
}

/// All visits of one side to a command from the same side of its play.
#[derive(Clone, Copy, PartialEq)]
struct MergedVisit {
    /// 0 for the reference, 1 for the follower.
    side: usize,
    command_pct: f64,
    /// As in [`Visits::side`](super::visits::Visits::side).
    play_side: f64,
}

/// Single visits, and which of the gathered ones each belongs to.
struct Single {
    deflection_deg: DVector<f64>,
    group_of_row: Vec<usize>,
    covariance: DMatrix<f64>,
}

impl Single {
    /// χ² about any linkage is exactly that of the single visits about their means plus that of the
    /// means about the linkage, since the residuals about the means are orthogonal to all linkages.
    fn gathered(self, visits: Vec<MergedVisit>) -> Option<BothSides> {
        let (rows, groups) = (self.group_of_row.len(), visits.len());
        let root = self.covariance.cholesky()?.unpack();
        let mut belongs = DMatrix::zeros(rows, groups);
        for (row, &group) in self.group_of_row.iter().enumerate() {
            belongs[(row, group)] = 1.0;
        }
        root.solve_lower_triangular_mut(&mut belongs)
            .then_some(())?;
        let white = root.solve_lower_triangular(&self.deflection_deg)?;
        let normal = belongs.tr_mul(&belongs).cholesky()?;
        let deflection_deg = normal.solve(&belongs.tr_mul(&white));
        let whitener = normal.l().transpose();
        let chi2 = (white - belongs * &deflection_deg).norm_squared();
        Some(BothSides {
            visits,
            deflection_deg,
            whitener,
            scatter: (rows - groups, chi2),
        })
    }
}

/// A fitted explanation.
#[derive(Debug, Clone)]
pub(super) struct LinkageFit {
    pub parts: Vec<usize>,
    pub chi2: f64,
    pub shared: [f64; 5],
    /// Zero and half play of the reference, then of the follower, deg.
    sides_deg: [f64; 4],
    pub amounts: Vec<f64>,
    pub sds: Vec<f64>,
}

impl LinkageFit {
    pub fn differences(&self) -> Vec<LinkageDifference> {
        self.parts
            .iter()
            .zip(self.amounts.iter().zip(&self.sds))
            .map(|(&part, (&amount, &sd))| {
                let amount = if PARTS[part].is_angle() {
                    Measured::new(amount.to_degrees(), sd.to_degrees())
                } else {
                    Measured::new(100.0 * amount.exp_m1(), 100.0 * amount.exp() * sd)
                };
                LinkageDifference {
                    part: PARTS[part],
                    amount,
                }
            })
            .collect()
    }
}

impl BothSides {
    /// `None` if the covariance is not positive definite.
    pub fn new(pair: &Pair) -> Option<Self> {
        let (mut visits, mut group_of_row, mut deflection_deg) =
            (Vec::new(), Vec::new(), Vec::new());
        let sides = [&pair.reference, &pair.follower].map(|side| side.visits());
        // Mirrored sides are alike by the reference's command.
        let sense = pair.sense() * pair.reference_sign();
        let signs = [1.0, pair.reference_sign()];
        for (side, (all, sign)) in sides.into_iter().zip(signs).enumerate() {
            for &row in &all.used {
                let visit = MergedVisit {
                    side,
                    command_pct: sign * all.command_pct[row],
                    play_side: all.side[row],
                };
                let known = visits.iter().position(|known| *known == visit);
                group_of_row.push(known.unwrap_or(visits.len()));
                if known.is_none() {
                    visits.push(visit);
                }
                deflection_deg.push(sense * all.deflection_deg[row]);
            }
        }
        let covariance = pair.used_covariance_deg2(PLANAR_DEG);
        let single = Single {
            deflection_deg: DVector::from_vec(deflection_deg),
            group_of_row,
            covariance,
        };
        single.gathered(visits)
    }

    /// Whether the stations scatter about a fit as they should.
    pub fn is_understood(&self, fit: &LinkageFit) -> bool {
        let fitted = SHARED_PRIOR.len() + 4 + fit.parts.len();
        let freedom = (self.deflection_deg.len() + self.scatter.0) as f64 - fitted as f64;
        freedom >= 1.0 && fit.chi2 < MOST_CHI2_PER_FREEDOM * freedom
    }

    /// Fits the linkages with differences in some parts, starting from a simpler fit.
    pub fn fit(&self, parts: &[usize], from: Option<&LinkageFit>) -> Option<LinkageFit> {
        let mut start: Vec<f64> = match from {
            Some(simpler) => simpler.shared.to_vec(),
            None => SHARED_PRIOR.iter().map(|(mean, _)| *mean).collect(),
        };
        if from.is_none() {
            start[0] = self.horn_that_gives_the_travel();
        }
        start.extend(from.map_or([0.0; 4], |simpler| simpler.sides_deg));
        start.extend(parts.iter().map(|part| {
            let known = |simpler: &LinkageFit| simpler.parts.iter().position(|known| known == part);
            from.and_then(|simpler| Some(simpler.amounts[known(simpler)?]))
                .unwrap_or(0.0)
        }));
        let problem = DifferingLinkages { data: self, parts };
        let options = SolverOptions {
            iterations: MOST_ITERATIONS,
            cost_tolerance: COST_TOLERANCE,
            ..SolverOptions::default()
        };
        let solution = match solve(&problem, start.into(), &options) {
            Ok((solution, _)) => solution,
            Err(SolverError::IterationsExhausted { best } | SolverError::BadJacobian { best }) => {
                *best
            }
            Err(_) => return None,
        };
        let covariance = solution.covariance()?;
        let amounts = SHARED_PRIOR.len() + 4..solution.parameters.len();
        Some(LinkageFit {
            parts: parts.to_vec(),
            chi2: 2.0 * solution.cost + self.scatter.1,
            shared: std::array::from_fn(|i| solution.parameters[i]),
            sides_deg: std::array::from_fn(|i| solution.parameters[SHARED_PRIOR.len() + i]),
            amounts: amounts.clone().map(|i| solution.parameters[i]).collect(),
            sds: amounts
                .map(|i| covariance[(i, i)].max(0.0).sqrt())
                .collect(),
        })
    }

    /// A start for ln horn/arm: the servo's turn over the surface's travel.
    fn horn_that_gives_the_travel(&self) -> f64 {
        let rows: Vec<usize> = (0..self.visits.len())
            .filter(|&row| self.visits[row].side == 0)
            .collect();
        let span = |value: &dyn Fn(usize) -> f64| {
            let [lowest, highest] = extremes(rows.iter().map(|&row| value(row)));
            highest - lowest
        };
        let turned = SHARED_PRIOR[1].0.exp() * span(&|row| self.visits[row].command_pct) / 100.0;
        (turned / span(&|row| self.deflection_deg[row]).to_radians()).ln()
    }
}

/// The follower's linkage: the shared one with the differences added.
pub(super) fn with_differences(shared: [f64; 5], parts: &[usize], amounts: &[f64]) -> [f64; 5] {
    let mut own = shared;
    for (&part, amount) in parts.iter().zip(amounts) {
        own[part] += amount;
    }
    own
}

pub(super) fn linkage(parameters: [f64; 5]) -> Linkage {
    let [ln_horn, ln_turn, arm_rad, horn_rad, ln_distance] = parameters;
    Linkage {
        ln_horn,
        ln_turn,
        arm_rad,
        horn_rad,
        ln_distance,
    }
}

/// Parameters: the shared linkage, zero and half play of both sides, the differences.
struct DifferingLinkages<'a> {
    data: &'a BothSides,
    parts: &'a [usize],
}

impl Problem for DifferingLinkages<'_> {
    fn parameter_count(&self) -> usize {
        SHARED_PRIOR.len() + 4 + self.parts.len()
    }

    fn residuals(&self, parameters: &DVector<f64>) -> Option<DVector<f64>> {
        let p = parameters.as_slice();
        let shared: [f64; 5] = std::array::from_fn(|i| p[i]);
        let own = with_differences(shared, self.parts, &p[9..]);
        let linkages = [linkage(shared), linkage(own)];
        let mut off = self.data.deflection_deg.clone();
        for (visit, value) in self.data.visits.iter().zip(off.iter_mut()) {
            let modelled = linkages[visit.side].deflection_deg(visit.command_pct)?;
            let [zero, half_play] = [p[5 + 2 * visit.side], p[6 + 2 * visit.side]];
            *value -= modelled + zero + visit.play_side * half_play;
        }
        let measured = &self.data.whitener * off;
        let priors = SHARED_PRIOR
            .iter()
            .enumerate()
            .map(|(i, (mean, sd))| (p[i] - mean) / sd)
            .chain((0..4).map(|i| p[5 + i] / SIDE_PRIOR_DEG[i % 2]))
            .chain(
                self.parts
                    .iter()
                    .zip(&p[9..])
                    .map(|(&part, amount)| amount / DIFFERENCE_PRIOR[part]),
            );
        let all: Vec<f64> = measured.iter().copied().chain(priors).collect();
        Some(DVector::from_vec(all))
    }
}
