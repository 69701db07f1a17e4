//! How well each landmark can be trusted: by how its places scatter about the fit.
//!
//! That needs no more than some hundred frames, so of long clips only every so many are looked at.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Point3, Unit, Vector2, Vector3};
use rayon::prelude::*;

use super::picture_scatter::picture_scatter;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::landmark::Landmark;
use crate::motion::problem::observation::ObservedFrame;
use crate::motion::problem::parameters::{Constants, Given};
use crate::motion::problem::picture_motion::{PictureMotion, PicturePrior};
use crate::motion::problem::rocking::rocking_deg;
use crate::motion::select::outliers::round;
use crate::motion::select::scatter::Scatter;
use crate::motion::select::significance::Significance;
use crate::motion::solve::frame_fit::view_share_of_tags;
use crate::motion::solve::search::{FROM_AFAR, FROM_NEARBY, Search};
use crate::statistics::{SD_FROM_MAD, median};

/// So many frames are looked at, if there are as many …
const ENOUGH_FRAMES: usize = 600;
/// … and no two that follow each other are further apart, s: less than landmarks' errors last.
const LARGEST_STEP_S: f64 = 0.2;

/// Standard deviation that landmarks are taken to have before their residuals were seen, px.
pub(in crate::motion) const FIRST_SD_PX: f64 = 0.5;
/// Their standard deviation is never below this, px: those on the sample clip's posters are found to 0.06
/// to 0.14 px, and two with too small a claim would dominate the camera's pose.
const LEAST_SD_PX: f64 = 0.1;
/// One that scatters more is no fixed spot, px.
pub(in crate::motion) const MOST_SD_PX: f64 = 1.5;
/// Rounds of fitting and weighing.
const ROUNDS: usize = 6;
/// A round after the first may stop early, since the next one changes the weights anyway.
const ONE_STEP: Search = Search {
    damping: FROM_NEARBY,
    steps: 1,
    promised: f64::INFINITY,
};
/// Standard deviations that change by less than this factor settle.
const SETTLED_FACTOR: f64 = 1.1;

/// Errors of a landmark are alike for as long as the camera is near one place: so long is looked, s.
const ALIKE_S: f64 = 1.0;

/// A fit with landmarks and their weights.
pub(in crate::motion) struct Weighed {
    /// With where the landmarks are.
    pub constants: Constants,
    /// Standard deviation of each landmark's coordinates.
    pub sd_px: Vec<f64>,
    /// [`JointFit::view_share_of_tags`].
    pub view_share_of_tags: f64,
    /// Variance of the tags' residuals with the landmarks over that without.
    pub growth: f64,
    pub significance: Significance,
    /// How far the picture moves.
    pub picture: PicturePrior,
    /// How far the surroundings rock.
    pub rocking_deg: f64,
}

/// Fits with the landmarks and weighs each by its residuals, beginning with a fit without them. `None` if
/// the fit fails.
pub(in crate::motion) fn weigh(fit: &JointFit, alone: &State) -> Option<Weighed> {
    let (mut fit, alone, every) = fit.thinned(alone, stride);
    fit.layout.picture_moves = true;
    let none = BTreeMap::new();
    let before = Scatter::of(&fit, &alone, &none)?.variance;
    let (state, sd_px) = fit_and_weigh(&mut fit, alone, every)?;
    fit.view_share_of_tags = view_share_of_tags(&fit, &state);
    let after = Scatter::of(&fit, &state, &none)?.variance;
    Some(Weighed {
        sd_px,
        view_share_of_tags: fit.view_share_of_tags,
        growth: after / before,
        significance: Significance::of(&fit, &state),
        picture: fit.priors.picture,
        rocking_deg: rocking_deg(&fit, &state),
        constants: state.constants,
    })
}

/// Every how many of the frames at these times the landmarks are weighed.
fn stride(times_s: &[f64]) -> usize {
    let [Some(first_s), Some(last_s)] = [times_s.first(), times_s.last()] else {
        return 1;
    };
    let step_s = (last_s - first_s) / times_s.len() as f64;
    let every = (LARGEST_STEP_S / step_s) as usize;
    every.min(times_s.len() / ENOUGH_FRAMES)
}

/// The state with the landmarks, and the standard deviation of each.
fn fit_and_weigh(fit: &mut JointFit, mut state: State, every: usize) -> Option<(State, Vec<f64>)> {
    state.constants.landmarks_seen_from = mean_camera_mm(fit, &state);
    state.constants.landmarks = (0..fit.layout.landmarks)
        .into_par_iter()
        .map(|landmark| first_guess(fit, &state, landmark))
        .collect();
    let mut search = round(fit, FROM_AFAR);
    let mut before_px = vec![FIRST_SD_PX; fit.layout.landmarks];
    for _ in 0..ROUNDS {
        state = fit.minimise(state, search).ok()?.state;
        let rests = weigh_picture(fit, &mut state)?;
        let sd_px = sd_px_of_all(fit, &state, every);
        let frames = fit.frames.iter_mut();
        for seen in frames.flat_map(|frame| &mut frame.landmarks) {
            seen.sd_px = sd_px[seen.landmark];
        }
        let mut pairs = sd_px.iter().zip(&before_px);
        let settled = pairs.all(|(now, before)| {
            let of_no_use = now.min(*before) > MOST_SD_PX;
            of_no_use || (now / before).max(before / now) < SETTLED_FACTOR
        });
        before_px = sd_px;
        if settled && rests {
            break;
        }
        search = match rests {
            true => ONE_STEP,
            false => round(fit, FROM_NEARBY),
        };
    }
    Some((state, before_px))
}

/// Weighs the motion of the picture, and takes it out of the fit where it does not show; whether that left the
/// fit as it was.
fn weigh_picture(fit: &mut JointFit, state: &mut State) -> Option<bool> {
    if !fit.layout.picture_moves {
        return Some(true);
    }
    let scatter = picture_scatter(fit, state)?;
    fit.priors.picture = scatter.prior;
    if !scatter.shows {
        fit.layout.picture_moves = false;
        let frames = state.frames.iter_mut();
        frames.for_each(|frame| frame.picture = PictureMotion::default());
    }
    Some(scatter.shows)
}

/// Where the camera was on average, in the reference frame, mm.
fn mean_camera_mm(fit: &JointFit, state: &State) -> Point3<f64> {
    let frames = fit.frames.iter().zip(&state.frames);
    let posed = frames.filter(|(frame, _)| frame.is_used());
    let (sum, count) = posed.fold((Vector3::zeros(), 0.0), |(sum, count), (_, state)| {
        let camera_mm = state.camera_from_reference.inverse().translation.vector;
        (sum + camera_mm, count + 1.0)
    });
    Point3::from(sum / f64::max(count, 1.0))
}

/// A landmark at the point nearest to all lines of sight to it.
fn first_guess(fit: &JointFit, state: &State, landmark: usize) -> Landmark {
    let camera = fit.lens.camera(&state.constants);
    let seen_from = state.constants.landmarks_seen_from;
    let (mut across, mut sum, mut towards) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
    for (frame, frame_state) in fit.frames.iter().zip(&state.frames) {
        let seen = frame.landmark(landmark);
        let Some(seen) = seen.filter(|_| frame.is_used()) else {
            continue;
        };
        let Some(direction) = camera.undistort(&seen.place_px.into()) else {
            continue;
        };
        let reference_from_camera = frame_state.camera_from_reference.inverse();
        let direction = reference_from_camera.rotation * direction.to_homogeneous().normalize();
        let off_line = Matrix3::identity() - direction * direction.transpose();
        across += off_line;
        sum += off_line * (reference_from_camera.translation.vector - seen_from.coords);
        towards += direction;
    }
    let towards = Unit::new_normalize(towards);
    let away_mm = across.cholesky().map(|root| root.solve(&sum).dot(&towards));
    // Behind the camera: the camera's errors are larger than its motion, or it is very far.
    let away_mm = away_mm.filter(|away_mm| *away_mm > 0.0);
    Landmark {
        towards,
        inverse_mm: away_mm.map_or(0.0, f64::recip),
    }
}

/// Standard deviation of each landmark, in a fit of every so many frames; infinite for one without
/// residuals.
fn sd_px_of_all(fit: &JointFit, state: &State, every: usize) -> Vec<f64> {
    let given = fit.lens.given(&state.constants);
    (0..fit.layout.landmarks)
        .into_par_iter()
        .map(|landmark| {
            let residuals = residuals_px(fit, state, &given, landmark);
            sd_px(&residuals, every).unwrap_or(f64::INFINITY)
        })
        .collect()
}

/// Residuals of a landmark, with the time of each, s.
fn residuals_px(
    fit: &JointFit,
    state: &State,
    given: &Given,
    landmark: usize,
) -> Vec<(f64, Vector2<f64>)> {
    let frames = fit.frames.iter().zip(&state.frames);
    let residual = |(frame, frame_state): (&ObservedFrame, _)| {
        let seen = frame.landmark(landmark).filter(|_| frame.is_used())?;
        let miss_px = seen.residual_px(given, frame_state)?;
        Some((frame.time_s, miss_px))
    };
    frames.filter_map(residual).collect()
}

/// Standard deviation with which single places would have to scatter, independent of each other, to
/// leave as much in the mean of many: errors that are alike in neighbouring frames count for more
/// (W. K. Newey and K. D. West, Econometrica 55 (1987) 703). Where only every so many frames are looked
/// at, each later one includes those before it.
fn sd_px(residuals: &[(f64, Vector2<f64>)], every: usize) -> Option<f64> {
    let coordinates = residuals.iter().flat_map(|(_, miss)| [miss.x, miss.y]);
    let usual_px = SD_FROM_MAD * median(coordinates.map(f64::abs))?;
    let reach_px = 3.0 * usual_px;
    let bounded: Vec<(f64, Vector2<f64>)> = residuals
        .iter()
        .map(|(time_s, miss)| (*time_s, miss.map(|value| value.clamp(-reach_px, reach_px))))
        .collect();
    let (mut sum, mut count) = (0.0, 0.0);
    for (index, (time_s, miss)) in bounded.iter().enumerate() {
        sum += miss.norm_squared();
        count += 2.0;
        for (later_s, later) in &bounded[index + 1..] {
            let weight = 1.0 - (later_s - time_s) / ALIKE_S;
            if weight <= 0.0 {
                break;
            }
            sum += 2.0 * every as f64 * weight * miss.dot(later);
        }
    }
    let long_run_px = (sum / count).max(0.0).sqrt();
    Some(long_run_px.max(usual_px).max(LEAST_SD_PX))
}
