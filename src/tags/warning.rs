//! Warnings of the tags stage.

use std::collections::BTreeMap;

use crate::names;
use crate::tags::overview::Overview;
use crate::tags::pattern_fit::picture::{PictureFault, TagPicture};
use crate::tags::plan::TagPlan;
use crate::warning::Warning;

/// A warning about the pictures of the tags.
#[derive(Debug, Clone, PartialEq)]
pub enum TagsWarning {
    /// White of some tags is clipped.
    Overexposed(SpoiledTags),
    /// Some tags are out of focus.
    Soft(SpoiledTags),
    /// The video coding has changed some tags.
    HeavilyCoded(SpoiledTags),
    /// An airframe tag was never seen.
    AirframeTagNeverSeen {
        /// Its id.
        tag_id: u32,
        /// Undeclared tags that were seen, rising.
        undeclared: Vec<u32>,
    },
}

/// Tags with the same fault of their pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct SpoiledTags {
    /// Their ids, rising.
    pub tag_ids: Vec<u32>,
    /// The mean picture of the one that is worst.
    pub worst: TagPicture,
}

/// Warns of airframe tags that were never seen, and of poor pictures. A surface that was never seen
/// is an error of the joint fit.
pub fn doubt_search(plan: &TagPlan, overview: &Overview, warnings: &mut Vec<TagsWarning>) {
    let is_missing = |tag_id: &&u32| !overview.pictures.contains_key(tag_id);
    let missing = plan.airframe.iter().filter(is_missing);
    warnings.extend(missing.map(|&tag_id| TagsWarning::AirframeTagNeverSeen {
        tag_id,
        undeclared: overview.undeclared_s.keys().copied().collect(),
    }));
    doubt_pictures(&overview.pictures, warnings);
}

/// Warns of tags with poor pictures, once per kind of fault.
fn doubt_pictures(pictures: &BTreeMap<u32, TagPicture>, warnings: &mut Vec<TagsWarning>) {
    let mut by_fault: BTreeMap<PictureFault, SpoiledTags> = BTreeMap::new();
    for (&tag_id, picture) in pictures {
        let Some(fault) = picture.fault() else {
            continue;
        };
        let spoiled = by_fault.entry(fault).or_insert_with(|| SpoiledTags {
            tag_ids: vec![],
            worst: *picture,
        });
        spoiled.tag_ids.push(tag_id);
        if picture.corner_sd_px > spoiled.worst.corner_sd_px {
            spoiled.worst = *picture;
        }
    }
    warnings.extend(by_fault.into_iter().map(|(fault, spoiled)| match fault {
        PictureFault::Overexposed => TagsWarning::Overexposed(spoiled),
        PictureFault::Soft => TagsWarning::Soft(spoiled),
        PictureFault::HeavilyCoded => TagsWarning::HeavilyCoded(spoiled),
    }));
}

impl TagsWarning {
    fn spoiled(&self) -> Option<&SpoiledTags> {
        match self {
            Self::Overexposed(spoiled) | Self::Soft(spoiled) | Self::HeavilyCoded(spoiled) => {
                Some(spoiled)
            }
            Self::AirframeTagNeverSeen { .. } => None,
        }
    }
}

impl SpoiledTags {
    /// "tag 10", "tags 10 and 11".
    fn names(&self) -> String {
        let ids: Vec<String> = self.tag_ids.iter().map(u32::to_string).collect();
        match &ids[..] {
            [one] => format!("tag {one}"),
            several => format!("tags {}", several.join(" and ")),
        }
    }
}

impl Warning for TagsWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::Overexposed(_) => "tags-overexposed",
            Self::Soft(_) => "tags-out-of-focus",
            Self::HeavilyCoded(_) => "tags-heavily-coded",
            Self::AirframeTagNeverSeen { .. } => "airframe-tag-never-seen",
        }
    }

    fn text(&self) -> String {
        let clause = match self {
            Self::Overexposed(SpoiledTags { worst, .. }) => format!(
                "overexposed, {:.0} % of the white is clipped",
                100.0 * worst.clipped_share
            ),
            Self::Soft(SpoiledTags { worst, .. }) => format!(
                "out of focus, edges are blurred by {:.1} px ({:.2} cells of the tag)",
                worst.blur_px, worst.blur_cells
            ),
            Self::HeavilyCoded(SpoiledTags { worst, .. }) => format!(
                "heavily compressed, the compression changed the picture by {:.1} % of the contrast \
                 (good: below 3 %)",
                100.0 * worst.coded_share
            ),
            Self::AirframeTagNeverSeen { tag_id, undeclared } => {
                return never_seen(*tag_id, undeclared);
            }
        };
        let (names, lasting_px) = self.spoiled().map_or_else(Default::default, |spoiled| {
            (spoiled.names(), spoiled.worst.lasting_error_px())
        });
        format!(
            "{names}: {clause}; all their corners may be off by {lasting_px:.2} px, and each ± includes \
             this"
        )
    }

    fn grave(&self) -> bool {
        self.spoiled()
            .is_some_and(|spoiled| spoiled.worst.is_grave())
    }

    fn mend(&self) -> String {
        match self {
            Self::Overexposed(_) => {
                "lock the exposure on the tags with white paper in the picture, or dim the light on \
                 them, and film again"
            }
            Self::Soft(_) => {
                "tap on a tag to focus, lock the focus, clean the lens, and film again"
            }
            Self::HeavilyCoded(_) => {
                "use the clip as the camera recorded it, copied by cable or as a file: messengers \
                 and galleries send a smaller copy; otherwise film at a higher bit rate"
            }
            Self::AirframeTagNeverSeen { .. } => {
                "correct the id of the airframe tag in the model file, or film so that the tag is \
                 sharp and whole in the picture"
            }
        }
        .into()
    }
}

fn never_seen(tag_id: u32, undeclared: &[u32]) -> String {
    let others = match undeclared {
        [] => String::new(),
        others => format!(
            "; the clip shows {}, which the model file does not declare",
            names::tags(others)
        ),
    };
    format!("airframe tag {tag_id} was never seen{others}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sharp picture of a tag in a clip as recorded.
    const GOOD: TagPicture = TagPicture {
        edge_px: 40.0,
        blur_px: 0.6,
        blur_cells: 0.12,
        clipped_share: 0.0,
        coded_share: 0.02,
        corner_sd_px: 0.012,
    };

    fn codes(pictures: &[TagPicture]) -> Vec<(&'static str, bool)> {
        let pictures = (10..).zip(pictures.iter().copied()).collect();
        let mut warnings = vec![];
        doubt_pictures(&pictures, &mut warnings);
        let raised = warnings.iter();
        raised
            .map(|warning| (warning.code(), warning.grave()))
            .collect()
    }

    #[test]
    fn a_good_picture_is_not_doubted() {
        assert_eq!(codes(&[GOOD, GOOD]), []);
    }

    #[test]
    fn each_fault_is_named_once_and_grave_where_corners_err_by_much() {
        let soft = TagPicture {
            blur_px: 1.7,
            blur_cells: 0.34,
            corner_sd_px: 0.05,
            ..GOOD
        };
        let clipped = TagPicture {
            clipped_share: 0.6,
            coded_share: 0.1,
            corner_sd_px: 0.15,
            ..GOOD
        };
        let coded = TagPicture {
            coded_share: 0.05,
            ..GOOD
        };
        assert_eq!(
            codes(&[soft, soft, clipped, coded]),
            [
                ("tags-overexposed", true),
                ("tags-out-of-focus", false),
                ("tags-heavily-coded", false),
            ]
        );
    }
}
