//! Frames from the hand without an airframe tag: landmarks carry the camera's pose through them.
//!
//! If the airframe moved while its tags were hidden, the surfaces' tags no longer fit to where the
//! landmarks have the camera, and are sorted out like any others that do not fit.

use rayon::prelude::*;

use super::frame_fit::FrameFit;
use super::joint_fit::{JointFit, State};
use super::observation::{ObservedFrame, Target};
use super::outliers::angle_spans;
use super::parameters::FrameState;
use super::start::START_LOSS;

/// Lets frames in that have landmarks, but no airframe tag that is kept.
pub(super) fn carry(fit: &mut JointFit, state: &mut State) {
    let spans = angle_spans(fit, state);
    let camera = fit.lens.camera(&state.constants);
    let frame_fit = FrameFit {
        lens: &fit.lens,
        camera: &camera,
        constants: &state.constants,
        camera_moves: true,
        loss: START_LOSS,
        scan_rad: &spans,
    };
    let carried: Vec<(usize, FrameState)> = (0..fit.frames.len())
        .into_par_iter()
        .with_min_len(16)
        .filter(|index| !fit.frames[*index].is_used() && fit.frames[*index].tells_camera())
        .filter_map(|index| {
            let start = nearest_pose(&fit.frames, &state.frames, index)?;
            Some((index, carried(&fit.frames[index], start, &frame_fit)?))
        })
        .collect();
    for (index, found) in carried {
        state.frames[index] = found;
        keep_surfaces(&mut fit.frames[index]);
    }
}

/// A frame's camera by its landmarks, then its deflections too.
fn carried(frame: &ObservedFrame, start: &FrameState, frame_fit: &FrameFit) -> Option<FrameState> {
    let mut frame = frame.clone();
    let (found, _) = frame_fit.best(&frame, [start.clone()])?;
    keep_surfaces(&mut frame);
    let (found, _) = frame_fit.best(&frame, [found])?;
    Some(found)
}

fn keep_surfaces(frame: &mut ObservedFrame) {
    for seen in &mut frame.observations {
        if matches!(seen.target, Target::Surface(_)) {
            seen.kept = true;
        }
    }
}

/// State of the frame that is used and nearest in time.
fn nearest_pose<'a>(
    frames: &[ObservedFrame],
    states: &'a [FrameState],
    index: usize,
) -> Option<&'a FrameState> {
    let used = |other: &usize| frames[*other].is_used();
    let before = (0..index).rev().find(used);
    let after = (index + 1..frames.len()).find(used);
    let away_s = |other: &usize| (frames[*other].time_s - frames[index].time_s).abs();
    let nearest = before.into_iter().chain(after);
    let nearest = nearest.min_by(|a, b| away_s(a).total_cmp(&away_s(b)));
    nearest.map(|other| &states[other])
}
