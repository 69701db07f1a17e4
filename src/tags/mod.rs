//! Tags: finds the declared tags in every frame and measures their corners.

mod cards;
mod change_detection;
mod clipping;
mod correlation;
mod error;
mod frame_search;
mod image_model;
mod lanes;
mod mirrored;
mod mosaic;
mod normal_equations;
mod patch;
mod pattern;
mod picture;
mod quality;
mod recognise;
mod rect;
mod refine;
mod search;
mod sensor;
mod sensor_estimate;
mod tone;
mod track;
mod tracker;
mod warning;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use nalgebra::{Point2, SMatrix};
use serde::{Deserialize, Serialize};

use crate::clip::{ClipError, ClipInfo, Frame};
use crate::landmarks::LandmarkSighting;
use crate::model_file::ModelFile;
use crate::progress::Progress;
pub use error::TagsError;
pub use frame_search::FrameSearch;
pub use picture::{PictureFault, TagPicture};
pub use quality::SMALLEST_EDGE_PX;
use tracker::Tracker;
pub use tracker::TrackerState;
pub use warning::{SpoiledTags, TagsWarning, doubt_search};

/// Covariance of four corners, in the order x0 y0 x1 y1 x2 y2 x3 y3, px². Single precision: all
/// sightings of a clip stay in memory until the fit, and the covariance is the largest part of
/// each.
pub type CornerCovariance = SMatrix<f32, 8, 8>;

/// One tag seen in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// Id in the family 36h11.
    pub tag_id: u32,
    /// Outer corners of the black border: top-left, top-right, bottom-right, bottom-left as printed.
    pub corners_px: [Point2<f64>; 4],
    /// Joint covariance of the corners; they are correlated, since one pattern fit gives all four.
    pub covariance_px2: CornerCovariance,
}

/// Why a tag, or something that looked like one, was not used in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dropped {
    /// Id of the tag.
    pub tag_id: u32,
    /// Why it was dropped.
    pub reason: DropReason,
}

/// All sightings of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SightedFrame {
    /// Position of the frame in the clip.
    pub index: usize,
    /// Presentation time.
    pub time_s: f64,
    /// Sorted by id, each id at most once.
    pub sightings: Vec<Sighting>,
    /// Sorted by id; declared surface and airframe tags only.
    pub dropped: Vec<Dropped>,
    /// Sorted by number; none beside a still camera.
    pub landmarks: Vec<LandmarkSighting>,
}

impl SightedFrame {
    /// A frame in which nothing was found.
    pub fn without_tags(frame: &Frame) -> Self {
        Self {
            index: frame.index,
            time_s: frame.time_s,
            sightings: Vec::new(),
            dropped: Vec::new(),
            landmarks: Vec::new(),
        }
    }

    /// The sighting of a tag, if it was seen in this frame.
    pub fn sighting(&self, tag_id: u32) -> Option<&Sighting> {
        self.sightings
            .iter()
            .find(|sighting| sighting.tag_id == tag_id)
    }
}

/// The output of the tags stage: every frame of the clip, in order, with its sightings.
#[derive(Debug, Clone, PartialEq)]
pub struct Sightings {
    /// The clip that was searched.
    pub clip: ClipInfo,
    /// Every frame, in the order of presentation.
    pub frames: Vec<SightedFrame>,
    /// What the search found besides the sightings.
    pub overview: Overview,
}

/// A tag that is seen in this share of the pictures that show any undeclared tag is no card: of two
/// cards that take turns, the one for neutral is seen in two thirds.
const THROUGHOUT_SHARE: f64 = 0.8;

/// What a search found in a clip besides the sightings.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overview {
    /// The mean picture of each declared tag that was seen.
    pub pictures: BTreeMap<u32, TagPicture>,
    /// Times at which tags were seen that are not declared, by id; rising. The whole picture is
    /// searched only while a declared tag or a card is missing, and now and then.
    pub undeclared_s: BTreeMap<u32, Vec<f64>>,
}

impl Overview {
    /// In how many searched pictures each undeclared tag was seen, by id.
    pub fn undeclared_counts(&self) -> Vec<(u32, usize)> {
        let undeclared = self.undeclared_s.iter();
        undeclared
            .map(|(&tag_id, times_s)| (tag_id, times_s.len()))
            .collect()
    }

    /// The undeclared tags that were there nearly whenever any was seen. A tag on the aircraft is, while
    /// cards take turns.
    pub fn undeclared_throughout(&self) -> Vec<u32> {
        let mut times_s: Vec<f64> = self.undeclared_s.values().flatten().copied().collect();
        times_s.sort_by(f64::total_cmp);
        times_s.dedup();
        let undeclared = self.undeclared_s.iter();
        undeclared
            .filter(|(_, seen_s)| seen_s.len() as f64 >= THROUGHOUT_SHARE * times_s.len() as f64)
            .map(|(&tag_id, _)| tag_id)
            .collect()
    }

    /// Whether the pictures of a tag are poor enough to explain its odd look.
    pub fn is_spoiled(&self, tag_id: u32) -> bool {
        let picture = self.pictures.get(&tag_id);
        picture.is_some_and(|picture| picture.fault().is_some())
    }
}

/// Which tags to look for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TagPlan {
    /// Surface and airframe tags: measured in every frame.
    pub expected: BTreeSet<u32>,
    /// Those of them that sit on the airframe.
    pub airframe: BTreeSet<u32>,
    /// Station cards: only read, and only now and then.
    pub cards: BTreeSet<u32>,
}

impl TagPlan {
    /// The tags that a model file declares.
    pub fn of(model: &ModelFile) -> Self {
        let surfaces = model.surfaces.iter().map(|surface| surface.tag_id);
        let airframe: BTreeSet<u32> = model.airframe_tags.iter().map(|tag| tag.id).collect();
        let cards = model.cards().into_keys().collect();
        Self {
            expected: surfaces.chain(airframe.iter().copied()).collect(),
            airframe,
            cards,
        }
    }
}

/// Counts the tags that were found but rejected.
fn count_refused(frames: &[SightedFrame]) -> BTreeMap<(u32, DropReason), usize> {
    let mut refused = BTreeMap::new();
    for dropped in frames.iter().flat_map(|frame| &frame.dropped) {
        if dropped.reason != DropReason::NotFound {
            *refused.entry((dropped.tag_id, dropped.reason)).or_default() += 1;
        }
    }
    refused
}

/// A search of a clip that is interrupted, or has not started.
#[derive(Debug, Clone, PartialEq)]
pub struct Checkpoint {
    /// The frames that were searched, from the first on.
    pub frames: Vec<SightedFrame>,
    /// The state from which the search continues.
    pub memory: TrackerState,
}

impl Checkpoint {
    /// A search for these tags before its first frame.
    ///
    /// # Errors
    /// [`TagsError::NoSuchTag`] for an id that the family does not hold.
    pub fn new(plan: &TagPlan) -> Result<Self, TagsError> {
        Ok(Self {
            frames: Vec::new(),
            memory: TrackerState::new(plan)?,
        })
    }
}

/// Receives checkpoints of a running search, so that it can be resumed after an interruption.
pub trait CheckpointSink {
    /// The frames searched since the last call, and the state after them.
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState);
}

/// No checkpoints.
impl CheckpointSink for () {
    fn save(&mut self, _news: &[SightedFrame], _memory: &TrackerState) {}
}

/// Checkpoints, if there is a receiver.
impl<K: CheckpointSink> CheckpointSink for Option<K> {
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState) {
        if let Some(sink) = self {
            sink.save(news, memory);
        }
    }
}

/// Number of frames between two checkpoints: about half a second of work.
const KEPT_EVERY: usize = 100;

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
    let checkpoint = Checkpoint::new(plan)?;
    sight_on(frames, clip, plan, checkpoint, &mut (), progress)
}

/// Resumes an interrupted search. The result is identical to that of [`sight`].
///
/// `frames` are all frames of the clip; those already searched are skipped.
///
/// # Errors
///
/// As [`sight`].
pub fn sight_on(
    frames: impl Iterator<Item = Result<Frame, ClipError>>,
    clip: &ClipInfo,
    plan: &TagPlan,
    checkpoint: Checkpoint,
    sink: &mut dyn CheckpointSink,
    progress: &dyn Progress,
) -> Result<Sightings, TagsError> {
    let mut seen = checkpoint.frames;
    let mut tracker = Tracker::new(checkpoint.memory, clip)?;
    let mut kept = seen.len();
    let mut first = None;
    for (place, frame) in frames.enumerate() {
        let frame = frame?;
        first.get_or_insert_with(|| frame.image.clone());
        if place >= seen.len() {
            seen.push(tracker.see(&frame)?);
        }
        progress.advance("finding tags", place as u64 + 1, clip.claimed_frames);
        if seen.len() >= kept + KEPT_EVERY {
            sink.save(&seen[kept..], tracker.memory());
            kept = seen.len();
        }
    }
    sink.save(&seen[kept..], tracker.memory());
    something_seen(&seen, plan, tracker.memory())
        .map_err(|nothing_seen| mirrored::cause(nothing_seen, first.as_ref(), plan))?;
    Ok(Sightings {
        clip: clip.clone(),
        overview: tracker.memory().overview(),
        frames: seen,
    })
}

/// Rejects a clip in which no declared tag was seen.
fn something_seen(
    seen: &[SightedFrame],
    plan: &TagPlan,
    memory: &TrackerState,
) -> Result<(), TagsError> {
    if seen.is_empty() {
        return Err(TagsError::NoFrame);
    }
    let mut sightings = seen.iter().flat_map(|frame| &frame.sightings);
    if sightings.any(|sighting| plan.expected.contains(&sighting.tag_id)) {
        return Ok(());
    }
    Err(TagsError::NoTagSeen {
        frames: seen.len(),
        largest_square_px: memory.largest_other_square_px,
        needed_px: quality::SMALLEST_EDGE_PX,
        others: memory.undeclared.keys().copied().collect(),
        refused: count_refused(seen),
    })
}
