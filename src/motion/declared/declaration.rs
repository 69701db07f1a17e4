//! Declarations that the clip contradicts, though it could be measured.

use super::sides::QuarterTurn;
use crate::measured::Measured;
use crate::warning::Warning;

/// A declaration that the clip contradicts.
#[derive(Debug, Clone, PartialEq)]
pub enum DeclarationWarning {
    /// The camera profile is not this clip's; the result uses a free lens.
    ProfileContradicted {
        /// Focal length that the clip fits, over the profile's.
        focal_ratio: Measured,
        /// Residuals at the tags' corners with a free lens, over those with the profile.
        residual_share: f64,
    },
    /// The stated field of view is not this clip's; the result allows for it.
    FieldOfViewContradicted {
        /// Across the diagonal, as stated.
        stated_deg: f64,
        /// Across the diagonal, as the clip fits it.
        fits_deg: Measured,
    },
    /// An airframe tag moves with the surfaces; the result uses the others.
    AirframeTagMoves {
        /// Id of the tag.
        tag_id: u32,
    },
    /// A right surface is on the left of the left one.
    SidesExchanged {
        /// Name and tag of the surface declared as left.
        left: (String, u32),
        /// Name and tag of the one declared as right.
        right: (String, u32),
    },
    /// Tags and sides show that the picture is on its side.
    PictureTurned {
        /// How far.
        turn: QuarterTurn,
    },
    /// The clip shows another distance from hinge to tag than the ruler; the result does not use the ruler's.
    RulerContradicted {
        /// Name of the surface.
        surface: String,
        /// As declared.
        ruler_mm: Measured,
        /// As the clip fits it.
        fits_mm: Measured,
    },
}

impl DeclarationWarning {
    /// Code of [`Self::SidesExchanged`].
    pub const SIDES_EXCHANGED: &'static str = "sides-exchanged";
    /// Code of [`Self::PictureTurned`].
    pub const PICTURE_TURNED: &'static str = "picture-turned";
}

impl Warning for DeclarationWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::ProfileContradicted { .. } => "profile-contradicted",
            Self::FieldOfViewContradicted { .. } => "field-of-view-contradicted",
            Self::AirframeTagMoves { .. } => "airframe-tag-moves",
            Self::SidesExchanged { .. } => Self::SIDES_EXCHANGED,
            Self::PictureTurned { .. } => Self::PICTURE_TURNED,
            Self::RulerContradicted { .. } => "ruler-contradicted",
        }
    }

    fn text(&self) -> String {
        match self {
            Self::ProfileContradicted {
                focal_ratio,
                residual_share,
            } => format!(
                "the clip contradicts the camera profile: another lens leaves only {:.0} % of the errors \
                 at the tags' corners, with a focal length {:.3} ± {:.3} times as long as the profile's. \
                 The result uses that other lens, and each ± is wider",
                100.0 * residual_share,
                focal_ratio.value,
                focal_ratio.u()
            ),
            Self::FieldOfViewContradicted {
                stated_deg,
                fits_deg,
            } => format!(
                "the clip contradicts the stated field of view of {stated_deg:.0}°: it fits {:.1}° ± {:.1}° \
                 across the diagonal. The result uses that lens",
                fits_deg.value,
                fits_deg.u()
            ),
            Self::AirframeTagMoves { tag_id } => format!(
                "airframe tag {tag_id} moves with the surfaces, so it cannot be on a fixed part; the \
                 result does not use it"
            ),
            Self::SidesExchanged {
                left: (left, left_tag),
                right: (right, right_tag),
            } => format!(
                "left and right are swapped: in the picture, the tag of the left surface {left:?} \
                 ({left_tag}) is to the right of the tag of the right surface {right:?} ({right_tag}). \
                 Either their tags, ids or `side` words are swapped, and each figure belongs to the other \
                 servo; or the phone was held upside down, and up and down are reversed as well"
            ),
            Self::PictureTurned { turn } => format!(
                "the picture is turned {} by a quarter: the tags and the sides of the aircraft show it. Up \
                 and down are uncertain in every figure",
                match turn {
                    QuarterTurn::Anticlockwise => "anticlockwise",
                    _ => "clockwise",
                }
            ),
            Self::RulerContradicted {
                surface,
                ruler_mm,
                fits_mm,
            } => format!(
                "the clip contradicts hinge_to_tag_mm of {surface:?}: {:.1} ± {:.1} mm is declared, but \
                 the clip fits {:.1} ± {:.1} mm. The result does not use the declared distance",
                ruler_mm.value,
                ruler_mm.u(),
                fits_mm.value,
                fits_mm.u()
            ),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::ProfileContradicted { focal_ratio, .. } => mend_profile(*focal_ratio),
            Self::FieldOfViewContradicted { .. } => {
                "state the angle across the diagonal for the video mode in use, without digital zoom; \
                 for a smaller ±, calibrate the camera"
                    .into()
            }
            Self::AirframeTagMoves { .. } => {
                "stick airframe tags only on parts that never move, and take this one out of the model \
                 file"
                    .into()
            }
            Self::SidesExchanged { .. } => {
                "do not enter any number. Look at the picture: if it is upright, swap the two tag ids or the two \
                 `side` words in the model file; if it is upside down, film again with the phone upright. \
                 The camera must be behind the aircraft"
                    .into()
            }
            Self::PictureTurned { .. } => {
                "hold the phone so that the picture is upright, and film again".into()
            }
            Self::RulerContradicted { .. } => {
                "measure again from the hinge line to the middle of the tag, and check that `edge_mm` is \
                 the edge of the printed black square"
                    .into()
            }
        }
    }

    fn grave(&self) -> bool {
        !matches!(self, Self::FieldOfViewContradicted { .. })
    }
}

/// Focal lengths within this share of the profile's can be a matter of focus: between 0.3 m and infinity
/// the focal length of a phone's lens of 4 to 7 mm changes by 1.4 to 2.4 % (thin lens).
const BY_FOCUS_SHARE: f64 = 0.025;

fn mend_profile(focal_ratio: Measured) -> String {
    let u = focal_ratio.u();
    let [shortest, longest] = [focal_ratio.value - u, focal_ratio.value + u];
    let cause = if shortest > 1.0 - BY_FOCUS_SHARE && longest < 1.0 + BY_FOCUS_SHARE {
        "possible causes are another focus distance than in the calibration, or another phone"
    } else if longest < 1.0 {
        "possible causes are another lens, another video mode or another phone"
    } else {
        "possible causes are digital zoom, stabilisation that crops the picture, another lens or another phone"
    };
    format!(
        "{cause}: calibrate the camera in the mode of this clip, or film in the mode of the profile"
    )
}
