//! Errors of the tags stage, and what to do about them.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::Point2;

use crate::clip::ClipError;
use crate::names;
use crate::tags::sighting::DropReason;
use crate::vision::VisionError;

/// Why the tags stage has no result.
#[derive(Debug, thiserror::Error)]
pub enum TagsError {
    /// The clip could not be read further.
    #[error(transparent)]
    Clip(#[from] ClipError),
    /// The vision library rejected a call.
    #[error(transparent)]
    Vision(#[from] VisionError),
    /// An id outside the family.
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
    /// No declared tag was seen.
    #[error(
        "none of the declared tags was seen in any of {frames} frames{}; the largest square that \
         could be one has edges of {largest_square_px:.0} px, and {needed_px:.0} px are needed{}",
        names::but_tags(others),
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
        /// In how many frames a declared tag was found but rejected, and why.
        refused: BTreeMap<(u32, DropReason), usize>,
    },
    /// The declared tags can be read only in a mirror image.
    #[error(
        "the picture is mirrored: {} can be read only in its mirror image",
        names::tags(ids)
    )]
    Mirrored {
        /// Declared tags and cards that were read there.
        ids: BTreeSet<u32>,
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
                "film closer and in focus, with every tag whole, in the picture and in good light"
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
            Self::Mirrored { .. } => {
                "film with the camera on the back of the phone, and switch off mirroring in the camera app; \
                 a mirrored copy cannot be measured"
                    .into()
            }
            Self::NoFrame => "check that the clip plays, and film again".into(),
        }
    }
}

/// Tags that were found but rejected, as clauses.
fn refusals(refused: &BTreeMap<(u32, DropReason), usize>) -> String {
    let clauses = refused.iter().map(|((tag_id, reason), frames)| {
        format!("; tag {tag_id} was found but {reason} in {frames} frames")
    });
    clauses.collect()
}
