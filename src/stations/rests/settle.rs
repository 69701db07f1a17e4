//! Leaves out the frames of a rest in which a surface still settles or already starts to move.

use super::rest::Rest;
use crate::stations::constants::{AFTER_REST_SHARE, ARRIVAL_DEG, FEWEST_SETTLED, SETTLE_SHARE};
use crate::stations::options::HoldOptions;
use crate::stations::trace::Trace;

/// Settled frames of a rest, rising: measured on one surface at least, after settling, before the
/// next move.
///
/// The settling time runs from the last frame away from the level, or from the first frame of the
/// clip, where the hand has just let go of the camera.
pub(in crate::stations) fn settled_frames(
    trace: &Trace,
    rest: &Rest,
    options: &HoldOptions,
) -> Vec<usize> {
    let arrival_s = arrival_s(trace, rest);
    let settle_s = options
        .settle_s
        .min(SETTLE_SHARE * (trace.time_s[rest.last] - arrival_s));
    // A step too small to be seen as a departure still settles after its arrival at the level.
    let from_s = (arrival_s + settle_s).max(trace.time_s[rest.first] + AFTER_REST_SHARE * settle_s);
    let to_s = departure_s(trace, rest).map_or(f64::INFINITY, |move_s| move_s - options.guard_s);
    let mut frames: Vec<usize> = (rest.first..=rest.last)
        .filter(|&frame| trace.is_measured(frame))
        .filter(|&frame| trace.time_s[frame] >= from_s && trace.time_s[frame] <= to_s)
        .collect();
    let is_next_to_move = rest.last + 1 < trace.len() && frames.last() == Some(&rest.last);
    if is_next_to_move && frames.len() > FEWEST_SETTLED {
        frames.pop();
    }
    if frames.is_empty() {
        // So short a rest at so slow a rate: its second half is the best there is.
        let middle_s = 0.5 * (trace.time_s[rest.first] + trace.time_s[rest.last]);
        frames = (rest.first..=rest.last)
            .filter(|&frame| trace.is_measured(frame) && trace.time_s[frame] >= middle_s)
            .collect();
    }
    frames
}

/// Which way each surface came to a rest, deg from where it was last seen away; `None` for a rest
/// that nothing came before.
pub(in crate::stations) fn arrivals_deg(trace: &Trace, rest: &Rest) -> Option<Vec<Option<f64>>> {
    if rest.first == 0 {
        return None;
    }
    let away = last_frame_away(trace, rest);
    let arrival = |(surface, level): (&crate::stations::trace::SurfaceTrace, &Option<f64>)| {
        Some((*level)? - surface.angle_deg[away]?)
    };
    let surfaces = trace.surfaces.iter().zip(&rest.levels_deg);
    Some(surfaces.map(arrival).collect())
}

/// When the last surface came near its level, between the frames on either side of that moment.
fn arrival_s(trace: &Trace, rest: &Rest) -> f64 {
    let away = last_frame_away(trace, rest);
    let near = (away + 1..=rest.first).find(|&frame| trace.is_measured(frame));
    near.and_then(|near| crossing_s(trace, rest, near, away))
        .unwrap_or(trace.time_s[away])
}

/// When the first surface went away from its level, if any did.
fn departure_s(trace: &Trace, rest: &Rest) -> Option<f64> {
    let away = (rest.last + 1..trace.len()).find(|&frame| is_away(trace, rest, frame))?;
    let near = (rest.last..away)
        .rev()
        .find(|&frame| trace.is_measured(frame))?;
    crossing_s(trace, rest, near, away)
}

/// When the distance from the level crosses [`ARRIVAL_DEG`] between two measured frames.
fn crossing_s(trace: &Trace, rest: &Rest, near: usize, away: usize) -> Option<f64> {
    let near_deg = trace.distance_deg(near, &rest.levels_deg)?;
    let away_deg = trace.distance_deg(away, &rest.levels_deg)?;
    if away_deg <= ARRIVAL_DEG || near_deg >= away_deg {
        return None;
    }
    let share = ((ARRIVAL_DEG - near_deg) / (away_deg - near_deg)).max(0.0);
    Some(trace.time_s[near] + share * (trace.time_s[away] - trace.time_s[near]))
}

fn is_away(trace: &Trace, rest: &Rest, frame: usize) -> bool {
    trace
        .distance_deg(frame, &rest.levels_deg)
        .is_some_and(|distance| distance > ARRIVAL_DEG)
}

/// The last frame before the rest in which a surface was away from its level.
fn last_frame_away(trace: &Trace, rest: &Rest) -> usize {
    (0..rest.first)
        .rev()
        .find(|&frame| is_away(trace, rest, frame))
        .unwrap_or(if rest.first == 0 { 0 } else { rest.first - 1 })
}
