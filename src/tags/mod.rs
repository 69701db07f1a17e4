//! Tags: finds the declared tags in every frame and measures their corners.

mod appearance;
mod cards;
mod correlation;
mod mosaic;
mod patch;
mod pattern;
mod quality;
mod recognise;
mod refine;
mod search;
mod sensor;
mod sums;
mod tone;
mod tracker;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use nalgebra::{Point2, SMatrix};

use crate::clip::{ClipError, ClipInfo, Frame};
use crate::model_file::{ModelFile, StationSource};
use crate::progress::Progress;
use crate::vision::VisionError;
use tracker::Tracker;

/// Covariance of four corners, in the order x0 y0 x1 y1 x2 y2 x3 y3, px².
pub type CornerCovariance = SMatrix<f64, 8, 8>;

/// One tag seen in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Sighting {
    /// Id in the family 36h11.
    pub tag_id: u32,
    /// Outer corners of the black border: top-left, top-right, bottom-right, bottom-left as printed.
    pub corners_px: [Point2<f64>; 4],
    /// Joint covariance of the corners; they are correlated, since one pattern fit gives all four.
    pub covariance_px2: CornerCovariance,
}

/// Why a tag, or something that looked like one, was not used in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DropReason {
    /// Its edge is too short in the picture.
    TooSmall,
    /// Its edges are too soft.
    Blurred,
    /// It touches the border of the picture.
    CutOff,
    /// Part of it does not look as printed: a finger, glare, a shadow's edge.
    PartlyHidden,
    /// It was expected but not found.
    NotFound,
}

impl fmt::Display for DropReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TooSmall => "too small",
            Self::Blurred => "blurred",
            Self::CutOff => "cut off by the border of the picture",
            Self::PartlyHidden => "partly hidden",
            Self::NotFound => "not found",
        })
    }
}

/// A tag that was dropped in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dropped {
    /// Id of the tag.
    pub tag_id: u32,
    /// Why it was dropped.
    pub reason: DropReason,
}

/// All that was seen in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct SightedFrame {
    /// Position of the frame in the clip.
    pub index: usize,
    /// Presentation time.
    pub time_s: f64,
    /// Sorted by id, each id at most once.
    pub sightings: Vec<Sighting>,
    /// Sorted by id; declared surface and airframe tags only.
    pub dropped: Vec<Dropped>,
}

impl SightedFrame {
    /// The sighting of a tag, if it was seen in this frame.
    pub fn sighting(&self, tag_id: u32) -> Option<&Sighting> {
        self.sightings
            .iter()
            .find(|sighting| sighting.tag_id == tag_id)
    }
}

/// What the tags stage hands on: every frame of the clip, in order, with what was seen in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sightings {
    /// The clip that was searched.
    pub clip: ClipInfo,
    /// Every frame, in the order of presentation.
    pub frames: Vec<SightedFrame>,
}

/// Which tags to look for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TagPlan {
    /// Surface and airframe tags: measured in every frame.
    pub expected: BTreeSet<u32>,
    /// Station cards: only read, and only now and then.
    pub cards: BTreeSet<u32>,
}

impl TagPlan {
    /// The tags that a model file declares.
    pub fn of(model: &ModelFile) -> Self {
        let surfaces = model.surfaces.iter().map(|surface| surface.tag_id);
        let airframe = model.airframe_tags.iter().map(|tag| tag.id);
        let cards = match &model.stations.source {
            StationSource::Cards(stations) => stations.keys().copied().collect(),
            _ => BTreeSet::new(),
        };
        Self {
            expected: surfaces.chain(airframe).collect(),
            cards,
        }
    }
}

/// Why the tags stage has nothing to hand on.
#[derive(Debug, thiserror::Error)]
pub enum TagsError {
    /// The clip could not be read on.
    #[error(transparent)]
    Clip(#[from] ClipError),
    /// The vision library refused a call.
    #[error(transparent)]
    Vision(#[from] VisionError),
    /// An id that the family does not hold.
    #[error("tag {tag_id} is not in the family 36h11")]
    NoSuchTag {
        /// The id.
        tag_id: u32,
    },
    /// Two tags with one id.
    #[error(
        "tag {tag_id} is in the picture twice at {time_s:.2} s, near ({:.0}, {:.0}) and ({:.0}, {:.0}) px",
        places_px[0].x, places_px[0].y, places_px[1].x, places_px[1].y
    )]
    SameIdTwice {
        /// The id.
        tag_id: u32,
        /// When it was first seen twice.
        time_s: f64,
        /// Where the two are.
        places_px: [Point2<f64>; 2],
    },
    /// Nothing declared was ever seen.
    #[error(
        "none of the declared tags was seen in any of {frames} frames{}; the largest square that \
         could be one has edges of {largest_square_px:.0} px, and {needed_px:.0} px are needed{}",
        but_others(others),
        refusals(refused)
    )]
    NoTagSeen {
        /// Frames searched.
        frames: usize,
        /// Mean edge of the largest square outline without a valid code; 0 where there was none.
        largest_square_px: f64,
        /// Shortest edge that is measured.
        needed_px: f64,
        /// Tags of the family that were seen but are not declared, rising.
        others: Vec<u32>,
        /// In how many frames a declared tag was found but refused, and why.
        refused: BTreeMap<(u32, DropReason), usize>,
    },
    /// The clip holds no frame.
    #[error("the clip holds no frame")]
    NoFrame,
}

impl TagsError {
    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Clip(error) => error.mend().into(),
            Self::Vision(_) => "check that the installed OpenCV fits this build".into(),
            Self::NoSuchTag { .. } => "use ids from 0 to 586".into(),
            Self::SameIdTwice { .. } => {
                "cover or take away one of the two, or print it with a free id, and film again"
                    .into()
            }
            Self::NoTagSeen { refused, .. } if !refused.is_empty() => {
                "film closer and in focus, with all of each tag in the light and in the picture"
                    .into()
            }
            Self::NoTagSeen { others, .. } if !others.is_empty() => {
                "correct the ids in the model file to those on the aircraft".into()
            }
            Self::NoTagSeen {
                largest_square_px,
                needed_px,
                ..
            } if largest_square_px < needed_px => {
                "film closer or with a higher resolution, in focus, with light on the tags".into()
            }
            Self::NoTagSeen { .. } => {
                "check that the ids in the model file are those on the aircraft, that the white \
                 margin around each tag is whole, and that no lamp glares on it"
                    .into()
            }
            Self::NoFrame => "check that the clip plays, and film again".into(),
        }
    }
}

/// Tags that were seen in place of the declared ones, as a clause.
fn but_others(others: &[u32]) -> String {
    match others {
        [] => String::new(),
        [one] => format!(", but tag {one} was"),
        more => {
            let ids: Vec<String> = more.iter().map(u32::to_string).collect();
            format!(", but tags {} were", ids.join(", "))
        }
    }
}

/// Tags that were found but refused, as clauses.
fn refusals(refused: &BTreeMap<(u32, DropReason), usize>) -> String {
    let clauses = refused.iter().map(|((tag_id, reason), frames)| {
        format!("; tag {tag_id} was found but {reason} in {frames} frames")
    });
    clauses.collect()
}

/// Counts the tags that were found but refused.
fn count_refused(frames: &[SightedFrame]) -> BTreeMap<(u32, DropReason), usize> {
    let mut refused = BTreeMap::new();
    for dropped in frames.iter().flat_map(|frame| &frame.dropped) {
        if dropped.reason != DropReason::NotFound {
            *refused.entry((dropped.tag_id, dropped.reason)).or_default() += 1;
        }
    }
    refused
}

/// Finds the planned tags in every frame.
///
/// The whole picture is searched once, then only where each tag is expected, and the whole
/// picture again when one is lost. Reading and searching overlap if `frames` reads ahead.
///
/// # Errors
///
/// See [`TagsError`]; an error of the clip ends the search.
pub fn sight(
    frames: impl Iterator<Item = Result<Frame, ClipError>>,
    clip: &ClipInfo,
    plan: &TagPlan,
    progress: &dyn Progress,
) -> Result<Sightings, TagsError> {
    let mut tracker = Tracker::new(plan, clip.levels)?;
    let mut seen = Vec::new();
    for frame in frames {
        seen.push(tracker.see(&frame?)?);
        progress.advance("finding tags", seen.len() as u64, clip.claimed_frames);
    }
    if seen.is_empty() {
        return Err(TagsError::NoFrame);
    }
    let declared = |frame: &SightedFrame| {
        frame
            .sightings
            .iter()
            .any(|sighting| plan.expected.contains(&sighting.tag_id))
    };
    if !seen.iter().any(declared) {
        return Err(TagsError::NoTagSeen {
            frames: seen.len(),
            largest_square_px: tracker.largest_other_square_px,
            needed_px: quality::SMALLEST_EDGE_PX,
            others: tracker.undeclared.into_iter().collect(),
            refused: count_refused(&seen),
        });
    }
    Ok(Sightings {
        clip: clip.clone(),
        frames: seen,
    })
}
