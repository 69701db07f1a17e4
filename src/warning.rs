//! What the person should know about a result that was obtained all the same.

use serde::{Deserialize, Serialize};

use crate::clip::ClipWarning;
use crate::matching::MatchingWarning;
use crate::response::ResponseWarning;
use crate::stations::StationsWarning;

/// A doubt about the result, with the figure that raised it and the threshold it passed.
///
/// Stages push into a `Vec<Warning>` that the command hands them; the report, the JSON and the
/// terminal print it once, at the end.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// No airframe tag is declared or seen: the camera has to have stood still.
    NoAirframeTag,
    /// No sighting of an airframe tag agrees with all others; the fit goes without it.
    AirframeTagLeftOut {
        /// Id of the tag.
        tag_id: u32,
        /// Frames in which it was found.
        sighted: usize,
    },
    /// What a correction does not cure or tell.
    Matching(MatchingWarning),
    /// A surface's hinge follows from the clip so poorly that its angles may be scaled.
    HingePoor {
        /// Name of the surface.
        surface: String,
        /// Standard deviation of the scale of its angles, percent.
        scale_sd_pct: f64,
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
    /// The paper of a tag is bent so much that it shows.
    TagBent {
        /// Id of the tag.
        tag_id: u32,
        /// How far its middle stands out over its edges, or lies below them.
        bow_mm: f64,
    },
    /// In some neighbouring frames a tag is a little off, further than its corners' errors.
    TagLooksOtherwise {
        /// Id of the tag.
        tag_id: u32,
        /// In how many frames.
        frames: usize,
    },
    /// A doubt about the clip.
    Clip(ClipWarning),
    /// A doubt about the holds.
    Stations(StationsWarning),
    /// A doubt about a surface or its response.
    Response(ResponseWarning),
}

/// A [`Warning`] as written to files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WarningText {
    /// Stable, kebab-case name of the kind of warning.
    pub code: String,
    /// What was seen, with the figure.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

impl Warning {
    /// Stable name of the kind of warning.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Clip(warning) => warning.code(),
            Self::Stations(warning) => warning.code(),
            Self::Response(warning) => warning.code(),
            Self::NoAirframeTag => "no-airframe-tag",
            Self::AirframeTagLeftOut { .. } => "airframe-tag-left-out",
            Self::Matching(warning) => warning.code(),
            Self::HingePoor { .. } => "hinge-poor",
            Self::TagOnHinge { .. } => "tag-on-hinge",
            Self::TagBent { .. } => "tag-bent",
            Self::TagLooksOtherwise { .. } => "tag-looks-otherwise",
        }
    }

    /// What was seen, with the figure that raised the doubt.
    pub fn text(&self) -> String {
        match self {
            Self::Clip(warning) => warning.text(),
            Self::Stations(warning) => warning.text(),
            Self::Response(warning) => warning.text(),
            Self::Matching(warning) => warning.text(),
            Self::NoAirframeTag => {
                "no airframe tag was seen, so the result holds only if the camera stood still"
                    .into()
            }
            Self::AirframeTagLeftOut { tag_id, sighted } => format!(
                "airframe tag {tag_id} was found in {sighted} frame(s), but never where the other \
                 sightings say it should be; it was left out"
            ),
            Self::HingePoor {
                surface,
                scale_sd_pct,
                threshold_pct,
            } => format!(
                "the hinge of {surface:?} is poorly determined: its angles may be scaled by \
                 {scale_sd_pct:.1} % (doubted from {threshold_pct:.1} %)"
            ),
            Self::TagOnHinge {
                surface,
                radius_mm,
                threshold_mm,
            } => format!(
                "the tag of {surface:?} sits {radius_mm:.1} mm from the hinge line and turns \
                 nearly in place (doubted below {threshold_mm:.1} mm)"
            ),
            Self::TagBent { tag_id, bow_mm } => format!(
                "the paper of tag {tag_id} is bent: its middle is about {bow_mm:.1} mm off the \
                 plane of its edges; the fit allows for it"
            ),
            Self::TagLooksOtherwise { tag_id, frames } => format!(
                "tag {tag_id} looks a little otherwise in {frames} frames than in all others; what \
                 is told of these has a wider ±, and the hinge goes by the others"
            ),
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Clip(warning) => warning.mend(),
            Self::Stations(warning) => warning.mend(),
            Self::Response(warning) => warning.mend(),
            Self::Matching(warning) => warning.mend(),
            Self::NoAirframeTag => {
                "stick a tag on a part that does not move and declare it as [[airframe_tag]]".into()
            }
            Self::AirframeTagLeftOut { .. } => {
                "check that the tag sits firmly, that no other tag has its id, and that its edge in \
                 the model file is the one printed"
                    .into()
            }
            Self::HingePoor { .. } => {
                "film through more travel or from nearer, use a larger tag, or declare \
                 hinge_to_tag_mm from a ruler"
                    .into()
            }
            Self::TagOnHinge { .. } => {
                "stick the tag to the trailing edge, away from the hinge line".into()
            }
            Self::TagBent { .. } => {
                "stick the tag on something flat and stiff, and film again, for a smaller ±".into()
            }
            Self::TagLooksOtherwise { .. } => {
                "look for glare, the edge of a shadow or a lifted corner on the tag".into()
            }
        }
    }
}

impl From<&Warning> for WarningText {
    fn from(warning: &Warning) -> Self {
        Self {
            code: warning.code().into(),
            text: warning.text(),
            mend: warning.mend(),
        }
    }
}

impl From<ClipWarning> for Warning {
    fn from(warning: ClipWarning) -> Self {
        Self::Clip(warning)
    }
}
