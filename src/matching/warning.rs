//! What the person should know about a correction that was computed all the same.

use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;
use crate::model_file::Target;
use crate::warning::Warning;

use super::Correction;

/// What a correction does not cure or tell.
#[derive(Debug, Clone, PartialEq)]
pub enum MatchingWarning {
    /// The model file has no `[radio]`: only end points are proposed.
    RadioNotDeclared,
    /// More remains, or may remain within the uncertainty, than the person accepts, though every
    /// target is within reach: the radio's numbers are too coarse or too few.
    RemainsOutOfTolerance {
        /// Surface that is adjusted.
        follower: String,
        /// Largest |mismatch| that remains.
        worst_deg: Measured,
        /// Largest |mismatch| that is accepted.
        tolerance_deg: f64,
    },
    /// The follower stays short of its reference at an end, whatever is entered.
    FollowerOutOfReach {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
        /// End of the travel.
        stick_pct: f64,
        /// How much is missing.
        short_deg: Measured,
        /// The reference's end that belongs to it.
        reference_end_pct: f64,
        /// End point of the reference with which both reach the same.
        reference_end_point_pct: f64,
        /// What the follower is adjusted to.
        target: Target,
        /// Largest |mismatch| that remains then.
        common_worst_deg: f64,
    },
}

impl MatchingWarning {
    /// The names of all kinds, for telling them from the doubts about the clip.
    pub const CODES: [&str; 3] = [
        "radio-not-declared",
        "remains-out-of-tolerance",
        "follower-out-of-reach",
    ];
}

impl Warning for MatchingWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::RadioNotDeclared => Self::CODES[0],
            Self::RemainsOutOfTolerance { .. } => Self::CODES[1],
            Self::FollowerOutOfReach { .. } => Self::CODES[2],
        }
    }

    fn text(&self) -> String {
        match self {
            Self::RadioNotDeclared => {
                "the model file declares no radio, so only end points in steps of 1 % are proposed"
                    .into()
            }
            Self::RemainsOutOfTolerance {
                follower,
                worst_deg,
                tolerance_deg,
            } => format!(
                "the best numbers that this radio accepts leave \"{follower}\" {:.2}° ± {:.2}° off \
                 somewhere, which {} the tolerance of {tolerance_deg}°",
                worst_deg.value,
                worst_deg.u(),
                if worst_deg.value > *tolerance_deg {
                    "is more than"
                } else {
                    "may be more than"
                }
            ),
            Self::FollowerOutOfReach {
                reference,
                follower,
                stick_pct,
                short_deg,
                ..
            } => format!(
                "at {stick_pct:+.0} % \"{follower}\" stays {:.2}° ± {:.2}° short of \"{reference}\", \
                 whatever is entered",
                short_deg.value,
                short_deg.u()
            ),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::RadioNotDeclared => {
                "declare [radio] with the positions of its output curve, then run `hingewise match`"
                    .into()
            }
            Self::RemainsOutOfTolerance { .. } => {
                "make the linkages alike by hand first, or use more curve points or a finer step"
                    .into()
            }
            Self::FollowerOutOfReach { target, .. } if !target.is_reference() => {
                "declare smaller throws; or, where servo and linkage allow more travel, give it more \
                 and film again"
                    .into()
            }
            Self::FollowerOutOfReach {
                reference,
                reference_end_pct,
                reference_end_point_pct,
                common_worst_deg,
                ..
            } => format!(
                "either reduce the end point of \"{reference}\" at {reference_end_pct:+.0} % to \
                 {reference_end_point_pct} %, which leaves {common_worst_deg:.2}° at most; or, where \
                 servo and linkage allow more travel, give the follower more and film again"
            ),
        }
    }
}

/// What cannot be cured by numbers alone.
pub(super) fn about(correction: &Correction) -> Vec<MatchingWarning> {
    let mut warnings: Vec<MatchingWarning> = correction
        .out_of_reach
        .iter()
        .map(|end| MatchingWarning::FollowerOutOfReach {
            reference: correction.reference.clone(),
            follower: correction.follower.clone(),
            stick_pct: end.stick_pct,
            short_deg: end.short_deg,
            reference_end_pct: end.reference_end_pct(),
            reference_end_point_pct: end.reference_end_point_pct,
            target: correction.target,
            common_worst_deg: end.common_worst_deg,
        })
        .collect();
    let remains = &correction.predicted_deg;
    if let Some(tolerance_deg) = correction.tolerance_deg
        && warnings.is_empty()
        && remains.worst + remains.u > tolerance_deg
    {
        warnings.push(MatchingWarning::RemainsOutOfTolerance {
            follower: correction.follower.clone(),
            worst_deg: Measured::new(remains.worst, remains.u / COVERAGE_FACTOR),
            tolerance_deg,
        });
    }
    warnings
}
