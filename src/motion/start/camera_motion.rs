//! Whether the camera stood still, from the corners of the airframe tags.

use crate::motion::problem::observation::{Corners, ObservedFrame, Target};
use crate::statistics::{SD_FROM_MAD, median};

/// The clip is cut into this many pieces of time, if it has frames enough …
const PIECES: usize = 16;
/// … for this many in each: their median hides the noise of single frames.
const FRAMES_A_PIECE: usize = 5;
/// A single displacement (somebody touched the tripod) counts when it is this many times the
/// limit for wandering.
const JUMP_FACTOR: f64 = 4.0;

/// Whether an airframe tag's corners wander by more than `still_camera_px` through the clip.
///
/// Compared are medians over pieces of time, so that neither the corners' noise nor single wrong
/// sightings look like a moving camera.
pub(in crate::motion) fn camera_moved(
    frames: &[ObservedFrame],
    airframe_tags: usize,
    still_camera_px: f64,
) -> bool {
    (0..airframe_tags).any(|tag| {
        let seen: Vec<&Corners> = frames
            .iter()
            .flat_map(|frame| &frame.observations)
            .filter(|seen| seen.target == Target::Airframe(tag))
            .map(|seen| &seen.corners_px)
            .collect();
        let pieces = (seen.len() / FRAMES_A_PIECE).clamp(1, PIECES);
        (0..8).any(|coordinate| {
            let medians: Vec<f64> = (0..pieces)
                .map(|piece| {
                    let range = piece * seen.len() / pieces..(piece + 1) * seen.len() / pieces;
                    median(seen[range].iter().map(|corners| corners[coordinate]))
                })
                .collect::<Option<_>>()
                .unwrap_or_default();
            let middle = median(medians.iter().copied()).unwrap_or(0.0);
            let offsets = || medians.iter().map(|value| (value - middle).abs());
            let farthest = offsets().fold(0.0, f64::max);
            SD_FROM_MAD * median(offsets()).unwrap_or(0.0) > still_camera_px
                || farthest > JUMP_FACTOR * still_camera_px
        })
    })
}
