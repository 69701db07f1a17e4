//! Detects a mirrored picture: no tag of the family can be read in a mirror.

use std::collections::BTreeSet;

use super::search::TagSearch;
use crate::clip::GreyImage;
use crate::tags::error::TagsError;
use crate::tags::plan::TagPlan;
use crate::vision::VisionError;

/// Why nothing was seen: the clip's first picture is mirrored, or the reason given.
pub(in crate::tags) fn cause(
    known: TagsError,
    first: Option<&GreyImage>,
    plan: &TagPlan,
) -> TagsError {
    match first.map(|image| tags_in_mirror(image, plan)) {
        Some(Ok(ids)) if !ids.is_empty() => TagsError::Mirrored { ids },
        _ => known,
    }
}

/// Planned tags and cards that can be read in the mirrored picture.
fn tags_in_mirror(image: &GreyImage, plan: &TagPlan) -> Result<BTreeSet<u32>, VisionError> {
    let found = TagSearch::new()?.whole(&mirrored(image))?;
    let ids = found.candidates.into_iter().map(|tag| tag.tag_id);
    Ok(ids.filter(|id| plan.declares(*id)).collect())
}

fn mirrored(image: &GreyImage) -> GreyImage {
    let rows = image.pixels.chunks(image.width_px.max(1));
    GreyImage {
        pixels: rows.flat_map(|row| row.iter().rev().copied()).collect(),
        ..*image
    }
}
