//! Before and after: did the numbers do what was promised, and is another round worth it?

use serde::{Deserialize, Serialize};

use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;

use super::{Correction, MatchingError};

/// Sticks nearer than this are the same station, %.
const SAME_STICK_PCT: f64 = 1e-6;
/// Numbers nearer than this are the same, %.
const SAME_NUMBER_PCT: f64 = 1e-6;

/// Whether a mismatch keeps a tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Within, the whole uncertainty included.
    Within,
    /// The uncertainty reaches across the tolerance: film again.
    CannotTell,
    /// Out, even with the whole uncertainty in its favour.
    Out,
}

impl Verdict {
    /// Judges |mismatch| against a tolerance: the expanded uncertainty (k = 2) decides for neither
    /// side where it reaches across (guard band on both sides, after JCGM 106:2012, 8.3).
    pub fn of(mismatch_deg: Measured, tolerance_deg: f64) -> Self {
        let apart = mismatch_deg.value.abs();
        if apart + mismatch_deg.u() <= tolerance_deg {
            Self::Within
        } else if apart - mismatch_deg.u() > tolerance_deg {
            Self::Out
        } else {
            Self::CannotTell
        }
    }
}

/// One station before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationComparison {
    /// Stick position.
    pub stick_pct: f64,
    /// Mismatch in the first clip; `None` where it has no such station.
    pub before_deg: Option<Measured>,
    /// Mismatch in the second clip.
    pub after_deg: Measured,
    /// The second clip's mismatch against the tolerance.
    pub verdict: Verdict,
}

/// Whether to enter the numbers that the second clip proposes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NextRound {
    /// Nothing better can be told from this measurement.
    NotWorthIt,
    /// The numbers proposed now leave less, beyond the uncertainty.
    WorthIt {
        /// Largest |mismatch| that they would leave, degrees.
        would_leave_deg: f64,
    },
}

/// Two measurements of one reference and follower.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Surface that is left alone.
    pub reference: String,
    /// Surface that is adjusted.
    pub follower: String,
    /// Largest |mismatch| that is accepted, degrees.
    pub tolerance_deg: f64,
    /// By station of the second clip.
    pub stations: Vec<StationComparison>,
    /// Largest |mismatch| over the whole travel in the first clip.
    pub worst_before_deg: Option<Measured>,
    /// Largest |mismatch| over the whole travel in the second clip.
    pub worst_after_deg: Measured,
    /// The whole travel of the second clip against the tolerance.
    pub verdict: Verdict,
    /// Whether the first clip's numbers were active in the second.
    pub entered_as_proposed: bool,
    /// Whether what was found agrees with what the first clip promised, within both
    /// uncertainties; `None` where other numbers were active.
    pub as_predicted: Option<bool>,
    /// Whether another round is worth it.
    pub next_round: NextRound,
}

/// Compares a follower's mismatch in two measurements against a tolerance, degrees.
pub fn compare_mismatch(
    before: &Correction,
    after: &Correction,
    tolerance_deg: f64,
) -> Result<Comparison, MatchingError> {
    if (&before.reference, &before.follower) != (&after.reference, &after.follower) {
        return Err(MatchingError::DifferentPairs {
            before: format!("{} and {}", before.reference, before.follower),
            after: format!("{} and {}", after.reference, after.follower),
        });
    }
    let stations: Vec<StationComparison> = after
        .found_deg
        .iter()
        .map(|station| StationComparison {
            stick_pct: station.stick_pct,
            before_deg: before
                .found_deg
                .iter()
                .find(|other| (other.stick_pct - station.stick_pct).abs() < SAME_STICK_PCT)
                .map(|other| other.mismatch_deg),
            after_deg: station.mismatch_deg,
            verdict: Verdict::of(station.mismatch_deg, tolerance_deg),
        })
        .collect();
    let worst_after_deg = worst_found(after);
    let verdict = stations
        .iter()
        .map(|station| station.verdict)
        .fold(Verdict::of(worst_after_deg, tolerance_deg), Verdict::max);
    let entered_as_proposed = is_active_in(before, after);
    let promised = Measured::new(
        before.predicted_deg.worst,
        before.predicted_deg.u / COVERAGE_FACTOR,
    );
    let apart = (worst_after_deg.value - promised.value).abs();
    Ok(Comparison {
        reference: after.reference.clone(),
        follower: after.follower.clone(),
        tolerance_deg,
        stations,
        worst_before_deg: before.found_worst_deg,
        worst_after_deg,
        verdict,
        entered_as_proposed,
        as_predicted: entered_as_proposed.then(|| apart <= worst_after_deg.u().hypot(promised.u())),
        next_round: next_round(after, worst_after_deg),
    })
}

/// Largest |mismatch| as found: over the whole travel where known, else over the stations.
fn worst_found(correction: &Correction) -> Measured {
    correction.found_worst_deg.unwrap_or_else(|| {
        let stations = correction.found_deg.iter().map(|at| at.mismatch_deg);
        let worst = stations.max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
        worst.map_or(Measured::new(0.0, 0.0), |worst| {
            Measured::new(worst.value.abs(), worst.sd)
        })
    })
}

/// Whether the numbers that one measurement proposes were entered during the other.
fn is_active_in(before: &Correction, after: &Correction) -> bool {
    let Some(active) = after.stages.first().map(|stage| &stage.settings) else {
        return false;
    };
    let numbers = |settings: &crate::model_file::Settings| -> Vec<f64> {
        let mut numbers = settings.curve_pct.clone();
        numbers.push(settings.sub_trim_pct);
        numbers.extend(settings.end_points_pct);
        numbers
    };
    let (proposed, active) = (numbers(&before.settings), numbers(active));
    proposed.len() == active.len()
        && proposed
            .iter()
            .zip(&active)
            .all(|(a, b)| (a - b).abs() < SAME_NUMBER_PCT)
}

/// Another round is worth it if it brings more than the uncertainty of what it brings.
fn next_round(after: &Correction, found: Measured) -> NextRound {
    let would_leave_deg = after.predicted_deg.worst;
    let doubt = found.u().max(after.predicted_deg.u);
    if found.value - would_leave_deg > doubt {
        NextRound::WorthIt { would_leave_deg }
    } else {
        NextRound::NotWorthIt
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matching::StationMismatch;

    fn correction(stations: &[(f64, f64, f64)]) -> Correction {
        Correction {
            reference: "left".into(),
            follower: "right".into(),
            found_deg: stations
                .iter()
                .map(|&(stick_pct, value, u)| StationMismatch {
                    stick_pct,
                    mismatch_deg: Measured::new(value, 0.5 * u),
                })
                .collect(),
            ..Correction::default()
        }
    }

    #[test]
    fn the_uncertainty_decides_for_neither_side_where_it_reaches_across() {
        let of = |value: f64, u: f64| Verdict::of(Measured::new(value, 0.5 * u), 0.3);
        assert_eq!(of(-0.19, 0.1), Verdict::Within);
        assert_eq!(of(-0.25, 0.1), Verdict::CannotTell);
        assert_eq!(of(0.35, 0.1), Verdict::CannotTell);
        assert_eq!(of(-0.45, 0.1), Verdict::Out);
    }

    #[test]
    fn one_station_out_puts_the_travel_out() {
        let before = correction(&[(0.0, 0.0, 0.0), (100.0, 2.0, 0.1)]);
        let after = correction(&[(0.0, 0.0, 0.0), (50.0, 0.28, 0.1), (100.0, -0.5, 0.1)]);
        let comparison = compare_mismatch(&before, &after, 0.3).unwrap();
        let verdicts: Vec<Verdict> = comparison.stations.iter().map(|at| at.verdict).collect();
        assert_eq!(
            verdicts,
            [Verdict::Within, Verdict::CannotTell, Verdict::Out]
        );
        assert_eq!(comparison.verdict, Verdict::Out);
        assert_eq!(comparison.stations[1].before_deg, None);
        assert_eq!(comparison.worst_after_deg.value, 0.5);
    }

    #[test]
    fn other_surfaces_are_not_compared() {
        let mut after = correction(&[]);
        after.follower = "left".into();
        assert!(compare_mismatch(&correction(&[]), &after, 0.3).is_err());
    }
}
