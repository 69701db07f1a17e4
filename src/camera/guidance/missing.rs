//! What is missing, in words.

use super::super::calibration::{CalibrationError, GOOD_U_DEG, Objection, Verdict};
use super::outlines::Tilt;
use crate::figures::sentences;

/// What keeps a fit from being good, in sentences; `tilts` are the directions in which the board was
/// tilted well.
pub(super) fn of_fit(verdict: &Verdict, tilts: &[Tilt]) -> Vec<String> {
    let mut missing: Vec<String> = verdict.objections.iter().map(of_objection).collect();
    if missing.is_empty() {
        return missing;
    }
    let unseen = Tilt::ALL.into_iter().filter(|tilt| !tilts.contains(tilt));
    let sides: Vec<&str> = unseen.map(Tilt::side).collect();
    if !sides.is_empty() {
        missing.push(format!(
            "No view is tilted enough with the {} side away from the camera.",
            sides.join(", or the ")
        ));
    }
    missing
}

fn of_objection(objection: &Objection) -> String {
    match objection {
        Objection::AddsToAngle { u_deg } => format!(
            "The profile still adds ±{u_deg:.4}° to a 30° deflection; ±{GOOD_U_DEG}° is the aim."
        ),
        Objection::EdgeNotReached { edge, .. } => {
            format!("No view reaches the {} edge of the picture.", edge.words())
        }
        Objection::MiddleOnly { .. } => {
            "The board was seen only in the middle of the picture: bring it to the edges.".into()
        }
        Objection::LittleTilt { .. } => {
            "Too few views are tilted: tilt the board by 20° to 45°.".into()
        }
        Objection::FewPlaces { places, .. } => {
            format!("Only {places} places so far; ten are needed.")
        }
        Objection::LargeRms { .. }
        | Objection::BentBoard { .. }
        | Objection::PixelsNotSquare { .. } => sentences(&objection.text(), &objection.mend()),
    }
}

/// What keeps the views from giving a camera at all.
pub(super) fn of_error(error: &CalibrationError) -> String {
    sentences(&error.to_string(), &error.mend())
}

/// Whether more views can do something about an objection.
pub(super) fn views_help(objection: &Objection) -> bool {
    match objection {
        Objection::AddsToAngle { .. }
        | Objection::EdgeNotReached { .. }
        | Objection::MiddleOnly { .. }
        | Objection::LittleTilt { .. }
        | Objection::FewPlaces { .. } => true,
        Objection::LargeRms { .. }
        | Objection::BentBoard { .. }
        | Objection::PixelsNotSquare { .. } => false,
    }
}
