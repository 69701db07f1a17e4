//! Undeclared tags of one picture, to show where they are.

use super::follow::search::TagSearch;
use super::{Sighting, TagPlan, TagsError};
use crate::clip::GreyImage;

/// The tags in a picture that a plan does not name, rising. Their corners are as the search finds them,
/// to about a pixel: good for drawing, and for nothing that is measured.
///
/// # Errors
/// The vision library rejects the picture.
pub fn undeclared_tags(image: &GreyImage, plan: &TagPlan) -> Result<Vec<Sighting>, TagsError> {
    let found = TagSearch::new()?.whole(image)?.candidates.into_iter();
    let undeclared = found.filter(|tag| !plan.declares(tag.tag_id));
    Ok(undeclared.map(|tag| tag.sighting()).collect())
}
