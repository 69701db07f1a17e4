//! Readout: a camera that reads its picture line by line.
//!
//! The lines are exposed one after the other, so that a corner that moves is seen where it is when
//! its own line is read (a rolling shutter). Seen from the moment of the middle line, every corner is
//! off by its speed in the picture times the part of the readout in between: tags in
//! different lines shift against each other, and each one is skewed. One readout time holds for the
//! whole clip, and moving frames determine it.

use nalgebra::{DMatrix, SVector, Vector2};
use rayon::prelude::*;

use super::blocks::Block;
use super::joint_fit::{JointFit, State};
use super::landmark::SeenLandmark;
use super::observation::{Corners, Observation, ObservedFrame, PIECE, ReadLines};
use super::prediction::{camera_from_tag, flat_outline_px};

/// Frames further apart do not show how fast a tag moves in between, s; ten frames a second do.
const LONGEST_STEP_S: f64 = 0.15;

/// A readout is significant from this many of its standard deviations on, as white noise of the
/// corners makes them: cameras read their lines either at once or, as phones do, within 15 to 30 ms.
const SHOWS_SDS: f64 = 4.0;

/// Whether a fit whose constants have this covariance shows a readout time that is significant.
pub(in crate::motion) fn shows(
    fit: &JointFit,
    state: &State,
    covariance: Option<&DMatrix<f64>>,
) -> bool {
    let own = covariance.and_then(|all| fit.layout.own_covariance(Block::Readout, all));
    own.is_some_and(|own| {
        let sd_s = own[(0, 0)].max(0.0).sqrt();
        state.constants.readout_s.abs() > SHOWS_SDS * sd_s
    })
}

/// Notes at every sighting how its corners follow the readout, from where a state of the fit has
/// them in the frames before and after.
pub(in crate::motion) fn note_motion(fit: &mut JointFit, state: &State) {
    if !fit.layout.readout {
        return;
    }
    let outlines = outlines(fit, state);
    let notes: Vec<Vec<Corners>> = (0..fit.frames.len())
        .into_par_iter()
        .with_min_len(PIECE)
        .map(|frame| {
            let seen = 0..fit.frames[frame].observations.len();
            let speeds = seen.map(|seen| speed(&fit.frames, &outlines, (frame, seen)));
            let noted = speeds.zip(&fit.frames[frame].observations);
            noted
                .map(|(speed, seen)| by_readout(&fit.lines, seen, &speed.unwrap_or_default()))
                .collect()
        })
        .collect();
    for (frame, notes) in fit.frames.iter_mut().zip(notes) {
        for (seen, by_readout) in frame.observations.iter_mut().zip(notes) {
            seen.by_readout_px_per_s = by_readout;
        }
    }
}

/// Notes at every landmark how it follows the readout, from where it was found in the frames before and
/// after. Between these its own place has no part in its speed.
pub(in crate::motion) fn note_motion_of_landmarks(fit: &mut JointFit) {
    if !fit.layout.readout {
        return;
    }
    let speeds: Vec<Vec<Vector2<f64>>> = (0..fit.frames.len())
        .into_par_iter()
        .with_min_len(PIECE)
        .map(|frame| speeds_of_landmarks(&fit.frames, frame))
        .collect();
    let lines = fit.lines;
    for (frame, speeds) in fit.frames.iter_mut().zip(speeds) {
        for (seen, speed) in frame.landmarks.iter_mut().zip(speeds) {
            seen.by_readout_px_per_s = speed * lines.share(&seen.place_px);
        }
    }
}

/// Each kept sighting's corners as the fit has them, px.
fn outlines(fit: &JointFit, state: &State) -> Vec<Vec<Option<Corners>>> {
    let given = fit.lens.given(&state.constants);
    fit.of_frames(state, |frame, frame_state| {
        let outline = |seen: &Observation| {
            if !seen.kept {
                return None;
            }
            let pose = camera_from_tag(seen.target, given.constants, frame_state);
            flat_outline_px(seen.edge_mm, &given.camera, &pose)
        };
        frame.observations.iter().map(outline).collect()
    })
}

/// How fast a tag's corners move in a frame, px/s. `None` without a neighbour. Rejected sightings may be
/// right after all: their speed comes from what was seen, that of kept ones never.
fn speed(
    frames: &[ObservedFrame],
    outlines: &[Vec<Option<Corners>>],
    (frame, seen): (usize, usize),
) -> Option<Corners> {
    let this = &frames[frame].observations[seen];
    let here = outlines[frame][seen].unwrap_or(this.corners_px);
    slope_in(frames, frame, here, |other| {
        let seen = frames[other].observations.iter();
        let seen = seen.zip(&outlines[other]);
        let mut there = seen.filter(|(seen, _)| seen.target == this.target);
        there.find_map(|(seen, outline)| match this.kept {
            true => *outline,
            false => Some(outline.unwrap_or(seen.corners_px)),
        })
    })
}

/// How fast something moves that is `here` in a frame, by where it is in the frames before and after: see
/// [`slope`].
fn slope_in<const ROWS: usize>(
    frames: &[ObservedFrame],
    frame: usize,
    here: SVector<f64, ROWS>,
    place: impl Fn(usize) -> Option<SVector<f64, ROWS>>,
) -> Option<SVector<f64, ROWS>> {
    // The time comes first: beyond the last frame there is no place to ask for.
    let there = |other: usize| Some((frames.get(other)?.time_s, place(other)?));
    let before = frame.checked_sub(1).and_then(there);
    slope((frames[frame].time_s, here), [before, there(frame + 1)])
}

/// How fast something moves, by its places one frame before and one after, each with its time, s: the slope
/// here of the parabola through all three, or of the line to the only neighbour. `None` without a
/// neighbour within [`LONGEST_STEP_S`].
pub(crate) fn slope<const ROWS: usize>(
    (time_s, here): (f64, SVector<f64, ROWS>),
    neighbours: [Option<(f64, SVector<f64, ROWS>)>; 2],
) -> Option<SVector<f64, ROWS>> {
    let slopes = neighbours.map(|there| {
        let (there_s, there) = there?;
        let step_s = there_s - time_s;
        let near = step_s != 0.0 && step_s.abs() <= LONGEST_STEP_S;
        near.then(|| ((there - here) / step_s, step_s.abs()))
    });
    match slopes {
        [Some((before, past_s)), Some((after, ahead_s))] => {
            Some((before * ahead_s + after * past_s) / (past_s + ahead_s))
        }
        [one, other] => one.or(other).map(|(slope, _)| slope),
    }
}

/// How fast each landmark of a frame moves in the picture, px/s.
fn speeds_of_landmarks(frames: &[ObservedFrame], frame: usize) -> Vec<Vector2<f64>> {
    let speed = |seen: &SeenLandmark| {
        slope_in(frames, frame, seen.place_px, |other| {
            let there = frames[other].landmark(seen.landmark)?;
            Some(there.place_px)
        })
    };
    let landmarks = frames[frame].landmarks.iter();
    landmarks
        .map(|seen| speed(seen).unwrap_or_default())
        .collect()
}

/// How corners that move at a speed follow the readout, px per second of it.
pub(in crate::motion) fn by_readout(
    lines: &ReadLines,
    seen: &Observation,
    speed_px_per_s: &Corners,
) -> Corners {
    let mut by_readout = *speed_px_per_s;
    for corner in 0..4 {
        let at_px = seen.corners_px.fixed_rows::<2>(2 * corner).into_owned();
        let mut moved = by_readout.fixed_rows_mut::<2>(2 * corner);
        moved *= lines.share(&at_px);
    }
    by_readout
}
