//! Bridges frames from the hand without an airframe tag: landmarks determine the camera's pose there.
//!
//! If the airframe moved while its tags were hidden, the surfaces' tags no longer fit to where the
//! landmarks place the camera, and are rejected like any other outliers.

use rayon::prelude::*;

use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{ObservedFrame, Target};
use crate::motion::problem::parameters::{Constants, FrameState};
use crate::motion::problem::rocking::note_drive;
use crate::motion::select::outliers::angle_spans;
use crate::motion::solve::frame_fit::{FrameFit, SETTLED_AT_A_TIME};
use crate::motion::solve::frame_start::START_LOSS;

/// Less time than this without an airframe tag is no hold, and changes none, s.
pub(in crate::motion) const REPORTED_S: f64 = 0.33;

/// Lets frames in that have landmarks, but no airframe tag that is kept.
pub(in crate::motion) fn bridge(fit: &mut JointFit, state: &mut State) {
    let hidden = (0..fit.frames.len()).filter(|index| {
        let frame = &fit.frames[*index];
        !frame.is_used() && frame.tells_camera()
    });
    let nearest = hidden.filter_map(|index| {
        let start = nearest_pose(&fit.frames, &state.frames, index)?;
        Some((index, start.clone()))
    });
    let nearest: Placed = nearest.collect();
    if nearest.is_empty() {
        return;
    }
    let spans_rad = angle_spans(fit, state);
    // By their landmarks alone, since no tag is kept there …
    let posed = settled(fit, &state.constants, &spans_rad, nearest);
    for (index, _) in &posed {
        keep_surfaces(&mut fit.frames[*index]);
    }
    // … with their deflections …
    let deflected = settled(fit, &state.constants, &spans_rad, posed);
    put(state, &deflected);
    note_drive(fit, state);
    // … and as the surroundings rock with these.
    let rocked = settled(fit, &state.constants, &spans_rad, deflected);
    put(state, &rocked);
}

/// How many frames are measured without an airframe tag while the camera moves.
pub(in crate::motion) fn bridged_frames(fit: &JointFit) -> usize {
    let frames = fit.frames.iter();
    match fit.layout.camera_moves {
        true => frames
            .filter(|frame| frame.is_used() && !frame.shows_airframe())
            .count(),
        false => 0,
    }
}

/// Some frames by their positions, and what is theirs.
type Placed = Vec<(usize, FrameState)>;

/// Some frames by themselves, each from where it is; those that fit nowhere are left out.
fn settled(
    fit: &JointFit,
    constants: &Constants,
    spans_rad: &[[f64; 2]],
    starts: Placed,
) -> Placed {
    let frame_fit = FrameFit::new(fit, fit.lens.given(constants), START_LOSS, spans_rad);
    let settle = |(index, start): (usize, FrameState)| {
        let (found, _) = frame_fit.best(&fit.frames[index], [start])?;
        Some((index, found))
    };
    let starts = starts.into_par_iter().with_min_len(SETTLED_AT_A_TIME);
    starts.filter_map(settle).collect()
}

fn put(state: &mut State, found: &[(usize, FrameState)]) {
    for (index, found) in found {
        state.frames[*index] = found.clone();
    }
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
