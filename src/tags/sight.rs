//! Finds the planned tags in every frame of a clip.

use std::collections::BTreeMap;

use super::checkpoint::{Checkpoint, CheckpointSink};
use super::error::TagsError;
use super::follow::mirrored;
use super::follow::tracker::{Tracker, TrackerState};
use super::overview::Overview;
use super::pattern_fit::quality;
use super::plan::TagPlan;
use super::sighting::{DropReason, SightedFrame};
use crate::clip::{ClipError, ClipInfo, Frame};
use crate::progress::Progress;

/// The output of the tags stage: every frame of the clip, in order, with its sightings.
#[derive(Debug, Clone, PartialEq)]
pub struct Sightings {
    /// The clip that was searched.
    pub clip: ClipInfo,
    /// Every frame, in the order of presentation.
    pub frames: Vec<SightedFrame>,
    /// Other findings of the search.
    pub overview: Overview,
}

/// Number of frames between two checkpoints: about half a second of work.
const KEPT_EVERY: usize = 100;

/// Finds the planned tags in every frame.
///
/// The whole picture is searched once, then only where each tag is expected, and the whole
/// picture again when one is lost. Reading and searching overlap if `frames` reads ahead.
///
/// # Errors
///
/// See [`TagsError`]; an error of the clip ends the search.
pub fn sight(
    frames: impl Iterator<Item = Result<Frame, ClipError>>,
    clip: &ClipInfo,
    plan: &TagPlan,
    progress: &dyn Progress,
) -> Result<Sightings, TagsError> {
    let checkpoint = Checkpoint::new(plan)?;
    sight_on(frames, clip, plan, checkpoint, &mut (), progress)
}

/// Resumes an interrupted search. The result is identical to that of [`sight`].
///
/// `frames` are all frames of the clip; those already searched are skipped.
///
/// # Errors
///
/// As [`sight`].
pub fn sight_on(
    frames: impl Iterator<Item = Result<Frame, ClipError>>,
    clip: &ClipInfo,
    plan: &TagPlan,
    checkpoint: Checkpoint,
    sink: &mut dyn CheckpointSink,
    progress: &dyn Progress,
) -> Result<Sightings, TagsError> {
    let mut seen = checkpoint.frames;
    let mut tracker = Tracker::new(checkpoint.memory, clip)?;
    let mut kept = seen.len();
    let mut first = None;
    for (place, frame) in frames.enumerate() {
        let frame = frame?;
        first.get_or_insert_with(|| frame.image.clone());
        if place >= seen.len() {
            seen.push(tracker.see(&frame)?);
        }
        progress.advance("finding tags", place as u64 + 1, clip.claimed_frames);
        if seen.len() >= kept + KEPT_EVERY {
            sink.save(&seen[kept..], tracker.memory());
            kept = seen.len();
        }
    }
    sink.save(&seen[kept..], tracker.memory());
    something_seen(&seen, plan, tracker.memory())
        .map_err(|nothing_seen| mirrored::cause(nothing_seen, first.as_ref(), plan))?;
    Ok(Sightings {
        clip: clip.clone(),
        overview: tracker.memory().overview(),
        frames: seen,
    })
}

/// Rejects a clip in which no declared tag was seen.
fn something_seen(
    seen: &[SightedFrame],
    plan: &TagPlan,
    memory: &TrackerState,
) -> Result<(), TagsError> {
    if seen.is_empty() {
        return Err(TagsError::NoFrame);
    }
    let mut sightings = seen.iter().flat_map(|frame| &frame.sightings);
    if sightings.any(|sighting| plan.expected.contains(&sighting.tag_id)) {
        return Ok(());
    }
    Err(TagsError::NoTagSeen {
        frames: seen.len(),
        largest_square_px: memory.largest_other_square_px,
        needed_px: quality::SMALLEST_EDGE_PX,
        others: memory.undeclared.keys().copied().collect(),
        refused: count_refused(seen),
    })
}

/// Counts the tags that were found but rejected.
fn count_refused(frames: &[SightedFrame]) -> BTreeMap<(u32, DropReason), usize> {
    let mut refused = BTreeMap::new();
    for dropped in frames.iter().flat_map(|frame| &frame.dropped) {
        if dropped.reason != DropReason::NotFound {
            *refused.entry((dropped.tag_id, dropped.reason)).or_default() += 1;
        }
    }
    refused
}
