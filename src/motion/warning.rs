//! What the motion stage doubts, though it fitted on.

use super::options::{MEND_FIT_LOOSE, MEND_HINGE_POOR, MEND_TAG_FITS_NOWHERE};
use super::{DeclarationWarning, MotionError};
use crate::warning::Warning;

/// A doubt about the fit.
#[derive(Debug, Clone, PartialEq)]
pub enum MotionWarning {
    /// No airframe tag is declared or seen: the camera has to have stood still.
    NoAirframeTag,
    /// No sighting of an airframe tag agrees with all others; the fit goes without it.
    AirframeTagLeftOut {
        /// Id of the tag.
        tag_id: u32,
        /// Frames in which it was found.
        sighted: usize,
    },
    /// A surface's hinge follows from the clip so poorly that its angles may be scaled.
    HingePoor {
        /// Name of the surface.
        surface: String,
        /// Standard deviation of the scale of its angles, percent.
        scale_sd_pct: f64,
        /// Where doubt begins, percent.
        threshold_pct: f64,
    },
    /// The tags are further from their predicted places than their pictures explain.
    FitLoose {
        /// Root mean square of a coordinate's residuals.
        rms_px: f64,
        /// The same in percent of the tags' edges.
        rms_pct: f64,
        /// Where doubt begins, percent.
        threshold_pct: f64,
    },
    /// A surface's tag sits next to its hinge line and turns nearly in place.
    TagOnHinge {
        /// Name of the surface.
        surface: String,
        /// Distance of the tag's centre from the hinge line.
        radius_mm: f64,
        /// Where doubt begins.
        threshold_mm: f64,
    },
    /// The camera moved, and the only airframe tag faces it: how the camera tilts hardly shows.
    AirframeTagSquareOn {
        /// Id of the tag.
        tag_id: u32,
        /// Between its normal and the line of sight, median of all frames.
        angle_deg: f64,
        /// Where doubt begins.
        threshold_deg: f64,
    },
    /// The background moves against the aircraft.
    SurroundingsMove,
    /// The fit with the surroundings has no solution, and they are not part of the fit.
    SurroundingsUndetermined,
    /// The last fit ended before its minimum.
    NotConverged,
    /// The aircraft rocks a little in its surroundings as its surfaces move, and the fit allows for it.
    AircraftRocks {
        /// How far through the whole travel, as seen from the camera.
        angle_deg: f64,
    },
    /// The camera moved, and in some frames its pose comes from the surroundings without an airframe tag.
    AirframeTagHidden {
        /// How many frames.
        frames: usize,
    },
    /// The paper of a tag is bent so much that it shows.
    TagBent {
        /// Id of the tag.
        tag_id: u32,
        /// Height of its middle above its edges; negative below them.
        bow_mm: f64,
    },
    /// In some neighbouring frames a tag is a little off, further than its corners' errors.
    TagLooksOtherwise {
        /// Id of the tag.
        tag_id: u32,
        /// In how many frames.
        frames: usize,
    },
    /// The clip contradicts what was declared.
    Declaration(DeclarationWarning),
}

impl Warning for MotionWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::NoAirframeTag => "no-airframe-tag",
            Self::AirframeTagLeftOut { .. } => "airframe-tag-left-out",
            Self::HingePoor { .. } => "hinge-poor",
            Self::FitLoose { .. } => "fit-loose",
            Self::TagOnHinge { .. } => "tag-on-hinge",
            Self::AirframeTagSquareOn { .. } => "airframe-tag-square-on",
            Self::SurroundingsMove => "surroundings-move",
            Self::SurroundingsUndetermined => "surroundings-undetermined",
            Self::NotConverged => "fit-not-converged",
            Self::AircraftRocks { .. } => "aircraft-rocks",
            Self::AirframeTagHidden { .. } => "airframe-tag-hidden",
            Self::TagBent { .. } => "tag-bent",
            Self::TagLooksOtherwise { .. } => "tag-looks-otherwise",
            Self::Declaration(warning) => warning.code(),
        }
    }

    fn text(&self) -> String {
        match self {
            Self::NoAirframeTag => {
                "no airframe tag was seen, so the result is valid only if the camera did not move"
                    .into()
            }
            Self::AirframeTagLeftOut { tag_id, sighted } => {
                let (tag_id, sighted) = (*tag_id, *sighted);
                let error = MotionError::TagFitsNowhere { tag_id, sighted };
                format!("{error}; it was left out")
            }
            Self::HingePoor {
                surface,
                scale_sd_pct,
                threshold_pct,
            } => format!(
                "the hinge of {surface:?} is poorly determined: its angles may be scaled by \
                 {scale_sd_pct:.1} % (limit {threshold_pct:.1} %)"
            ),
            Self::FitLoose {
                rms_px,
                rms_pct,
                threshold_pct,
            } => format!(
                "the corners of the tags are off by {rms_px:.2} px on average, {rms_pct:.1} % of their \
                 edges (limit {threshold_pct:.0} %): something \
                 moves that should not, and the ± may be too small"
            ),
            Self::TagOnHinge {
                surface,
                radius_mm,
                threshold_mm,
            } => format!(
                "the tag of {surface:?} sits {radius_mm:.1} mm from the hinge line and turns \
                 nearly in place (needed: {threshold_mm:.1} mm or more)"
            ),
            Self::AirframeTagSquareOn {
                tag_id,
                angle_deg,
                threshold_deg,
            } => format!(
                "the camera moved, and the only tag on the airframe, {tag_id}, faces it within \
                 {angle_deg:.1}° (limit {threshold_deg:.0}°): the tilt of the camera hardly shows, \
                 and each ± is up to twice as large as with a leaning tag"
            ),
            Self::SurroundingsMove => {
                "the camera moved, and too few background points were at rest; so the camera motion \
                 comes from the tags alone, and each ± is wider"
                    .into()
            }
            Self::SurroundingsUndetermined => {
                "the camera moved, and the fit with its surroundings has no solution; the program uses \
                 the aircraft's tags alone to find where the camera was, and each ± is wider"
                    .into()
            }
            Self::NotConverged => {
                "the joint fit did not converge: the angles may be wrong by more than their ±".into()
            }
            Self::AircraftRocks { angle_deg } => format!(
                "the aircraft rocked while its surfaces moved, by {angle_deg:.2}° as seen \
                 from the camera; the program corrects for it, and each ± is wider"
            ),
            Self::AirframeTagHidden { frames } => format!(
                "in {frames} frames no airframe tag was usable, and only background points \
                 show the camera motion; each ± is wider there, more for a single side than between the sides"
            ),
            Self::TagBent { tag_id, bow_mm } => format!(
                "the paper of tag {tag_id} is bent: its middle is about {bow_mm:.1} mm off the \
                 plane of its edges; the program corrects for it"
            ),
            Self::TagLooksOtherwise { tag_id, frames } => format!(
                "tag {tag_id} looks different in {frames} frames; the results from these \
                 frames have a wider ±, and do not affect the hinge"
            ),
            Self::Declaration(warning) => warning.text(),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::NoAirframeTag => {
                "stick a tag on a part that does not move and declare it as [[airframe_tag]]".into()
            }
            Self::AirframeTagLeftOut { .. } => MEND_TAG_FITS_NOWHERE.into(),
            Self::HingePoor { .. } => MEND_HINGE_POOR.into(),
            Self::FitLoose { .. } => MEND_FIT_LOOSE.into(),
            Self::TagOnHinge { .. } => {
                "stick the tag to the trailing edge, away from the hinge line".into()
            }
            Self::AirframeTagSquareOn { .. } => {
                "for a smaller ±, let the airframe tag lean by 15° or more from facing the camera (on a \
                 bracket from the printed kit), add a second one nearer or farther, or use a tripod"
                    .into()
            }
            Self::SurroundingsUndetermined => {
                "film with more of the workshop in the picture, and keep an airframe tag in sight".into()
            }
            Self::NotConverged => {
                "check tag sizes, tag ids and the camera profile in the model file, and film again with \
                 the tags sharp and each surface moved through its whole travel"
                    .into()
            }
            Self::SurroundingsMove | Self::AircraftRocks { .. } => {
                "make sure that the aircraft stands firmly and does not rock when its surfaces move, and film \
                 where nothing else moves"
                    .into()
            }
            Self::AirframeTagHidden { .. } => {
                "for a smaller ±, keep an airframe tag in sight, and hands and glare off it".into()
            }
            Self::TagBent { .. } => {
                "stick the tag on something flat and stiff, and film again, for a smaller ±".into()
            }
            Self::TagLooksOtherwise { .. } => {
                "look for glare, the edge of a shadow or a lifted corner on the tag".into()
            }
            Self::Declaration(warning) => warning.mend(),
        }
    }

    fn grave(&self) -> bool {
        match self {
            Self::Declaration(warning) => warning.grave(),
            Self::FitLoose { .. } | Self::NotConverged => true,
            _ => false,
        }
    }
}
