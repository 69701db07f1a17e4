//! What a session returns for each frame.

use std::fmt;

use nalgebra::Point2;

use crate::measured::Measured;
use crate::tags::DropReason;
use crate::warning::WarningText;

/// How far a session is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Tags are missing that are needed.
    Looking,
    /// The tags are in sight, but the hinges are not known yet: no degrees.
    Learning,
    /// At least one surface has figures, or had them until something spoiled them.
    Measuring,
}

/// Everything a page shows after a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveState {
    /// How far the session is.
    pub phase: Phase,
    /// Time of the newest frame, s; the figures are of this frame. `None` before the first one.
    pub time_s: Option<f64>,
    /// What is missing or wrong, the most important first; each goes when it is cured.
    pub missing: Vec<Missing>,
    /// Whether the camera is fixed.
    pub view: View,
    /// What the present deflections, their differences and the peaks are counted from.
    pub zero: Zero,
    /// What the deflections of the holds are counted from, as in the finished measurement.
    pub zero_of_holds: Zero,
    /// One entry a declared surface, in the order of the model file.
    pub surfaces: Vec<LiveSurface>,
    /// The airframe tags, in the order of the model file.
    pub airframe_tags: Vec<LiveTag>,
    /// One entry a follower whose reference has a figure as well, in the order of the match groups.
    pub pairs: Vec<LivePair>,
    /// The holds kept so far, in time.
    pub holds: Vec<LiveHold>,
    /// Whether the newest hold still goes on.
    pub holding: bool,
    /// All surfaces that have figures have rested long enough for a hold.
    pub at_rest: bool,
    /// The station that the next hold belongs to, percent; `None` where none is declared or asked for.
    pub next_station_pct: Option<f64>,
    /// How many stations of the declared order are left, the next one included.
    pub stations_left: usize,
    /// Number of fits that were finished.
    pub fits: usize,
    /// A fit runs on the worker.
    pub fitting: bool,
    /// Doubts that the newest fit raised.
    pub warnings: Vec<WarningText>,
    /// Holds are kept by themselves when the surfaces rest.
    pub automatic: bool,
}

/// Whether the camera is fixed, as far as the airframe tags show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum View {
    /// Not known yet.
    Unknown,
    /// It stands still.
    Fixed,
    /// It moves.
    Moving,
}

/// What deflections are counted from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Zero {
    /// From where the surfaces were when the session began to measure: neutral is not known yet.
    Start,
    /// From where they were when the person set neutral, at this time, s. Holds count from there only as long as
    /// none is at neutral stick.
    Set {
        /// Time of the newest frame then.
        time_s: f64,
    },
    /// From the mean of the holds at neutral stick, as in a clip.
    Holds,
}

/// One tag in the newest frame.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveTag {
    /// Id in the family 36h11.
    pub tag_id: u32,
    /// Its corners, px, where it is seen: top-left, top-right, bottom-right, bottom-left as printed.
    pub corners_px: Option<[Point2<f64>; 4]>,
    /// Why it is not used, where it is not.
    pub unseen: Option<Unseen>,
}

/// Why a tag is not used in the newest frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unseen {
    /// It is too small.
    TooSmall {
        /// Its edge, px, where it is known.
        edge_px: Option<f64>,
        /// Edge that is needed, px.
        needed_px: f64,
    },
    /// It is blurred.
    Blurred,
    /// The border of the picture cuts it.
    CutOff,
    /// It is partly hidden.
    PartlyHidden,
    /// It is not in the picture, or hidden.
    NotFound,
    /// It is seen, but not where its hinge would put it.
    OffItsHinge,
}

impl Unseen {
    /// The reason of a dropped tag that had this edge when it was last seen, px.
    pub fn of(reason: DropReason, edge_px: Option<f64>) -> Self {
        match reason {
            DropReason::TooSmall => Self::TooSmall {
                edge_px,
                needed_px: crate::tags::SMALLEST_EDGE_PX,
            },
            DropReason::Blurred => Self::Blurred,
            DropReason::CutOff => Self::CutOff,
            DropReason::PartlyHidden => Self::PartlyHidden,
            DropReason::NotFound => Self::NotFound,
        }
    }

    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::TooSmall {
                edge_px: Some(edge_px),
                needed_px,
            } => format!(
                "move the camera closer, to {:.0} % of its present distance, or print a larger tag",
                100.0 * edge_px / needed_px
            ),
            Self::TooSmall { .. } => "move the camera closer, or print a larger tag".to_owned(),
            Self::Blurred => {
                "hold the camera still, focus on the tags, and give more light".to_owned()
            }
            Self::CutOff => "turn the camera until the tag is inside the picture".to_owned(),
            Self::PartlyHidden => {
                "uncover the tag; where light is reflected, move the lamp".to_owned()
            }
            Self::NotFound => {
                "turn the camera until the tag is in the picture, and uncover it".to_owned()
            }
            Self::OffItsHinge => {
                "check that the tag sits firmly on its own surface, and stick it back".to_owned()
            }
        }
    }
}

impl fmt::Display for Unseen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooSmall {
                edge_px: Some(edge_px),
                needed_px,
            } => write!(
                f,
                "too small: {edge_px:.0} px wide, {needed_px:.0} px are needed"
            ),
            Self::TooSmall { needed_px, .. } => {
                write!(f, "too small: {needed_px:.0} px are needed")
            }
            Self::Blurred => f.write_str("blurred"),
            Self::CutOff => f.write_str("cut off by the border of the picture"),
            Self::PartlyHidden => f.write_str("partly hidden"),
            Self::NotFound => f.write_str("not found"),
            Self::OffItsHinge => f.write_str("not where its hinge would put it"),
        }
    }
}

/// One surface in the newest frame.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveSurface {
    /// Name in the model file.
    pub name: String,
    /// Its tag.
    pub tag: LiveTag,
    /// Its hinge is known.
    pub learned: bool,
    /// Deflection from [`LiveState::zero`] in the newest frame, degrees; positive after
    /// [`crate::conventions`]. `None` where it is not measured or something spoils it.
    pub deflection_deg: Option<Measured>,
    /// It moved within the time of a rest.
    pub moving: bool,
    /// The hinge line in the picture beside the tag, px: two points, one tag's edge to either side.
    pub hinge_px: Option<[Point2<f64>; 2]>,
    /// The largest deflections since they were cleared.
    pub peak: Option<Peak>,
}

/// Largest deflections of a surface since they were cleared, degrees from [`LiveState::zero`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Most negative one.
    pub least_deg: Measured,
    /// Most positive one.
    pub most_deg: Measured,
}

/// A follower against its reference, at the same moment.
#[derive(Debug, Clone, PartialEq)]
pub struct LivePair {
    /// Name of the surface that is left alone.
    pub reference: String,
    /// Name of the surface that is adjusted.
    pub follower: String,
    /// Follower minus reference, degrees; of surfaces that move opposite ways follower plus reference.
    pub difference_deg: Measured,
    /// Largest difference that is accepted, degrees.
    pub tolerance_deg: f64,
}

/// A rest that was kept.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveHold {
    /// Its station, percent.
    pub stick_pct: f64,
    /// First and last time of its frames, s.
    pub time_s: [f64; 2],
    /// Kept by [`super::LiveSession::hold_now`].
    pub by_hand: bool,
    /// One entry a surface that was measured, in the order of the model file.
    pub figures: Vec<HoldFigure>,
}

/// Deflection of a surface in a hold.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldFigure {
    /// Name of the surface.
    pub surface: String,
    /// Mean deflection from [`LiveState::zero_of_holds`], degrees.
    pub deflection_deg: Measured,
}

/// What is missing for figures, or spoils them.
#[derive(Debug, Clone, PartialEq)]
pub enum Missing {
    /// A tag is not seen.
    Tag {
        /// Its id.
        tag_id: u32,
        /// Its surface; `None` for an airframe tag.
        surface: Option<String>,
        /// Why.
        why: Unseen,
    },
    /// Surfaces have not moved through enough of their travel.
    Travel {
        /// Their names.
        surfaces: Vec<String>,
    },
    /// The joint fit has no result yet.
    Fit {
        /// Its error, for the person.
        why: String,
    },
    /// No airframe tag: a camera that moves would look like surfaces that move.
    AirframeTag,
    /// The fixed camera was moved; figures are withheld until the new place is known.
    CameraBumped,
    /// The enlargement of the camera changed, so the profile no longer holds.
    ZoomChanged {
        /// How much larger the picture is now, as a factor.
        factor: f64,
    },
    /// A tag is seen, but not where its hinge would put it.
    TagExchanged {
        /// Its id.
        tag_id: u32,
        /// Its surface; `None` for an airframe tag.
        surface: Option<String>,
    },
    /// A tag is in the picture that is not in the model file.
    Undeclared {
        /// Its id.
        tag_id: u32,
    },
    /// Two tags of one id are in the picture.
    TagTwice {
        /// The id.
        tag_id: u32,
    },
    /// No station is known for the next hold.
    Station {
        /// A station card would show it.
        by_card: bool,
    },
    /// The session has as many holds as it can keep.
    TooManyHolds,
}

impl Missing {
    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Tag { why, .. } => why.mend(),
            Self::Travel { .. } => {
                "move the stick slowly once through its whole travel; keep hands clear of the surfaces"
                    .to_owned()
            }
            Self::Fit { .. } => "move every surface once more through its travel".to_owned(),
            Self::AirframeTag => {
                "stick an airframe tag on a fixed part and declare it, or keep the camera fixed"
                    .to_owned()
            }
            Self::CameraBumped => {
                "leave the camera where it is, and keep the airframe tags in the picture".to_owned()
            }
            Self::ZoomChanged { .. } => {
                "set the zoom back to that of the camera profile".to_owned()
            }
            Self::TagExchanged { .. } => Unseen::OffItsHinge.mend(),
            Self::Undeclared { .. } => {
                "add it to the model file, or take it out of the picture".to_owned()
            }
            Self::TagTwice { .. } => "take one of them out of the picture".to_owned(),
            Self::Station { by_card: true } => {
                "show the card of the station while the surfaces rest".to_owned()
            }
            Self::Station { by_card: false } => "choose the station that you hold".to_owned(),
            Self::TooManyHolds => "finish this session and begin another one".to_owned(),
        }
    }
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tag {
                tag_id,
                surface: Some(surface),
                why,
            } => write!(f, "tag {tag_id} of {surface}: {why}"),
            Self::Tag { tag_id, why, .. } => write!(f, "airframe tag {tag_id}: {why}"),
            Self::Travel { surfaces } => {
                write!(f, "not moved far enough yet: {}", surfaces.join(", "))
            }
            Self::Fit { why } => write!(f, "the hinges are not known yet: {why}"),
            Self::AirframeTag => f.write_str("no airframe tag is seen"),
            Self::CameraBumped => f.write_str("the camera was moved"),
            Self::ZoomChanged { factor } => {
                write!(f, "the zoom changed by a factor of {factor:.2}")
            }
            Self::TagExchanged { tag_id, surface } => write!(
                f,
                "tag {tag_id} is no longer where it was on {}: it was moved or exchanged",
                surface.as_deref().unwrap_or("the airframe")
            ),
            Self::Undeclared { tag_id } => {
                write!(
                    f,
                    "tag {tag_id} is in the picture but not in the model file"
                )
            }
            Self::TagTwice { tag_id } => write!(f, "tag {tag_id} is in the picture twice"),
            Self::Station { .. } => f.write_str("the station of this rest is not known"),
            Self::TooManyHolds => f.write_str("the session has as many holds as it can keep"),
        }
    }
}
