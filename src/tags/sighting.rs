//! Sighting: one tag in one frame, and all of one frame.

use std::fmt;

use nalgebra::{Point2, SMatrix};
use serde::{Deserialize, Serialize};

use crate::clip::Frame;
use crate::landmarks::LandmarkSighting;

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
