//! Rejects outliers, and estimates how far off the declared covariances are.

use rayon::prelude::*;

use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::Target;
use crate::motion::problem::parameters::FrameState;
use crate::motion::problem::readout;
use crate::motion::problem::residuals::{chi2, chi2_of, keep_below, keep_plausible};
use crate::motion::solve::frame_fit::{FrameFit, SETTLED_AT_A_TIME};
use crate::motion::solve::frame_start::{START_LOSS, best_start};
use crate::motion::solve::search::{FROM_AFAR, FROM_NEARBY, Search};
use crate::solver::{Loss, Undefined};
use crate::statistics::median;

/// Rounds of fitting and sorting; three are usual.
const ROUNDS: usize = 8;
/// Steps of one round at most.
const STEPS: usize = 25;
/// The fit of one round ends when a step promises to lower the cost by less than this for each frame: what
/// that would leave is negligible beside what the next round changes.
const PROMISED_A_FRAME: f64 = 3e-3;
/// Variance factors that change by less than this settle: a fit with them would change them once more by
/// a quarter of it at most.
const SETTLED_FACTOR: f64 = 0.05;
/// A tag's own variance factor counts half against that of all tags at this many sightings.
const FACTOR_SIGHTINGS: f64 = 60.0;
/// Declared standard deviations are believed to be at most twice too large: scatter that is
/// smaller still would be luck, or corners that repeat each other.
const SMALLEST_FACTOR: f64 = 0.25;

/// Fits all sightings with a robust loss, then rejects outliers and fits again until nothing changes.
///
/// Whitenings are rescaled by tag on the way, so that kept residuals have variance 1.
pub(in crate::motion) fn fit_and_sort(
    fit: &mut JointFit,
    start: State,
    rejection_chi2: f64,
) -> Result<State, Undefined> {
    keep_plausible(fit, &start);
    readout::note_motion(fit, &start);
    let state = fit
        .pass("all sightings", start, round(fit, FROM_AFAR))?
        .state;
    sort_on(fit, state, 1, rejection_chi2)
}

/// The same from a fit that was sorted before, and has changed.
pub(in crate::motion) fn fit_and_sort_on(
    fit: &mut JointFit,
    sorted: State,
    rejection_chi2: f64,
) -> Result<State, Undefined> {
    readout::note_motion(fit, &sorted);
    let state = fit
        .pass("significant unknowns", sorted, round(fit, FROM_NEARBY))?
        .state;
    sort_on(fit, state, 0, rejection_chi2)
}

/// The search of one round.
pub(in crate::motion) fn round(fit: &JointFit, damping: f64) -> Search {
    Search {
        damping,
        steps: STEPS,
        promised: PROMISED_A_FRAME * fit.frames.len() as f64,
    }
}

/// Alternates rejection and fitting, from a fit that has just been made, at least a number of times.
pub(in crate::motion) fn sort_on(
    fit: &mut JointFit,
    mut state: State,
    at_least: usize,
    rejection_chi2: f64,
) -> Result<State, Undefined> {
    let mut changed = true;
    for done in 0..ROUNDS {
        if changed {
            readout::note_motion(fit, &state);
        }
        let mut chi2 = chi2(fit, &state);
        let factors = rescale(fit, &mut chi2);
        changed = sort(fit, &mut state, chi2, rejection_chi2);
        let settled = factors
            .iter()
            .all(|factor| (factor - 1.0).abs() < SETTLED_FACTOR);
        if done >= at_least && settled && !changed {
            break;
        }
        fit.loss = Loss::Huber {
            width: rejection_chi2.sqrt(),
        };
        state = fit
            .pass("sorted sightings", state, round(fit, FROM_NEARBY))?
            .state;
    }
    Ok(state)
}

/// Degrees of freedom that a kept sighting has left on average.
pub(in crate::motion) fn freedom_of_a_sighting(fit: &JointFit) -> f64 {
    let (mut sightings, mut unknowns) = (0.0, fit.layout.fitted() as f64);
    for frame in &fit.frames {
        let mut any = false;
        for seen in frame.with_a_say() {
            any = true;
            sightings += 1.0;
            if matches!(seen.target, Target::Surface(_)) {
                unknowns += 1.0;
            }
        }
        if any && fit.layout.view_moves() {
            unknowns += fit.layout.view().len() as f64 * fit.view_share_of_tags;
        }
    }
    (8.0 - unknowns / f64::max(sightings, 1.0)).max(1.0)
}

/// Brings each tag's residuals, whose χ² are given, to variance 1; returns the factors on the
/// variances.
fn rescale(fit: &mut JointFit, chi2: &mut [Vec<f64>]) -> Vec<f64> {
    let freedom = freedom_of_a_sighting(fit);
    // Median of χ² (Wilson and Hilferty, PNAS 17 (1931) 684).
    let expected = freedom * (1.0 - 2.0 / (9.0 * freedom)).powi(3);
    let targets: Vec<Target> = fit.layout.targets().collect();
    let of = |wanted: Option<Target>| -> Vec<f64> {
        let frames = fit.frames.iter().zip(&*chi2);
        let sightings = frames.flat_map(|(frame, chi2)| frame.observations.iter().zip(chi2));
        sightings
            .filter(|(seen, _)| seen.kept && wanted.is_none_or(|target| target == seen.target))
            .map(|(_, chi2)| *chi2)
            .collect()
    };
    let overall = (median(of(None).into_iter()).unwrap_or(0.0) / expected).max(f64::MIN_POSITIVE);
    let factors: Vec<f64> = targets
        .iter()
        .map(|target| {
            let own = of(Some(*target));
            let trust = own.len() as f64 / (own.len() as f64 + FACTOR_SIGHTINGS);
            let own = (median(own.into_iter()).unwrap_or(0.0) / expected).max(f64::MIN_POSITIVE);
            (trust * own.ln() + (1.0 - trust) * overall.ln()).exp()
        })
        .collect();
    for (frame, chi2) in fit.frames.iter_mut().zip(chi2) {
        for (seen, chi2) in frame.observations.iter_mut().zip(chi2) {
            let factor = targets.iter().position(|target| *target == seen.target);
            let factor = factor.map_or(overall, |index| factors[index]);
            let total = (seen.variance_factor * factor).max(SMALLEST_FACTOR);
            let change = seen.variance_factor / total;
            seen.whitening *= change.sqrt();
            *chi2 *= change;
            seen.variance_factor = total;
        }
    }
    factors
}

/// Keeps what fits and rejects what does not; returns whether that changed anything.
fn sort(
    fit: &mut JointFit,
    state: &mut State,
    mut chi2: Vec<Vec<f64>>,
    rejection_chi2: f64,
) -> bool {
    retry_frames_with_misfits(fit, state, &mut chi2, rejection_chi2);
    let mut changed = false;
    for (frame, chi2) in fit.frames.iter_mut().zip(&chi2) {
        let before: Vec<bool> = frame.observations.iter().map(|seen| seen.kept).collect();
        keep_below(frame, chi2, rejection_chi2, fit.layout.view_moves());
        let after = frame.observations.iter().map(|seen| seen.kept);
        changed |= before.into_iter().ne(after);
    }
    changed
}

/// Frames with a sighting that does not fit start again with all their sightings: one wrong
/// sighting of an airframe tag makes all others look wrong.
fn retry_frames_with_misfits(
    fit: &JointFit,
    state: &mut State,
    chi2: &mut [Vec<f64>],
    rejection_chi2: f64,
) {
    let spans = angle_spans(fit, state);
    let given = fit.lens.given(&state.constants);
    let frame_fit = FrameFit::new(fit, given, START_LOSS, &spans);
    let retried: Vec<Option<(usize, FrameState)>> = (0..fit.frames.len())
        .into_par_iter()
        .with_min_len(SETTLED_AT_A_TIME)
        .map(|index| {
            if chi2[index].iter().all(|chi2| *chi2 < rejection_chi2) {
                return None;
            }
            let mut whole = fit.frames[index].clone();
            for seen in &mut whole.observations {
                seen.kept = true;
            }
            let (found, _) = best_start(fit, &frame_fit, &whole, &state.frames[index])?;
            let cost = frame_fit.cost(&whole, &found)?;
            let before = frame_fit.cost(&whole, &state.frames[index]);
            before
                .is_none_or(|before| cost < before)
                .then_some((index, found))
        })
        .collect();
    for (index, found) in retried.into_iter().flatten() {
        chi2[index] = chi2_of(&fit.frames[index], &given, &found);
        state.frames[index] = found;
    }
}

/// Least and greatest deflection of each surface among its kept sightings.
pub(in crate::motion) fn angle_spans(fit: &JointFit, state: &State) -> Vec<[f64; 2]> {
    (0..state.constants.surfaces.len())
        .map(|surface| {
            let target = Target::Surface(surface);
            let frames = fit.frames.iter().zip(&state.frames);
            let angles = frames
                .filter(|(frame, _)| frame.shows(target))
                .map(|(_, state)| state.angles_rad[surface]);
            angles
                .map(|angle| [angle, angle])
                .reduce(|span, angle| [span[0].min(angle[0]), span[1].max(angle[1])])
                .unwrap_or([0.0, 0.0])
        })
        .collect()
}
