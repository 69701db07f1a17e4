//! What the joint fit may assume, and what it says when it cannot do its work.

use super::LeftOut;
use crate::clip::{ClipInfo, Transfer};
use crate::names;
use crate::tags::{Overview, TagPicture};

/// Settings of the joint fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Prior standard deviation of the shared edge shift, px; 0 switches it off. Ink that runs and
    /// tone curves move black-to-white edges, all four alike. The corner fit, which sees as many
    /// edges move in as out, lets a seventh of that through at most: rendered tags whose ink runs by
    /// 0.05 mm keep 0.003 to 0.007 px, those behind a tone curve 0.003 px at most (`tests/corners.rs`
    /// prints them); moving tags in nine rendered films have −0.005 to 0.001 px, −0.013 px under glare.
    /// The joint fit itself determines it to 0.05 px on a tripod, no better.
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
    /// camera, px: it lasts through the rest and changes with the next. Over the holds of six
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
    /// Most steps of the last fit; if they do not suffice, [`MotionWarning::NotConverged`](super::MotionWarning)
    /// is raised. A still camera with a free lens needs dozens, other fits a few.
    pub most_steps: usize,
}

impl FitOptions {
    /// These settings with larger lasting errors where the pictures of the tags are poor: what
    /// residuals show in all frames alike does not average out over them. A poor picture moves the
    /// edges of all tags alike as well. Tags count alike.
    pub fn for_pictures(self, overview: &Overview) -> Self {
        let usual = self;
        let root_mean_square = |error_px: fn(&TagPicture) -> f64| {
            let squares = overview.pictures.values().map(|at| error_px(at).powi(2));
            (squares.sum::<f64>() / overview.pictures.len().max(1) as f64).sqrt()
        };
        let lasting_px = root_mean_square(TagPicture::lasting_error_px);
        let spoiled = overview.pictures.values().any(|at| at.fault().is_some());
        Self {
            edge_shift_sd_px: match spoiled {
                true => usual.edge_shift_sd_px.max(lasting_px),
                false => usual.edge_shift_sd_px,
            },
            corner_error_sd_px: usual.corner_error_sd_px.max(lasting_px),
            place_error_sd_px: usual
                .place_error_sd_px
                .max(root_mean_square(TagPicture::place_error_px)),
            ..usual
        }
    }
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
            most_steps: 100,
        }
    }
}

/// In HDR video the camera sharpens code values that encode light by a steep curve, which bends edges
/// further than the one exponent of the tone follows: the exponent that leaves the outlines in their places is
/// 0.2 from the one that fits the pixels best, which is 0.012 px of edge shift. Outlines of six tags on two
/// rendered HLG clips are off by 0.013 to 0.028 px beside that.
const HDR_EDGE_SHIFT_SD_PX: f64 = 0.02;
const HDR_CORNER_ERROR_SD_PX: f64 = 0.015;

impl FitOptions {
    /// The settings that suit how a clip codes light.
    pub fn of_clip(clip: &ClipInfo) -> Self {
        match clip.transfer {
            Transfer::Power => Self::default(),
            Transfer::HybridLogGamma | Transfer::PerceptualQuantisation => Self {
                edge_shift_sd_px: HDR_EDGE_SHIFT_SD_PX,
                corner_error_sd_px: HDR_CORNER_ERROR_SD_PX,
                ..Self::default()
            },
        }
    }
}

/// Help for tags that do not fit.
pub(super) const MEND_FIT_LOOSE: &str = "check that every tag sits firmly, that nothing moves but \
    the surfaces about their hinges, and that the camera profile is this camera's";
/// Help for a tag that fits nowhere.
pub(super) const MEND_TAG_FITS_NOWHERE: &str = "check that the tag sits firmly, that no other tag \
    has its id, and that its edge in the model file is the one printed";
/// Help for a poorly determined hinge.
pub(super) const MEND_HINGE_POOR: &str = "film through more travel or from nearer, use a larger \
    tag, or declare hinge_to_tag_mm from a ruler";

/// Why no motion could be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MotionError {
    /// A surface's tag was never seen, or never together with an airframe tag.
    #[error("{}{}", never_seen(surface, *tag_id, *sighted), in_its_place(undeclared))]
    SurfaceNeverSeen {
        /// Name of the surface.
        surface: String,
        /// Id of its tag.
        tag_id: u32,
        /// Frames in which the tag was found, with no airframe tag beside it.
        sighted: usize,
        /// Undeclared tags that the searches for it found, and in how many pictures each; empty where
        /// the tag itself was found.
        undeclared: Vec<(u32, usize)>,
        /// Those of them that were there throughout, and so may be on the aircraft.
        throughout: Vec<u32>,
    },
    /// Too few frames show a surface.
    #[error("surface {surface:?} was seen in {frames} frames only; {needed} are needed")]
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
        "surface {surface:?} moved by {travel_deg:.1}° only; {needed_deg:.0}° are needed to measure its hinge"
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
    /// The tags are far from where the fit predicts them.
    #[error(
        "the tags do not move as on an airframe with hinged surfaces: their corners are off by {rms_px:.1} px \
         on average, {rms_pct:.1} % of their edges; {limit_pct:.0} % is \
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
        "tag {tag_id} was found in {sighted} frame(s), but never where the other tags show that it \
         should be"
    )]
    TagFitsNowhere {
        /// Id of the tag.
        tag_id: u32,
        /// Frames in which it was found.
        sighted: usize,
    },
    /// The airframe tags move with the surfaces.
    #[error(
        "airframe tag {tag_id} moves with the surfaces, so it cannot be on a fixed part, and no other \
         airframe tag is at rest"
    )]
    AirframeTagMoves {
        /// Id of the tag.
        tag_id: u32,
    },
    /// No airframe tag was seen, and the tags do not move as they would before a still camera.
    #[error(
        "{}, and the camera moved: without an airframe tag, motion of the camera looks like motion of the \
         surfaces",
        no_airframe_tag(undeclared)
    )]
    CameraMovedUnseen {
        /// Undeclared tags that were in the picture throughout, and so may be on the airframe.
        undeclared: Vec<u32>,
    },
    /// The tags' edges do not belong together.
    #[error(
        "the edge of tag {tag_id} does not fit the clip: {declared_mm:.1} mm is declared, and the clip fits \
         {fits_mm:.1} mm{}",
        or_another(*or)
    )]
    EdgeContradicted {
        /// Id of the tag.
        tag_id: u32,
        /// As declared.
        declared_mm: f64,
        /// With which the clip fits.
        fits_mm: f64,
        /// Id and edge of another tag that would explain the clip as well.
        or: Option<(u32, f64)>,
    },
    /// The sightings leave the constants of the fit undetermined.
    #[error("the clip does not determine the hinges: {frames} frames were usable")]
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

/// Why a surface has no frame to be measured in.
fn never_seen(surface: &str, tag_id: u32, sighted: usize) -> String {
    match sighted {
        0 => format!("tag {tag_id} of the surface {surface:?} was not found in any frame"),
        1.. => format!(
            "tag {tag_id} of the surface {surface:?} was found in {sighted} frames, but in none of \
             them together with an airframe tag, and the camera moved"
        ),
    }
}

fn or_another(or: Option<(u32, f64)>) -> String {
    or.map_or_else(String::new, |(tag_id, fits_mm)| {
        format!("; an edge of {fits_mm:.1} mm of tag {tag_id} would explain it as well")
    })
}

fn listed(left_out: &[LeftOut]) -> String {
    let reasons = left_out.iter().map(|one| one.reason.to_string());
    reasons.collect::<Vec<_>>().join("; ")
}

impl MotionError {
    /// What the person can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::SurfaceNeverSeen { undeclared, .. } if !undeclared.is_empty() => {
                "correct the tag's id in the model file to the one on the surface"
            }
            Self::SurfaceNeverSeen { sighted: 0, .. } => {
                "check the tag's id in the model file, and film so that it and an airframe tag \
                 are sharp and whole in the picture"
            }
            Self::SurfaceNeverSeen { .. } => {
                "keep an airframe tag in the picture together with the surface's tag: film from \
                 farther away, or put the airframe tag nearer to the surfaces; with the camera on a \
                 tripod they need not be seen together"
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
            Self::AirframeTagMoves { .. } => {
                "stick a tag on a part that never moves, declare it as [[airframe_tag]] in place of this \
                 one, and film again"
            }
            Self::CameraMovedUnseen { undeclared } if !undeclared.is_empty() => {
                "if this tag is on a part that never moves, declare it with its id as [[airframe_tag]] in \
                 the model file; otherwise stick such a tag on and film again, or film from a tripod"
            }
            Self::CameraMovedUnseen { .. } => {
                "stick a tag on a part that never moves, declare it as [[airframe_tag]], and film again; or \
                 film from a tripod"
            }
            Self::EdgeContradicted { .. } => {
                "measure the outer edge of each printed black square, and correct `edge_mm` in the model file"
            }
            Self::Undetermined { .. } => {
                "film longer, nearer and through the whole travel, with an airframe tag in view"
            }
            Self::NotFinite { .. } => "this is a fault of the program: please report it",
        }
    }
}

/// Which airframe tags the clip shows, for a clip without a declared one.
fn no_airframe_tag(undeclared: &[u32]) -> String {
    match undeclared {
        [] => "no airframe tag was seen".into(),
        ids => format!(
            "the clip shows {}, which the model file does not declare, and no declared airframe tag",
            names::tags(ids)
        ),
    }
}

/// "; tags that the model file does not declare: 10 (in 33 pictures)", or nothing.
fn in_its_place(undeclared: &[(u32, usize)]) -> String {
    if undeclared.is_empty() {
        return String::new();
    }
    let tags: Vec<String> = undeclared
        .iter()
        .map(|(tag_id, pictures)| format!("{tag_id} (in {pictures} searched pictures)"))
        .collect();
    format!(
        "; the clip shows tags that the model file does not declare: {}",
        tags.join(", ")
    )
}
