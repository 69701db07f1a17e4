//! Undeclared tags of one picture, to show where they are.

use super::follow::search::TagSearch;
use super::{CornerCovariance, Sighting, TagPlan, TagsError};
use crate::clip::GreyImage;

/// The tags in a picture that a plan does not name, rising. Their corners are as the search finds them,
/// to about a pixel: good for drawing, and for nothing that is measured.
///
/// # Errors
/// The vision library rejects the picture.
pub fn undeclared_tags(image: &GreyImage, plan: &TagPlan) -> Result<Vec<Sighting>, TagsError> {
    let found = TagSearch::new()?.whole(image)?.candidates.into_iter();
    let is_declared = |id: &u32| plan.expected.contains(id) || plan.cards.contains(id);
    Ok(found
        .filter(|tag| !is_declared(&tag.tag_id))
        .map(|tag| Sighting {
            tag_id: tag.tag_id,
            corners_px: tag.corners_px,
            covariance_px2: CornerCovariance::identity(),
        })
        .collect())
}
