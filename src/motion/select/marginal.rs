//! Marginal sightings: further off than errors of corners explain, but by fractions of a pixel.
//!
//! A highlight on part of a tag, or a bend of the paper that the fit does not model, can take all
//! sightings of a hold out of a fit whose other sightings scatter little. Such sightings still give their
//! deflection, with the error that their own misfit shows: it is the same in
//! neighbouring frames, so that averaging does not reduce it. They do not influence the hinge.

use std::collections::BTreeMap;

use crate::motion::problem::blocks::{FRAME_ALONE, RESIDUAL};
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{self, Corners, Doubt, Observation, Target};
use crate::motion::problem::parameters::{FrameState, Given};
use crate::motion::problem::prediction::{linearise, residual, residual_px};
use crate::motion::problem::readout;

/// No coordinate of a corner may be further off, px: one of a tag that is half hidden, or of another
/// tag that was mistaken for it, is.
const FARTHEST_PX: f64 = 0.1;
/// Steps in which a deflection settles; it starts near …
const STEPS: usize = 4;
/// … and ends no further away than this, rad: whole turns do not show in the picture.
const FARTHEST_RAD: f64 = 0.1;
/// Degrees of freedom of a sighting after its deflection: eight coordinates less one.
const FREEDOM: f64 = 7.0;
/// Doubtful frames no further apart than this have their misfit in common, s; and so have neighbours.
const GAP_S: f64 = 0.125;
/// Neighbours are within so many intervals of each other: times are rounded.
const NEIGHBOUR_INTERVALS: f64 = 1.5;
/// Frames with one misfit for so long are a hold's worth, and are reported, s.
const TOLD_S: f64 = 0.165;

/// Lets rejected sightings of surfaces that are only a little off give their deflections; the tags
/// that have a hold's worth of them, with the number of frames.
pub(in crate::motion) fn admit(fit: &mut JointFit, state: &mut State) -> BTreeMap<Target, usize> {
    readout::note_motion(fit, state);
    let given = fit.lens.given(&state.constants);
    let mut runs = Runs::new(observation::interval_s(&fit.frames));
    for (index, frame) in fit.frames.iter_mut().enumerate() {
        if fit.layout.view_moves() && !frame.tells_camera() {
            continue;
        }
        for seen in frame.observations.iter_mut().filter(|seen| !seen.kept) {
            if let Some((settled, excess)) =
                a_little_off(seen, &state.frames[index], &given, FARTHEST_PX)
            {
                state.frames[index] = settled;
                seen.kept = true;
                seen.doubt = Some(Doubt {
                    excess,
                    run: runs.number(seen.target, frame.time_s),
                });
            }
        }
    }
    runs.reported()
}

/// The frame with the sighting's deflection, and how far its misfit exceeds what its corners lead to
/// expect, as a multiple of their variance; `None` if it is no surface's or too far off.
pub(in crate::motion) fn a_little_off(
    seen: &Observation,
    state: &FrameState,
    given: &Given,
    farthest_px: f64,
) -> Option<(FrameState, f64)> {
    let Target::Surface(surface) = seen.target else {
        return None;
    };
    let mut settled = state.clone();
    let miss = settle(seen, &mut settled, surface, given)?;
    let turned_rad = settled.angles_rad[surface] - state.angles_rad[surface];
    let miss_px = residual_px(seen, given, &settled)?;
    let near = miss_px.amax() < farthest_px && turned_rad.abs() < FARTHEST_RAD;
    near.then(|| (settled, (miss.norm_squared() / FREEDOM - 1.0).max(0.0)))
}

/// Fits a surface's deflection to its tag; returns the whitened residual there.
fn settle(
    seen: &Observation,
    state: &mut FrameState,
    surface: usize,
    given: &Given,
) -> Option<Corners> {
    for _ in 0..STEPS {
        let line = linearise::<FRAME_ALONE>(seen, given, state)?;
        let slope = line.by_angle.dot(&line.columns.column(RESIDUAL));
        state.angles_rad[surface] -= slope / line.by_angle.norm_squared();
    }
    residual(seen, given, state)
}

/// Runs of doubtful frames of one tag.
struct Runs {
    interval_s: f64,
    /// Time of the last frame and number of each tag's latest run.
    latest: BTreeMap<Target, (f64, usize)>,
    /// Tag and length of each run, frames.
    runs: Vec<(Target, usize)>,
}

impl Runs {
    fn new(interval_s: f64) -> Self {
        Self {
            interval_s,
            latest: BTreeMap::new(),
            runs: Vec::new(),
        }
    }

    /// The number of the run that a tag's doubtful frame belongs to; frames come in order.
    fn number(&mut self, target: Target, time_s: f64) -> usize {
        let gap_s = GAP_S.max(NEIGHBOUR_INTERVALS * self.interval_s);
        let latest = self.latest.get(&target);
        let goes_on = latest.filter(|(last_s, _)| time_s - last_s <= gap_s);
        let number = goes_on.map_or(self.runs.len(), |(_, number)| *number);
        if number == self.runs.len() {
            self.runs.push((target, 0));
        }
        self.runs[number].1 += 1;
        self.latest.insert(target, (time_s, number));
        number
    }

    /// Frames of each tag in runs that are long enough to be reported.
    fn reported(&self) -> BTreeMap<Target, usize> {
        let mut frames = BTreeMap::new();
        let lasts = |run: &&(Target, usize)| run.1 as f64 * self.interval_s >= TOLD_S;
        for (target, length) in self.runs.iter().filter(lasts) {
            *frames.entry(*target).or_default() += length;
        }
        frames
    }
}
