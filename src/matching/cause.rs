//! Why the sides differ: one arm–rod–horn linkage fitted to both, with few differences between.
//!
//! The sides share all that is not asked about. Every single difference is tried, then every pair;
//! the one that the stations prefer clearly is told, with its uncertainty. Where several explain
//! the stations as well, or none does, that is said instead.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::solver::{Problem, SolverError, SolverOptions, solve};

use super::linkage::Linkage;
use super::pair::{Pair, Place};
use super::score::Score;

/// Standard deviation of a station about a planar linkage, deg: what skewed axes and bent rods
/// add to a plain one (common practice, no source).
const PLANAR_DEG: f64 = 0.02;
/// Parameters of the linkage that both sides share, with mean and standard deviation of what
/// people build (common practice, no source): ln horn/arm, ln servo turn at 100 %, arm and horn
/// off square, ln distance/arm.
const SHARED_PRIOR: [(f64, f64); 5] = [
    (0.35, 0.5),
    (-0.17, 0.17),
    (0.0, 0.17),
    (0.0, 0.17),
    (1.6, 0.4),
];
/// Standard deviation of a difference before anything is measured, in the order of [`PARTS`]:
/// 20 % in lengths and turn, 15° in angles (common practice, no source).
const DIFFERENCE_PRIOR: [f64; 4] = [0.2, 0.2, 0.26, 0.26];
/// Standard deviation of a side's zero and half play before anything is measured, deg.
const SIDE_PRIOR_DEG: [f64; 2] = [1.0, 0.3];
/// Parts that may differ, in the order of the linkage's parameters.
const PARTS: [LinkagePart; 4] = [
    LinkagePart::HornLength,
    LinkagePart::ServoTurn,
    LinkagePart::ArmAngle,
    LinkagePart::HornAngle,
];
/// An explanation is preferred if its χ² is smaller by this: odds of e^4.5, about 90 to 1.
const CLEARLY_BETTER: f64 = 9.0;
/// Largest χ² per degree of freedom of an explanation: beyond it the linkage is not understood.
const MOST_CHI2_PER_FREEDOM: f64 = 3.0;
/// Jacobians after which a fit is taken as it stands; a plain linkage needs about ten.
const MOST_ITERATIONS: usize = 25;
/// Relative change of χ² that ends a fit: a hundredth of what decides between explanations.
const COST_TOLERANCE: f64 = 1e-4;
/// Hand's work is advised if it leaves less than this share of the mismatch.
const WORTH_SHARE: f64 = 0.5;
/// Angle between two teeth of the usual servo splines of 24 or 25 teeth, deg.
const SPLINE_DEG: f64 = 15.0;

/// A part of a linkage in which two sides may differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkagePart {
    /// Length of the horn against the arm, percent.
    HornLength,
    /// How far the servo turns for one command, percent.
    ServoTurn,
    /// The arm off square at neutral, degrees.
    ArmAngle,
    /// The horn off square at neutral, degrees.
    HornAngle,
}

impl LinkagePart {
    /// Whether it is told in degrees; else in percent.
    pub fn is_angle(self) -> bool {
        matches!(self, Self::ArmAngle | Self::HornAngle)
    }
}

/// How the follower's linkage differs from the reference's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkageDifference {
    /// What differs.
    pub part: LinkagePart,
    /// By how much: degrees for angles, positive in the sense in which a rising command turns;
    /// percent for the rest, positive where the follower has more.
    pub amount: Measured,
}

impl LinkageDifference {
    /// The difference in plain words.
    pub fn text(&self, follower: &str) -> String {
        let more = self.amount.value > 0.0;
        let (size, u) = (self.amount.value.abs(), self.amount.u());
        let towards = if more { "positive" } else { "negative" };
        match self.part {
            LinkagePart::ArmAngle => format!(
                "at neutral the servo arm of the {follower} stands {size:.1}° ± {u:.1}° farther \
                 towards its {towards} end"
            ),
            LinkagePart::HornAngle => format!(
                "at neutral the horn of the {follower} stands {size:.1}° ± {u:.1}° farther towards \
                 its {towards} end"
            ),
            LinkagePart::HornLength => format!(
                "the horn of the {follower} is {size:.1} % ± {u:.1} % {}, or its servo arm {} by as \
                 much",
                if more { "longer" } else { "shorter" },
                if more { "shorter" } else { "longer" },
            ),
            LinkagePart::ServoTurn => format!(
                "the servo of the {follower} turns {size:.1} % ± {u:.1} % {} for the same command",
                if more { "farther" } else { "less far" },
            ),
        }
    }
}

/// Why two sides differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "told", content = "differences")]
pub enum Cause {
    /// No difference can be told.
    Alike,
    /// These differences together, and no others so well.
    Differs(Vec<LinkageDifference>),
    /// Any one of these explains the stations as well as the others.
    OneOf(Vec<LinkageDifference>),
    /// No one or two differences of a plain linkage explain the stations.
    Unknown,
}

/// Work by hand that would do much before any number is entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HandWork {
    /// What to make like the reference's.
    pub difference: LinkageDifference,
    /// Largest |mismatch| that would then remain over the travel, degrees.
    pub would_leave_deg: f64,
    /// Its expanded uncertainty (k = 2), degrees; files of earlier programs do not tell it.
    #[serde(default)]
    pub would_leave_u_deg: Option<f64>,
    /// Root mean square that would then remain over the travel, degrees, likewise.
    #[serde(default)]
    pub would_leave_rms_deg: Option<f64>,
}

impl HandWork {
    /// What to do, in plain words.
    pub fn text(&self, follower: &str) -> String {
        let size = self.difference.amount.value.abs();
        let back = if self.difference.amount.value > 0.0 {
            "back"
        } else {
            "forward"
        };
        match (self.difference.part, splines(&self.difference)) {
            (LinkagePart::ArmAngle, 0) => format!(
                "bring the arm of the {follower} {back} by {size:.1}°, less than a spline: try the \
                 arm's other ends or sub-trim, then set the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, 1) => format!(
                "set the arm of the {follower} {back} by one spline (about {SPLINE_DEG:.0}°), then \
                 the rod's length for neutral"
            ),
            (LinkagePart::ArmAngle, count) => format!(
                "set the arm of the {follower} {back} by {count} splines (about {:.0}°), then the \
                 rod's length for neutral",
                f64::from(count) * SPLINE_DEG
            ),
            (LinkagePart::HornAngle, _) => {
                format!(
                    "move the horn's hole of the {follower} {back} by {size:.1}° about the hinge"
                )
            }
            (LinkagePart::HornLength, _) => format!(
                "move the rod of the {follower} to another hole so that horn ÷ arm changes by \
                 {size:.0} %"
            ),
            (LinkagePart::ServoTurn, _) => {
                format!("use the same kind of servo with the same travel for the {follower}")
            }
        }
    }

    /// What would then remain before any number, with its doubt where that is known.
    pub fn would_leave(&self) -> Measured {
        Measured::from_expanded(
            self.would_leave_deg,
            self.would_leave_u_deg.unwrap_or_default(),
        )
    }
}

/// Whole splines that come nearest to a difference of the arm's angle; 0 for all else.
fn splines(difference: &LinkageDifference) -> u32 {
    match difference.part {
        LinkagePart::ArmAngle => (difference.amount.value.abs() / SPLINE_DEG).round() as u32,
        _ => 0,
    }
}

/// Explains the mismatch of a pair, and tells whether hand's work should come first.
pub(super) fn explain(pair: &Pair, places: &[Place]) -> (Cause, Option<HandWork>) {
    let Some(data) = BothSides::new(pair) else {
        return (Cause::Unknown, None);
    };
    let cause_and_fit = data.best_explanation();
    let Some((cause, fit)) = cause_and_fit else {
        return (Cause::Unknown, None);
    };
    let work = match &cause {
        Cause::Differs(_) => hand_work(pair, places, &fit),
        _ => None,
    };
    (cause, work)
}

/// The visits of both sides, whitened together, in the sense in which both rise.
struct BothSides {
    commands_pct: Vec<f64>,
    sides: Vec<f64>,
    /// Number of the reference's visits; the follower's come after.
    reference_count: usize,
    deflection_deg: DVector<f64>,
    whitener: DMatrix<f64>,
}

/// A fitted explanation.
#[derive(Debug, Clone)]
struct Fit {
    parts: Vec<usize>,
    chi2: f64,
    shared: [f64; 5],
    /// Zero and half play of the reference, then of the follower, deg.
    sides_deg: [f64; 4],
    amounts: Vec<f64>,
    sds: Vec<f64>,
}

impl Fit {
    fn differences(&self) -> Vec<LinkageDifference> {
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
    fn new(pair: &Pair) -> Option<Self> {
        let covariance = pair.used_covariance_deg2(PLANAR_DEG);
        let whitener = covariance.cholesky()?.l().try_inverse()?;
        let (reference, follower) = (pair.reference.visits(), pair.follower.visits());
        let gather = |values: (&[f64], &[f64])| -> Vec<f64> {
            let of_reference = reference.used.iter().map(|&visit| values.0[visit]);
            of_reference
                .chain(follower.used.iter().map(|&visit| values.1[visit]))
                .collect()
        };
        let [reference_sense, follower_sense] = pair.senses();
        let mut deflection_deg = DVector::from_vec(gather((
            reference.deflection_deg.as_slice(),
            follower.deflection_deg.as_slice(),
        )));
        let reference_count = reference.used.len();
        for (row, value) in deflection_deg.iter_mut().enumerate() {
            *value *= if row < reference_count {
                reference_sense
            } else {
                follower_sense
            };
        }
        Some(Self {
            commands_pct: gather((&reference.command_pct, &follower.command_pct)),
            sides: gather((&reference.side, &follower.side)),
            reference_count,
            deflection_deg,
            whitener,
        })
    }

    /// The simplest explanation that the stations do not clearly improve on.
    fn best_explanation(&self) -> Option<(Cause, Fit)> {
        let none = self.fit(&[], None)?;
        let mut singles: Vec<Fit> = (0..PARTS.len())
            .filter_map(|part| self.fit(&[part], Some(&none)))
            .collect();
        singles.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
        let single = singles.first()?.clone();
        if self.is_understood(&none) && none.chi2 - single.chi2 < CLEARLY_BETTER {
            return Some((Cause::Alike, none));
        }
        let as_good: Vec<&Fit> = singles
            .iter()
            .filter(|other| other.chi2 - single.chi2 < CLEARLY_BETTER)
            .collect();
        if self.is_understood(&single) {
            let cause = match as_good.len() {
                1 => Cause::Differs(single.differences()),
                _ => Cause::OneOf(as_good.iter().flat_map(|fit| fit.differences()).collect()),
            };
            return Some((cause, single));
        }
        let mut pairs: Vec<Fit> = (0..PARTS.len())
            .flat_map(|a| (a + 1..PARTS.len()).map(move |b| [a, b]))
            .filter_map(|parts| self.fit(&parts, Some(&single)))
            .collect();
        pairs.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
        let best = pairs.first()?.clone();
        let alone = pairs
            .get(1)
            .is_none_or(|next| next.chi2 - best.chi2 > CLEARLY_BETTER);
        if self.is_understood(&best) && alone {
            return Some((Cause::Differs(best.differences()), best));
        }
        Some((Cause::Unknown, best))
    }

    /// Whether the stations scatter about a fit as they should.
    fn is_understood(&self, fit: &Fit) -> bool {
        let fitted = SHARED_PRIOR.len() + 4 + fit.parts.len();
        let freedom = self.deflection_deg.len() as f64 - fitted as f64;
        freedom >= 1.0 && fit.chi2 < MOST_CHI2_PER_FREEDOM * freedom
    }

    /// Fits the linkages with differences in some parts, starting from a simpler fit.
    fn fit(&self, parts: &[usize], from: Option<&Fit>) -> Option<Fit> {
        let mut start: Vec<f64> = match from {
            Some(simpler) => simpler.shared.to_vec(),
            None => SHARED_PRIOR.iter().map(|(mean, _)| *mean).collect(),
        };
        if from.is_none() {
            start[0] = self.horn_that_gives_the_travel();
        }
        start.extend(from.map_or([0.0; 4], |simpler| simpler.sides_deg));
        start.extend(parts.iter().map(|part| {
            let known = |simpler: &Fit| simpler.parts.iter().position(|known| known == part);
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
        Some(Fit {
            parts: parts.to_vec(),
            chi2: 2.0 * solution.cost,
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
        let rows = 0..self.reference_count;
        let span = |values: &dyn Fn(usize) -> f64| {
            let high = rows.clone().map(values).fold(f64::NEG_INFINITY, f64::max);
            high - rows.clone().map(values).fold(f64::INFINITY, f64::min)
        };
        let turned = SHARED_PRIOR[1].0.exp() * span(&|i| self.commands_pct[i]) / 100.0;
        (turned / span(&|i| self.deflection_deg[i]).to_radians()).ln()
    }
}

/// The follower's linkage: the shared one with the differences added.
fn with_differences(shared: [f64; 5], parts: &[usize], amounts: &[f64]) -> [f64; 5] {
    let mut own = shared;
    for (&part, amount) in parts.iter().zip(amounts) {
        own[part] += amount;
    }
    own
}

fn linkage(parameters: [f64; 5]) -> Linkage {
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
        for (row, value) in off.iter_mut().enumerate() {
            let side = usize::from(row >= self.data.reference_count);
            let modelled = linkages[side].deflection_deg(self.data.commands_pct[row])?;
            *value -= modelled + p[5 + 2 * side] + self.data.sides[row] * p[6 + 2 * side];
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

/// The difference whose cure by hand leaves least, where that halves the mismatch.
fn hand_work(pair: &Pair, places: &[Place], fit: &Fit) -> Option<HandWork> {
    let found = Score::of(pair, places, &pair.follower_active).worst_deg;
    let best = (0..fit.parts.len())
        .filter_map(|cured| cure(pair, places, (fit, cured)))
        .min_by(|a, b| a.would_leave_deg.total_cmp(&b.would_leave_deg))?;
    (best.would_leave_deg < WORTH_SHARE * found).then_some(best)
}

/// What curing one difference of a fit would leave: an arm goes by whole splines where it is off by
/// more than half of one, everything else by the difference itself.
fn cure(pair: &Pair, places: &[Place], (fit, cured): (&Fit, usize)) -> Option<HandWork> {
    let difference = fit.differences().into_iter().nth(cured)?;
    let with = linkage(with_differences(fit.shared, &fit.parts, &fit.amounts));
    let apart = |change: f64| {
        let mut amounts = fit.amounts.clone();
        amounts[cured] += change;
        let without = linkage(with_differences(fit.shared, &fit.parts, &amounts));
        pair.mismatches_with_shift_deg(places, |command_pct| {
            Some(without.deflection_deg(command_pct)? - with.deflection_deg(command_pct)?)
        })
    };
    let amount = fit.amounts[cured];
    let (change, change_sd) = match splines(&difference) {
        0 => (-amount, fit.sds[cured]),
        count => {
            let turn_rad = f64::from(count) * SPLINE_DEG.to_radians();
            (-amount.signum() * turn_rad, 0.0)
        }
    };
    let left = apart(change)?;
    let at = (0..left.len()).max_by(|&a, &b| left[a].abs().total_cmp(&left[b].abs()))?;
    let worst = |left: &[f64]| {
        left.iter()
            .fold(0.0, |worst: f64, off| worst.max(off.abs()))
    };
    let moved = worst(&apart(change + change_sd)?) - worst(&left);
    let there = pair.mismatch_deg(&pair.follower_active, places[at].stick_pct);
    let squares: f64 = left.iter().map(|off| off * off).sum();
    Some(HandWork {
        difference,
        would_leave_deg: worst(&left),
        would_leave_u_deg: Some(Measured::new(0.0, there.sd.hypot(moved)).u()),
        would_leave_rms_deg: Some((squares / left.len() as f64).sqrt()),
    })
}
