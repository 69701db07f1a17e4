//! What the joint fit may assume, and what it says when it cannot do its work.

use super::LeftOut;

/// Settings of the joint fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Prior standard deviation of the shared edge shift, px; 0 switches it off. Ink that runs and
    /// tone curves move black-to-white edges, all four alike. The corner fit, which sees as many
    /// edges move in as out, lets a seventh of that through at most: rendered tags whose ink runs by
    /// 0.05 mm keep 0.003 to 0.007 px, those behind a tone curve 0.003 px at most (`tests/corners.rs`
    /// prints them); moving tags in nine rendered films have −0.005 to 0.001 px, −0.013 px under glare.
    /// The joint fit itself tells it to 0.05 px on a tripod, no better.
    pub edge_shift_sd_px: f64,
    /// Prior standard deviation of the time in which the camera reads a picture, from its first line
    /// to its last, s; 0 takes all lines as read at once. Phones take 15 to 30 ms, and webcams as
    /// long; which line is first depends on how the camera was held.
    pub readout_sd_s: f64,
    /// Prior standard deviation of the bow of each tag's paper along its rows and along its columns,
    /// as a share of its edge: how far its middle stands out over its edges; 0 takes tags as flat. A
    /// hundredth is a sheet on a drum with a radius of twelve edges.
    pub bow_sd_share: f64,
    /// Standard deviation of the error of each corner's coordinate that stays the same through the
    /// whole clip, px; 0 for none. The mean outlines of tags on the tripod sample clip, which also has
    /// a camera's processing and a video's compression, are off by 0.012 px beside their places, on
    /// the hand-held one by 0.006 px, on 13 other rendered clips by 0.001 to 0.018 px, 0.006 px in the
    /// root mean square; single corners of rendered tags without these by 0.004 to 0.009 px.
    pub corner_error_sd_px: f64,
    /// Standard deviation of the error of a resting tag's place in each direction, beside a still
    /// camera, px: it lasts through the rest and comes anew with the next. Over the holds of six
    /// rendered clips places err by 0.004 to 0.022 px along the way, half of them by 0.009 px at most,
    /// on the tripod sample clip by 0.012 px.
    pub place_error_sd_px: f64,
    /// A sighting is rejected when its squared error exceeds this many times what its covariance
    /// leads to expect of a coordinate. Of good sightings (χ², 8 degrees of freedom) one in ten
    /// thousand exceeds 32.
    pub rejection_chi2: f64,
    /// The camera stood still if the airframe tags' corners wander less than this, px.
    pub still_camera_px: f64,
    /// Surfaces that travel less than this are refused, degrees: the hinge line would be guessed.
    pub smallest_travel_deg: f64,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            edge_shift_sd_px: 0.01,
            readout_sd_s: 0.02,
            bow_sd_share: 0.01,
            corner_error_sd_px: 0.01,
            place_error_sd_px: 0.01,
            rejection_chi2: 32.0,
            still_camera_px: 0.08,
            smallest_travel_deg: 3.0,
        }
    }
}

/// Against tags that lie elsewhere than the fit says.
pub(super) const MEND_FIT_LOOSE: &str = "check that every tag sits firmly, that nothing moves but \
    the surfaces about their hinges, and that the camera profile is this camera's";
/// Against a tag that fits nowhere.
pub(super) const MEND_TAG_FITS_NOWHERE: &str = "check that the tag sits firmly, that no other tag \
    has its id, and that its edge in the model file is the one printed";
/// Against a hinge that the clip hardly tells.
pub(super) const MEND_HINGE_POOR: &str = "film through more travel or from nearer, use a larger \
    tag, or declare hinge_to_tag_mm from a ruler";

/// Why no motion could be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MotionError {
    /// A surface's tag was never seen, or never together with an airframe tag.
    #[error("surface {surface:?} was never seen: tag {tag_id} was found in {sighted} frames")]
    SurfaceNeverSeen {
        /// Name of the surface.
        surface: String,
        /// Id of its tag.
        tag_id: u32,
        /// Frames in which the tag was found, with no airframe tag beside it.
        sighted: usize,
    },
    /// Too few frames show a surface.
    #[error("surface {surface:?} was seen in {frames} frames only; the fit needs {needed}")]
    TooFewFrames {
        /// Name of the surface.
        surface: String,
        /// Frames in which its tag was usable.
        frames: usize,
        /// Frames that are needed.
        needed: usize,
    },
    /// The corners of a surface's tag stay where they are.
    #[error(
        "surface {surface:?} did not move: the corners of its tag go {moved_sd:.1} times as far as their \
         noise; {needed_sd:.1} times are needed"
    )]
    AtRest {
        /// Name of the surface.
        surface: String,
        /// How far its corners go, in standard deviations of their noise.
        moved_sd: f64,
        /// How far they have to go.
        needed_sd: f64,
    },
    /// A surface hardly moved.
    #[error(
        "surface {surface:?} travelled {travel_deg:.1}°; the fit of its hinge needs {needed_deg:.0}°"
    )]
    TravelTooSmall {
        /// Name of the surface.
        surface: String,
        /// Travel that was seen.
        travel_deg: f64,
        /// Travel that is needed.
        needed_deg: f64,
    },
    /// Several surfaces cannot be measured.
    #[error("{} surfaces cannot be measured: {}", left_out.len(), listed(left_out))]
    SeveralLeftOut {
        /// All of them, each with its reason.
        left_out: Vec<LeftOut>,
    },
    /// No turn about a line explains what was seen.
    #[error("the tag of surface {surface:?} does not move about a hinge line")]
    NoHinge {
        /// Name of the surface.
        surface: String,
    },
    /// The hinge follows from the sightings so poorly that angles would be guesses.
    #[error(
        "the hinge of surface {surface:?} is too poorly determined: its angles could be \
         {scale_sd_pct:.0} % off"
    )]
    HingeUndetermined {
        /// Name of the surface.
        surface: String,
        /// Standard deviation of the scale of its angles, percent.
        scale_sd_pct: f64,
    },
    /// The tags lie far from where the fit says they should be.
    #[error(
        "the tags do not move as on an airframe with hinged surfaces: their corners lie {rms_px:.1} px \
         off in each direction (root mean square), {rms_pct:.1} % of their edges; {limit_pct:.0} % are \
         the limit"
    )]
    FitLoose {
        /// Root mean square of a coordinate's residuals.
        rms_px: f64,
        /// The same in percent of the tags' edges.
        rms_pct: f64,
        /// Where it is refused, percent.
        limit_pct: f64,
    },
    /// No sighting of a tag agrees with the fit of all others.
    #[error(
        "tag {tag_id} was found in {sighted} frame(s), but never where the other sightings say it \
         should be"
    )]
    TagFitsNowhere {
        /// Id of the tag.
        tag_id: u32,
        /// Frames in which it was found.
        sighted: usize,
    },
    /// The sightings leave the constants of the fit undetermined.
    #[error("the sightings do not determine the hinges: {frames} frames were usable")]
    Undetermined {
        /// Frames that were usable.
        frames: usize,
    },
    /// A corner or its covariance is not a number.
    #[error("tag {tag_id} in frame {frame} has corners that are not numbers")]
    NotFinite {
        /// Position of the frame in the clip.
        frame: usize,
        /// Id of the tag.
        tag_id: u32,
    },
}

fn listed(left_out: &[LeftOut]) -> String {
    let reasons = left_out.iter().map(|one| one.reason.to_string());
    reasons.collect::<Vec<_>>().join("; ")
}

impl MotionError {
    /// What the person can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::SurfaceNeverSeen { .. } => {
                "check the tag's id in the model file, and film so that it and an airframe tag \
                 are sharp and whole in the picture"
            }
            Self::TooFewFrames { .. } => {
                "film longer, with the tag in view through the whole travel"
            }
            Self::AtRest { .. } | Self::TravelTooSmall { .. } => {
                "film the surface through its whole travel, from end to end; hands clear of it"
            }
            Self::SeveralLeftOut { left_out } => {
                let first = left_out.first().map(|one| one.reason.mend());
                first.unwrap_or("film the surfaces through their whole travel")
            }
            Self::NoHinge { .. } => {
                "check that the tag sits firmly on the surface and that no other tag has its id"
            }
            Self::HingeUndetermined { .. } => MEND_HINGE_POOR,
            Self::FitLoose { .. } => MEND_FIT_LOOSE,
            Self::TagFitsNowhere { .. } => MEND_TAG_FITS_NOWHERE,
            Self::Undetermined { .. } => {
                "film longer, nearer and through the whole travel, with an airframe tag in view"
            }
            Self::NotFinite { .. } => "this is a fault of the program: please report it",
        }
    }
}
