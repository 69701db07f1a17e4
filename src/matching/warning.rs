//! Warnings about a correction that was computed nevertheless.

use miette::Diagnostic;

use crate::figures;
use crate::measured::Measured;
use crate::model_file::Target;
use crate::warning::Warning;

use super::correction::Correction;
use super::error::MatchingError;

/// Full travel of the stick, %.
const FULL_PCT: f64 = 100.0;

/// A warning about a correction.
#[derive(Debug, Clone, PartialEq)]
pub enum MatchingWarning {
    /// The model file has no `[radio]`: only end points are proposed.
    RadioNotDeclared,
    /// The model file is of an aircraft with another name than the measurement.
    OtherAircraft {
        /// Name in the measurement.
        measured: String,
        /// Name in the model file.
        declared: String,
    },
    /// A pair that could not be matched; all others are.
    NotMatched {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
        /// Why there is no correction.
        reason: MatchingError,
    },
    /// Both sides were measured on a part of the travel only.
    MeasuredInPart {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
        /// The part, by the reference's stick.
        measured_pct: [f64; 2],
    },
    /// More remains, or may remain within the uncertainty, than the person accepts, though every
    /// target is within reach: the radio's numbers are too coarse or too few.
    RemainsOutOfTolerance {
        /// Surface that is adjusted.
        follower: String,
        /// Largest |mismatch| that remains, in 95 of 100 cases at most.
        at_most_deg: f64,
        /// The same, in 97.5 of 100 cases at least.
        at_least_deg: f64,
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
        /// The target of the follower.
        target: Target,
        /// Largest |mismatch| that remains then.
        common_worst_deg: f64,
    },
}

impl MatchingWarning {
    /// The names of all kinds, to separate them from the warnings about the clip.
    pub const CODES: [&str; 6] = [
        "radio-not-declared",
        "remains-out-of-tolerance",
        "follower-out-of-reach",
        "not-matched",
        "measured-in-part",
        "other-aircraft",
    ];
}

impl Warning for MatchingWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::RadioNotDeclared => Self::CODES[0],
            Self::RemainsOutOfTolerance { .. } => Self::CODES[1],
            Self::FollowerOutOfReach { .. } => Self::CODES[2],
            Self::NotMatched { .. } => Self::CODES[3],
            Self::MeasuredInPart { .. } => Self::CODES[4],
            Self::OtherAircraft { .. } => Self::CODES[5],
        }
    }

    fn text(&self) -> String {
        match self {
            Self::RadioNotDeclared => {
                "the model file declares no radio, so only end points in steps of 1 % are proposed"
                    .into()
            }
            Self::OtherAircraft { measured, declared } => {
                format!("the measurement is of \"{measured}\", the model file of \"{declared}\"")
            }
            Self::RemainsOutOfTolerance {
                follower,
                at_most_deg,
                at_least_deg,
                tolerance_deg,
            } => format!(
                "the best numbers for this radio leave \"{follower}\" off by up to \
                 {} (95 %) somewhere, which {} the tolerance of {tolerance_deg}°",
                figures::at_most_deg(*at_most_deg),
                if at_least_deg > tolerance_deg {
                    "is more than"
                } else {
                    "may be more than"
                }
            ),
            Self::NotMatched {
                reference,
                follower,
                reason,
            } => format!("\"{follower}\" is not matched to \"{reference}\": {reason}"),
            Self::MeasuredInPart {
                reference,
                follower,
                measured_pct: [first, last],
            } => format!(
                "\"{follower}\" and \"{reference}\" were both measured from {first:+.0} % to \
                 {last:+.0} % of the stick only; no statement beyond"
            ),
            Self::FollowerOutOfReach {
                reference,
                follower,
                stick_pct,
                short_deg,
                ..
            } => format!(
                "at {stick_pct:+.0} % \"{follower}\" stays {} short of \"{reference}\" with \
                 any numbers",
                figures::plain_deg(*short_deg)
            ),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::RadioNotDeclared => {
                "declare [radio] with the positions of its output curve, then run `hingewise match`"
                    .into()
            }
            Self::OtherAircraft { .. } => {
                "make sure that both are the same aircraft before you enter any number"
                    .into()
            }
            Self::RemainsOutOfTolerance { .. } => {
                "make the linkages more alike first, or use more curve points or a finer step"
                    .into()
            }
            Self::NotMatched { reason, .. } => {
                let help = reason.help().map(|help| help.to_string());
                help.unwrap_or_else(|| "film again".into())
            }
            Self::MeasuredInPart { .. } => {
                "film again with both tags in view at both ends; if a surface stops early, correct that \
                 first"
                    .into()
            }
            Self::FollowerOutOfReach { target, .. } if !target.is_reference() => {
                "declare smaller throws; or, if servo and linkage allow more travel, increase it \
                 and film again"
                    .into()
            }
            Self::FollowerOutOfReach {
                reference,
                follower,
                reference_end_pct,
                reference_end_point_pct,
                common_worst_deg,
                ..
            } => format!(
                "either reduce the end point of \"{reference}\" at {reference_end_pct:+.0} % to \
                 {reference_end_point_pct} %, which leaves {} at most (95 %); or, if servo and \
                 linkage allow, increase the travel of \"{follower}\" and film again",
                figures::at_most_deg(*common_worst_deg)
            ),
        }
    }
}

/// Faults that numbers alone cannot cure.
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
        && remains.at_most_deg() > tolerance_deg
    {
        warnings.push(MatchingWarning::RemainsOutOfTolerance {
            follower: correction.follower.clone(),
            at_most_deg: remains.at_most_deg(),
            at_least_deg: remains.at_least_deg(),
            tolerance_deg,
        });
    }
    if let Some(measured_pct) = correction.measured_pct
        && (measured_pct[0] > -FULL_PCT || measured_pct[1] < FULL_PCT)
    {
        warnings.push(MatchingWarning::MeasuredInPart {
            reference: correction.reference.clone(),
            follower: correction.follower.clone(),
            measured_pct,
        });
    }
    warnings
}
