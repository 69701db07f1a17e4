//! Combines rests and their stations: holds, neutral, the stick of every frame.

use crate::response_model::slope_sign;
use crate::stations::error::StationsError;
use crate::stations::hold::{Approach, Hold};
use crate::stations::rests::rest::Rest;
use crate::stations::rests::settle;
use crate::stations::scene::Scene;
use crate::stations::trace::{Trace, span_s};
use crate::stick;

/// The holds in time, where each rest follows the one before it.
pub(super) fn in_order(scene: &Scene, labels: &[Option<f64>]) -> Vec<Hold> {
    let mut came_from = vec![None];
    came_from.extend_from_slice(labels);
    put_together(scene, labels, &came_from)
}

/// The holds in time; `came_from` is the stick before each rest, if known.
pub(super) fn put_together(
    scene: &Scene,
    labels: &[Option<f64>],
    came_from: &[Option<f64>],
) -> Vec<Hold> {
    let slopes = slope_signs(scene.rests, labels);
    let rests = scene.rests.iter().zip(scene.settled);
    rests
        .zip(labels.iter().zip(came_from))
        .filter_map(|((rest, frames), (stick, came_from))| {
            let stick_pct = (*stick)?;
            let approach = match *came_from {
                Some(earlier_pct) if stick_pct > earlier_pct => Approach::Rising,
                Some(earlier_pct) if stick_pct < earlier_pct => Approach::Falling,
                _ => approach_by_motion(scene.trace, rest, &slopes),
            };
            Some(Hold {
                stick_pct,
                approach,
                frames: frames.clone(),
                time_s: span_s(scene.trace, frames),
            })
        })
        .collect()
}

/// Whether each surface goes up (+1) or down (−1) with the stick.
fn slope_signs(rests: &[Rest], labels: &[Option<f64>]) -> Vec<f64> {
    let surface_count = rests.first().map_or(0, |rest| rest.levels_deg.len());
    let slope = |surface: usize| {
        let points = rests
            .iter()
            .zip(labels)
            .filter_map(|(rest, stick)| Some(((*stick)?, rest.levels_deg[surface]?)));
        slope_sign(points)
    };
    (0..surface_count).map(slope).collect()
}

/// The approach as the surfaces showed it, where the stick before the hold is not known.
fn approach_by_motion(trace: &Trace, rest: &Rest, slopes: &[f64]) -> Approach {
    let Some(arrivals_deg) = settle::arrivals_deg(trace, rest) else {
        return Approach::First;
    };
    let came_up: f64 = arrivals_deg
        .iter()
        .zip(slopes)
        .filter_map(|(arrival, slope)| Some((*arrival)? * slope))
        .sum();
    if came_up > 0.0 {
        Approach::Rising
    } else if came_up < 0.0 {
        Approach::Falling
    } else {
        Approach::First
    }
}

/// Settled frames at stick 0, or of the declared span where no hold is at 0.
pub(super) fn neutral_frames(
    trace: &Trace,
    holds: &[Hold],
    declared_s: Option<[f64; 2]>,
) -> Result<Vec<usize>, StationsError> {
    let at_neutral = holds
        .iter()
        .filter(|hold| stick::is_neutral(hold.stick_pct));
    let frames: Vec<usize> = at_neutral.flat_map(|hold| hold.frames.clone()).collect();
    if !frames.is_empty() {
        return Ok(frames);
    }
    let [from_s, to_s] = declared_s.ok_or(StationsError::NoNeutralHold {
        unknown_cards: vec![],
    })?;
    let frames: Vec<usize> = (0..trace.len())
        .filter(|&frame| trace.is_measured(frame))
        .filter(|&frame| trace.time_s[frame] >= from_s && trace.time_s[frame] <= to_s)
        .collect();
    if frames.is_empty() {
        return Err(StationsError::NeutralSpanEmpty { from_s, to_s });
    }
    Ok(frames)
}

pub(super) fn stick_by_frame(frame_count: usize, holds: &[Hold]) -> Vec<Option<f64>> {
    let mut stick_pct = vec![None; frame_count];
    for hold in holds {
        if let (Some(&first), Some(&last)) = (hold.frames.first(), hold.frames.last()) {
            stick_pct[first..=last].fill(Some(hold.stick_pct));
        }
    }
    stick_pct
}
