//! Each declared tag: in how many frames it was seen, how large, and why not in the others.

use std::collections::BTreeMap;

use crate::geometry::quadrilateral;
use crate::statistics::median;
use crate::tags::{DropReason, SightedFrame};

use super::Unfinished;

/// A tag of the model file.
#[derive(Debug, Clone, PartialEq)]
pub struct Declared {
    /// The part that carries it.
    pub whose: String,
    /// Its id.
    pub id: u32,
}

/// One tag on the page.
#[derive(Debug, Clone, PartialEq)]
pub struct TagRow {
    /// The part that carries it.
    pub whose: String,
    /// Its id.
    pub id: u32,
    /// In how many of the frames it was seen.
    pub seen: String,
    /// Its width in the picture.
    pub width_px: String,
    /// Why it was not used in other frames.
    pub refused: String,
    /// Whether it was never seen.
    pub is_missing: bool,
}

/// The tags of the model file, the surfaces' first.
pub fn declared(seen: &Unfinished<'_>) -> Vec<Declared> {
    let surfaces = seen.model.surfaces.iter().map(|surface| Declared {
        whose: surface.name.clone(),
        id: surface.tag_id,
    });
    let airframe = seen.model.airframe_tags.iter().map(|tag| Declared {
        whose: "airframe".into(),
        id: tag.id,
    });
    surfaces.chain(airframe).collect()
}

/// One row a tag; none where no frame was searched to the end.
pub fn tag_rows(seen: &Unfinished<'_>) -> Vec<TagRow> {
    if seen.frames.is_empty() {
        return Vec::new();
    }
    declared(seen)
        .into_iter()
        .map(|tag| tag_row(tag, seen.frames))
        .collect()
}

fn tag_row(tag: Declared, frames: &[SightedFrame]) -> TagRow {
    let sightings = frames.iter().filter_map(|frame| frame.sighting(tag.id));
    let widths: Vec<f64> = sightings
        .map(|sighting| quadrilateral::mean_edge(&sighting.corners_px))
        .collect();
    let count = widths.len();
    TagRow {
        whose: tag.whose,
        id: tag.id,
        seen: format!("{count} of {}", frames.len()),
        width_px: median(widths.into_iter())
            .map_or_else(|| "–".into(), |width_px| format!("{width_px:.0}")),
        refused: refused(tag.id, frames),
        is_missing: count == 0,
    }
}

/// In how many frames a tag was found but not used, by the reason.
fn refused(tag_id: u32, frames: &[SightedFrame]) -> String {
    let mut counts: BTreeMap<DropReason, usize> = BTreeMap::new();
    let of_tag = frames
        .iter()
        .flat_map(|frame| &frame.dropped)
        .filter(|dropped| dropped.tag_id == tag_id);
    for dropped in of_tag {
        *counts.entry(dropped.reason).or_default() += 1;
    }
    let words = counts
        .iter()
        .map(|(reason, count)| format!("{reason} in {count}"));
    words.collect::<Vec<_>>().join(", ")
}
