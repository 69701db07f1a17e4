//! A quick look at a clip: its first picture with the tags found in it, before all is measured.

use std::path::Path;

use super::{Bench, Refusal};
use crate::camera::CameraProfile;
use crate::clip::{Clip, ClipInfo, ClipOptions, Frame};
use crate::geometry::quadrilateral::mean_edge;
use crate::model_file::ModelFile;
use crate::print::GOOD_EDGE_PX;
use crate::progress::Silent;
use crate::report::{Picture, hold_still};
use crate::tags::{DropReason, SMALLEST_EDGE_PX, SightedFrame, TagPlan, TagsError, sight};

/// What was seen in a clip's first picture.
pub struct Look {
    info: ClipInfo,
    frame: Frame,
    seen: SightedFrame,
    /// Tags of the model, each with what was seen of it.
    pub tags: Vec<TagLook>,
    /// Tags that the model does not declare.
    pub undeclared: Vec<u32>,
}

/// What was seen of a declared tag.
#[derive(Debug, Clone, PartialEq)]
pub struct TagLook {
    /// Its id.
    pub id: u32,
    /// What it is on.
    pub on: String,
    /// Whether it can be measured well.
    pub is_good: bool,
    /// What was seen, and what to do.
    pub words: String,
}

impl Look {
    /// Looks at the first picture of a clip.
    ///
    /// # Errors
    /// The clip cannot be read.
    pub fn at(bench: &Bench, model: &ModelFile, clip: &Path) -> Result<Self, Refusal> {
        let mut clip = Clip::open(&bench.workshop.path(clip), &ClipOptions::default())?;
        let info = clip.info().clone();
        let first = clip.next_frame(&mut Vec::new())?;
        let frame = first.ok_or_else(|| Refusal::not_found("picture in the clip"))?;
        let plan = TagPlan::of(model);
        let (seen, undeclared) =
            match sight(std::iter::once(Ok(frame.clone())), &info, &plan, &Silent) {
                Ok(mut sightings) => {
                    let undeclared = sightings.overview.undeclared_s.keys().copied().collect();
                    (sightings.frames.pop(), undeclared)
                }
                Err(TagsError::NoTagSeen { others, .. }) => (None, others),
                Err(error) => return Err(error.into()),
            };
        let seen = seen.unwrap_or_else(|| SightedFrame::without_tags(&frame));
        Ok(Self {
            tags: tag_looks(model, &seen),
            undeclared,
            info,
            frame,
            seen,
        })
    }

    /// The picture with the tags marked in it, as SVG.
    ///
    /// # Errors
    /// The picture cannot be drawn.
    pub fn picture(&self, model: &ModelFile) -> Result<String, Refusal> {
        let (width_px, height_px) = (self.info.width_px, self.info.height_px);
        // For drawing alone.
        let usual = CameraProfile::of_usual_phone(width_px, height_px)?;
        Ok(hold_still(
            model,
            &Picture {
                image: &self.frame.image,
                levels: self.info.levels,
                sighted: &self.seen,
                camera: &usual.camera,
            },
        )?)
    }
}

fn tag_looks(model: &ModelFile, seen: &SightedFrame) -> Vec<TagLook> {
    let airframe = model.airframe_tags.iter();
    let airframe = airframe.map(|tag| (tag.id, "airframe".to_owned()));
    let surfaces = model
        .surfaces
        .iter()
        .map(|surface| (surface.tag_id, surface.name.clone()));
    let looks = airframe.chain(surfaces).map(|(id, on)| {
        let (is_good, words) = match seen.sighting(id) {
            Some(sighting) => of_size(mean_edge(&sighting.corners_px)),
            None => (false, missing(seen, id)),
        };
        TagLook {
            id,
            on,
            is_good,
            words,
        }
    });
    looks.collect()
}

fn of_size(edge_px: f64) -> (bool, String) {
    if edge_px >= GOOD_EDGE_PX {
        return (true, format!("seen, {edge_px:.0} pixels wide"));
    }
    let nearer_pct = 100.0 * (1.0 - edge_px / GOOD_EDGE_PX);
    let words = format!(
        "seen, but only {edge_px:.0} pixels wide: go {nearer_pct:.0} % nearer, or use a larger tag"
    );
    (false, words)
}

fn missing(seen: &SightedFrame, id: u32) -> String {
    let dropped = seen.dropped.iter().find(|dropped| dropped.tag_id == id);
    match dropped.map(|dropped| dropped.reason) {
        Some(DropReason::TooSmall) => {
            format!("too small: below {SMALLEST_EDGE_PX:.0} pixels. Go nearer, or use a larger tag")
        }
        Some(DropReason::Blurred) => "blurred: focus on the tags, and add light".into(),
        Some(DropReason::CutOff) => "cut off by the border of the picture".into(),
        Some(DropReason::PartlyHidden) => {
            "partly hidden: look for a finger, glare, or the edge of a shadow".into()
        }
        Some(DropReason::NotFound) | None => "not found in the first picture".into(),
    }
}
