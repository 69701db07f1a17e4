//! Tags: finds the declared tags in every frame and measures their corners.

use nalgebra::{Point2, SMatrix};

use crate::clip::ClipInfo;

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
        self.sightings.iter().find(|sighting| sighting.tag_id == tag_id)
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
