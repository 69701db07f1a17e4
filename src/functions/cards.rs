//! Whose station card it is, in a clip of several functions that are moved one after the other.

use super::ClipFunction;
use crate::conventions::rad_from_deg;
use crate::motion::Motion;
use crate::tags::{SightedFrame, Sightings};

/// A surface that goes further than this has been moved: more than the noise of a single deflection,
/// and less than any step from station to station.
const MOVED_DEG: f64 = 1.0;

/// The station cards that were shown for one function: those seen after its surfaces moved and before
/// those of another function did. Nothing else is left in these sightings.
pub fn cards_shown_for(
    sightings: &Sightings,
    motion: &Motion,
    functions: &[ClipFunction],
    wanted: usize,
) -> Sightings {
    let cards = functions[wanted].model.cards();
    let moved_last = moved_last(motion, functions);
    let frames = sightings.frames.iter().enumerate();
    let frames = frames.map(|(position, frame)| {
        let by = moved_last.get(position).copied().flatten();
        let is_for_wanted = by.is_none_or(|function| function == wanted);
        let shown = frame.sightings.iter();
        let shown = shown.filter(|seen| is_for_wanted && cards.contains_key(&seen.tag_id));
        SightedFrame {
            index: frame.index,
            time_s: frame.time_s,
            sightings: shown.cloned().collect(),
            dropped: Vec::new(),
            landmarks: Vec::new(),
        }
    });
    Sightings {
        clip: sightings.clip.clone(),
        frames: frames.collect(),
        overview: sightings.overview.clone(),
    }
}

/// The function that moved last up to each frame; `None` before any did.
fn moved_last(motion: &Motion, functions: &[ClipFunction]) -> Vec<Option<usize>> {
    let mut anchors_rad: Vec<Option<f64>> = vec![None; motion.surfaces.len()];
    let mut last = None;
    let frames = motion.frames.iter().map(|frame| {
        for (number, function) in functions.iter().enumerate() {
            for &surface in &function.surfaces {
                let Some(deflection) = &frame.deflections[surface] else {
                    continue;
                };
                let anchor_rad = anchors_rad[surface].get_or_insert(deflection.angle_rad);
                if (deflection.angle_rad - *anchor_rad).abs() > rad_from_deg(MOVED_DEG) {
                    *anchor_rad = deflection.angle_rad;
                    last = Some(number);
                }
            }
        }
        last
    });
    frames.collect()
}
