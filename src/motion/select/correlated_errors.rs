//! Errors that last while a tag rests in the picture.
//!
//! A tag that rests stays at the same fraction of a pixel in every frame, and a video coder copies
//! still parts of the picture instead of coding them again: the same corner errors repeat in
//! every frame, and their mean over a hold is no better than one of them. How large that part is
//! shows in the residuals: those of one rest are alike.

use std::collections::BTreeMap;

use crate::motion::deflections::picked;
use crate::motion::problem::blocks::FRAME_ALONE;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{Corners, ObservedFrame, Target};
use crate::motion::problem::parameters::{FrameState, Given};
use crate::motion::problem::prediction::linearise;
use crate::motion::problem::residuals::residuals;

/// A tag rests while no corner moves by more than this, px: corner errors repeat with the place
/// within the pixel, and a quarter of a pixel changes most of them.
const REST_PX: f64 = 0.25;

/// Errors that repeat within a rest.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LastingErrors {
    /// Share of the variance of a corner that is common to all frames of a rest, 0 to 1.
    pub share: f64,
    /// The rest that each deflection belongs to, by frame and surface. Numbers are unique in the
    /// clip; deflections of the same number share that part of their error.
    pub rest_of: Vec<Vec<usize>>,
    /// What an error of the tag's place that lasts through a rest adds to each deflection: its
    /// standard deviation, rad, by frame and surface. No residual shows it, since the deflection
    /// takes it up.
    pub place_sd_rad: Vec<Vec<f64>>,
}

impl LastingErrors {
    /// Those of some surfaces, which then count in the given order.
    pub(in crate::motion) fn of_surfaces(&self, wanted: &[usize]) -> Self {
        let rests = self.rest_of.iter();
        let places = self.place_sd_rad.iter();
        Self {
            share: self.share,
            rest_of: rests.map(|of| picked(of, wanted)).collect(),
            place_sd_rad: places.map(|of| picked(of, wanted)).collect(),
        }
    }
}

/// Finds the rests, measures how alike their residuals are, and weights sightings accordingly.
///
/// `constant` is what a tag's residuals have in common in all frames: it does not change from rest to rest.
/// A rest of n frames counts as much as n / (1 + (n − 1) share) independent ones. In the hand a tag
/// does not rest in the picture, and the error of its place is new in every frame.
pub(in crate::motion) fn weigh_rests(
    fit: &mut JointFit,
    state: &State,
    constant: &BTreeMap<Target, Corners>,
    place_error_sd_px: f64,
) -> LastingErrors {
    let rests = if fit.layout.view_moves() {
        rests_of_frames(fit)
    } else {
        rests_of_tags(fit)
    };
    let share = lasting_share(fit, state, &rests, constant);
    let mut counts: BTreeMap<(usize, Target), f64> = BTreeMap::new();
    for (frame, numbers) in fit.frames.iter().zip(&rests) {
        for (seen, number) in frame.observations.iter().zip(numbers) {
            if seen.kept {
                *counts.entry((*number, seen.target)).or_default() += 1.0;
            }
        }
    }
    let place_sd_rad = if fit.layout.view_moves() {
        vec![]
    } else {
        place_sd_rad(fit, state, place_error_sd_px)
    };
    let mut lengths: BTreeMap<usize, f64> = BTreeMap::new();
    for ((number, _), count) in counts {
        let length = lengths.entry(number).or_insert(1.0);
        *length = length.max(count);
    }
    let mut rest_of = vec![];
    for (frame, numbers) in fit.frames.iter_mut().zip(&rests) {
        let mut of_surfaces = vec![usize::MAX; fit.layout.surfaces];
        for (seen, number) in frame.observations.iter_mut().zip(numbers) {
            let length = lengths.get(number).copied().unwrap_or(1.0);
            seen.share = 1.0 / (1.0 + (length - 1.0) * share);
            if let Target::Surface(surface) = seen.target {
                of_surfaces[surface] = *number;
            }
        }
        rest_of.push(of_surfaces);
    }
    LastingErrors {
        share,
        rest_of,
        place_sd_rad,
    }
}

/// [`LastingErrors::place_sd_rad`] for an error of `sd_px` in each direction.
///
/// A deflection is the least-squares fit of a sighting by its derivative a, both whitened, so that a
/// displacement d of the outline moves it by a·d / a².
fn place_sd_rad(fit: &JointFit, state: &State, sd_px: f64) -> Vec<Vec<f64>> {
    let given = fit.lens.given(&state.constants);
    let frames = fit.frames.iter().zip(&state.frames);
    let of_frame = |(frame, frame_state): (&ObservedFrame, &FrameState)| {
        place_sd_of_frame(frame, frame_state, &given, sd_px)
    };
    frames.map(of_frame).collect()
}

/// The same of one frame, by surface.
pub(in crate::motion) fn place_sd_of_frame(
    frame: &ObservedFrame,
    frame_state: &FrameState,
    given: &Given,
    sd_px: f64,
) -> Vec<f64> {
    let along = [0, 1].map(|axis| Corners::from_fn(|row, _| f64::from(row % 2 == axis)));
    let mut of_surfaces = vec![0.0; given.constants.surfaces.len()];
    for seen in frame.kept() {
        let Target::Surface(surface) = seen.target else {
            continue;
        };
        let line = linearise::<FRAME_ALONE>(seen, given, frame_state);
        let Some(line) = line else { continue };
        let moves = along.map(|shift| line.by_angle.dot(&(seen.whitening * shift)));
        of_surfaces[surface] = sd_px * moves[0].hypot(moves[1]) / line.by_angle.norm_squared();
    }
    of_surfaces
}

/// Largest move of a corner, px.
fn move_px(from: &Corners, to: &Corners) -> f64 {
    (to - from).abs().max()
}

/// Numbers the rests of each tag by itself; one number a sighting.
fn rests_of_tags(fit: &JointFit) -> Vec<Vec<usize>> {
    let mut current: BTreeMap<Target, (usize, Corners)> = BTreeMap::new();
    let mut next = 0;
    let number = |frame: &ObservedFrame| {
        let of_sightings = frame.observations.iter().map(|seen| {
            let rest = current.get(&seen.target);
            let goes_on = rest.filter(|(_, corners)| move_px(corners, &seen.corners_px) < REST_PX);
            if let Some((number, _)) = goes_on {
                return *number;
            }
            let number = next;
            next += 1;
            if seen.kept {
                current.insert(seen.target, (number, seen.corners_px));
            }
            number
        });
        of_sightings.collect()
    };
    fit.frames.iter().map(number).collect()
}

/// Numbers the rests of all tags together: with a moving camera they share its pose.
fn rests_of_frames(fit: &JointFit) -> Vec<Vec<usize>> {
    let mut start: BTreeMap<Target, Corners> = BTreeMap::new();
    let mut number = 0;
    let mut rests = vec![];
    for frame in &fit.frames {
        let moved = frame.kept().any(|seen| {
            start
                .get(&seen.target)
                .is_some_and(|corners| move_px(corners, &seen.corners_px) > REST_PX)
        });
        if moved {
            number += 1;
            start.clear();
        }
        for seen in frame.kept() {
            start.entry(seen.target).or_insert(seen.corners_px);
        }
        rests.push(vec![number; frame.observations.len()]);
    }
    rests
}

/// Share of the residuals' variance that is common to the frames of a rest.
///
/// With n residuals rᵢ in a rest, Σ_{i≠j} rᵢ·rⱼ has the expectation (n − 1) share Σ rᵢ·rᵢ.
fn lasting_share(
    fit: &JointFit,
    state: &State,
    rests: &[Vec<usize>],
    constant: &BTreeMap<Target, Corners>,
) -> f64 {
    #[derive(Default)]
    struct Rest {
        sum: Corners,
        squares: f64,
        count: f64,
    }
    let mut by_rest: BTreeMap<(usize, Target), Rest> = BTreeMap::new();
    for ((frame, misses), numbers) in fit.frames.iter().zip(residuals(fit, state)).zip(rests) {
        for ((seen, miss), number) in frame.observations.iter().zip(misses).zip(numbers) {
            // A tag that rests all the time has its mean error in its own constants.
            let at_rest = !fit.layout.view_moves() && matches!(seen.target, Target::Airframe(_));
            if !seen.has_a_say() || at_rest {
                continue;
            }
            if let Some(miss) = miss {
                let miss = miss - constant.get(&seen.target).copied().unwrap_or_default();
                let rest = by_rest.entry((*number, seen.target)).or_default();
                rest.sum += miss;
                rest.squares += miss.norm_squared();
                rest.count += 1.0;
            }
        }
    }
    let (mut alike, mut all) = (0.0, 0.0);
    for rest in by_rest.values() {
        alike += rest.sum.norm_squared() - rest.squares;
        all += (rest.count - 1.0) * rest.squares;
    }
    if all > 0.0 {
        (alike / all).clamp(0.0, 1.0)
    } else {
        0.0
    }
}
