//! Surroundings: what stands still against the airframe all over the picture tells where the camera is.
//!
//! One small airframe tag tells the tilt of a camera in the hand to some tenths of a degree, and its
//! errors go into every deflection. Landmarks ([`crate::landmarks`]) tell it a hundred times better,
//! wherever they are: their places in space are constants of the fit like any other.
//!
//! Some are no fixed spots: edges that cross at different distances, a surface that moves, a person.
//! Each landmark's own residuals tell how well it can be trusted. And if the airframe does not stand
//! still against its surroundings, its tags no longer fit, and the landmarks are all left out.

use std::collections::BTreeMap;

use nalgebra::{Matrix3, Point3, Unit, Vector2, Vector3};

use super::frame_fit::pose_share_of_tags;
use super::joint_fit::{JointFit, State, Until};
use super::landmark::{Landmark, ROCKING_CONSTANTS, SeenLandmark};
use super::observation::{ObservedFrame, Target};
use super::readout;
use super::scatter::Scatter;
use crate::camera::Camera;
use crate::conventions::deg_from_rad;
use crate::solver::scaled_inverse;
use crate::statistics::{SD_FROM_MAD, median};
use crate::tags::Sightings;

/// Landmarks that are weighed at most, those that were found most often …
const MOST_WEIGHED: usize = 24;
/// … and that the fit then goes by, those that scatter least: more make no deflection better.
const MOST_LANDMARKS: usize = 14;
/// Fewer are no surroundings.
const FEWEST_LANDMARKS: usize = 6;
/// A landmark is of use if it was found in this share of the frames with a pose.
const FOUND_SHARE: f64 = 0.2;

/// Standard deviation that landmarks are taken to have before their residuals were seen, px.
const FIRST_SD_PX: f64 = 0.5;
/// They are never believed to be better than this, px: those on the sample clip's posters are found to 0.06
/// to 0.14 px, and two that are believed too well would draw the camera's pose to themselves.
const LEAST_SD_PX: f64 = 0.1;
/// One that scatters more is no fixed spot, px.
const MOST_SD_PX: f64 = 1.5;
/// Rounds of fitting and weighing.
const ROUNDS: usize = 6;
/// The fit of one round ends when a step promises to lower the cost by less than this for each frame:
/// the weights follow residuals, which hardly change any more.
const PROMISED_A_FRAME: f64 = 3e-3;
const MOST_STEPS: usize = 25;
/// Standard deviations that change by less than this factor settle.
const SETTLED_FACTOR: f64 = 1.1;

/// Errors of a landmark are alike for as long as the camera is near one place: so long is looked, s.
const ALIKE_S: f64 = 1.0;

/// The surroundings rock against the airframe from this χ² on, with six degrees of freedom: by chance it
/// is exceeded once in ten thousand times at 28.
const ROCKS_CHI2: f64 = 30.0;

/// Surroundings that rock further through the travel are of no use, degrees: they do not follow the
/// deflection closely enough.
const MOST_ROCKING_DEG: f64 = 0.25;

/// The airframe moves against its surroundings if with them the tags' residuals grow by this factor,
/// as a variance.
const MOST_GROWTH: f64 = 1.5;

/// Lets the surroundings tell the camera's pose where they stand still against the airframe; the
/// fit's new state, with their rocking as one of its unknowns if that shows. `None`, and no landmark in
/// the fit, where they do not or where there are none.
pub(super) fn join(fit: &mut JointFit, state: &State, sightings: &Sightings) -> Option<State> {
    if !fit.layout.camera_moves {
        return None;
    }
    let before = Scatter::of(fit, state, &BTreeMap::new())?.variance;
    take_in(fit, sightings);
    if fit.layout.landmarks < FEWEST_LANDMARKS {
        leave_out(fit);
        return None;
    }
    let mut rocking = false;
    let joined = fit_and_weigh(fit, state.clone()).filter(|joined| {
        fit.pose_share_of_tags = pose_share_of_tags(fit, joined);
        let after = Scatter::of(fit, joined, &BTreeMap::new());
        let fits = after.is_some_and(|after| after.variance < MOST_GROWTH * before);
        rocking = rocks(fit, joined);
        fits && !(rocking && rocking_deg(fit, joined) > MOST_ROCKING_DEG)
    });
    if joined.is_none() {
        fit.surroundings_move = true;
        leave_out(fit);
    }
    fit.layout.rocking = rocking && joined.is_some();
    joined
}

/// Whether the fit tells the surroundings' rocking from none.
fn rocks(fit: &JointFit, state: &State) -> bool {
    let Some(column) = fit.layout.rocking_column() else {
        return false;
    };
    let covariance = fit.system(state, 0.0).covariance(fit.layout.fitted());
    let chi2 = covariance.and_then(|covariance| {
        let size = ROCKING_CONSTANTS;
        let own = covariance.view((column, column), (size, size));
        let rocking = &state.constants.rocking;
        Some(rocking.dot(&(scaled_inverse(&own.into_owned())? * rocking)))
    });
    chi2.is_some_and(|chi2| chi2 > ROCKS_CHI2)
}

/// How far the surroundings rock against the airframe through the whole travel, as seen from the camera:
/// root mean square of all landmarks.
pub(super) fn rocking_deg(fit: &JointFit, state: &State) -> f64 {
    let driven = fit.frames.iter().flat_map(|frame| &frame.landmarks);
    let drive_rad = driven.map(|seen| seen.drive_rad);
    let span_rad = drive_rad.fold([0.0_f64; 2], |[low, high], at| [low.min(at), high.max(at)]);
    let constants = &state.constants;
    let landmarks = constants.landmarks.iter();
    let squares = landmarks.map(|landmark| {
        let by = landmark.rocking(constants);
        (by - landmark.towards.dot(&by) * landmark.towards.into_inner()).norm_squared()
    });
    let mean_square = squares.sum::<f64>() / constants.landmarks.len().max(1) as f64;
    deg_from_rad(mean_square.sqrt() * (span_rad[1] - span_rad[0]))
}

/// Notes in each frame the landmarks that may be of use.
fn take_in(fit: &mut JointFit, sightings: &Sightings) {
    let mut found: BTreeMap<u32, usize> = BTreeMap::new();
    let mut with_pose = 0;
    for frame in fit.frames.iter().filter(|frame| frame.is_used()) {
        with_pose += 1;
        for landmark in &sightings.frames[frame.position].landmarks {
            *found.entry(landmark.number).or_default() += 1;
        }
    }
    let mut found: Vec<(u32, usize)> = found.into_iter().collect();
    found.retain(|(_, count)| *count as f64 > FOUND_SHARE * f64::from(with_pose));
    found.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    found.truncate(MOST_WEIGHED);
    fit.layout.landmarks = found.len();
    fit.layout.rocking = true;
    for frame in &mut fit.frames {
        let of_frame = sightings.frames[frame.position].landmarks.iter();
        let of_use = of_frame.filter_map(|seen| {
            let landmark = found
                .iter()
                .position(|(number, _)| *number == seen.number)?;
            Some(SeenLandmark {
                landmark,
                place_px: seen.place_px.coords.cast(),
                sd_px: FIRST_SD_PX,
                by_readout_px_per_s: Vector2::zeros(),
                drive_rad: 0.0,
            })
        });
        frame.landmarks = of_use.collect();
    }
}

fn leave_out(fit: &mut JointFit) {
    fit.layout.landmarks = 0;
    fit.layout.rocking = false;
    fit.pose_share_of_tags = 1.0;
    for frame in &mut fit.frames {
        frame.landmarks = vec![];
    }
}

/// Fits with the landmarks, and weighs each by its residuals; `None` if there are too few.
fn fit_and_weigh(fit: &mut JointFit, mut state: State) -> Option<State> {
    note_drive(fit, &state);
    state.constants.landmarks_seen_from = mean_camera_mm(fit, &state);
    state.constants.landmarks = (0..fit.layout.landmarks)
        .map(|landmark| first_guess(fit, &state, landmark))
        .collect();
    let round = Until {
        steps: MOST_STEPS,
        promised: PROMISED_A_FRAME * fit.frames.len() as f64,
    };
    let mut before_px = vec![FIRST_SD_PX; fit.layout.landmarks];
    for _ in 0..ROUNDS {
        readout::note_motion(fit, &state);
        state = fit.minimise(state, round)?;
        let sd_px = sd_px_of_all(fit, &state);
        weigh(fit, &sd_px);
        let mut pairs = sd_px.iter().zip(&before_px);
        let settled = pairs.all(|(now, before)| {
            let of_no_use = now.min(*before) > MOST_SD_PX;
            of_no_use || (now / before).max(before / now) < SETTLED_FACTOR
        });
        before_px = sd_px;
        if settled {
            break;
        }
    }
    // Only now: beside those that are no fixed spots the others seem none at first.
    retain(fit, &mut state, &before_px);
    (fit.layout.landmarks >= FEWEST_LANDMARKS).then_some(state)
}

/// Notes at every landmark how far the surface that is seen most is deflected: all of them follow one
/// stick, and whatever rocks the aircraft follows it too.
fn note_drive(fit: &mut JointFit, state: &State) {
    let frames_of = |surface: &usize| {
        let frames = fit.frames.iter();
        frames
            .filter(|frame| frame.shows(Target::Surface(*surface)))
            .count()
    };
    let Some(surface) = (0..fit.layout.surfaces).max_by_key(frames_of) else {
        return;
    };
    for (frame, frame_state) in fit.frames.iter_mut().zip(&state.frames) {
        let drive_rad = match frame.shows(Target::Surface(surface)) {
            true => frame_state.angles_rad[surface],
            false => 0.0,
        };
        for seen in &mut frame.landmarks {
            seen.drive_rad = drive_rad;
        }
    }
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

/// A landmark at the point that lies nearest to all lines of sight to it.
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

/// Standard deviation of each landmark; infinite for one without residuals.
fn sd_px_of_all(fit: &JointFit, state: &State) -> Vec<f64> {
    let camera = fit.lens.camera(&state.constants);
    (0..fit.layout.landmarks)
        .map(|landmark| {
            let residuals = residuals_px(fit, state, &camera, landmark);
            sd_px(&residuals).unwrap_or(f64::INFINITY)
        })
        .collect()
}

/// Residuals of a landmark, with the time of each, s.
fn residuals_px(
    fit: &JointFit,
    state: &State,
    camera: &Camera,
    landmark: usize,
) -> Vec<(f64, Vector2<f64>)> {
    let frames = fit.frames.iter().zip(&state.frames);
    let residual = |(frame, frame_state): (&ObservedFrame, _)| {
        let seen = frame.landmark(landmark).filter(|_| frame.is_used())?;
        let miss_px = seen.residual_px(camera, &state.constants, frame_state)?;
        Some((frame.time_s, miss_px))
    };
    frames.filter_map(residual).collect()
}

/// Standard deviation with which single places would have to scatter, independent of each other, to
/// leave as much in the mean of many: errors that are alike in neighbouring frames count for more
/// (W. K. Newey and K. D. West, Econometrica 55 (1987) 703).
fn sd_px(residuals: &[(f64, Vector2<f64>)]) -> Option<f64> {
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
            sum += 2.0 * weight * miss.dot(later);
        }
    }
    let long_run_px = (sum / count).max(0.0).sqrt();
    Some(long_run_px.max(usual_px).max(LEAST_SD_PX))
}

/// Gives each landmark its standard deviation.
fn weigh(fit: &mut JointFit, sd_px: &[f64]) {
    let frames = fit.frames.iter_mut();
    for seen in frames.flat_map(|frame| &mut frame.landmarks) {
        seen.sd_px = sd_px[seen.landmark];
    }
}

/// Takes out those that scatter too much for fixed spots, and what is beyond the best.
fn retain(fit: &mut JointFit, state: &mut State, sd_px: &[f64]) {
    let mut kept: Vec<usize> = (0..sd_px.len())
        .filter(|landmark| sd_px[*landmark] < MOST_SD_PX)
        .collect();
    kept.sort_by(|a, b| sd_px[*a].total_cmp(&sd_px[*b]));
    kept.truncate(MOST_LANDMARKS);
    kept.sort_unstable();
    for frame in &mut fit.frames {
        frame.landmarks.retain_mut(|seen| {
            let number = kept.binary_search(&seen.landmark);
            seen.landmark = number.unwrap_or(seen.landmark);
            number.is_ok()
        });
    }
    let places = &state.constants.landmarks;
    state.constants.landmarks = kept.iter().map(|landmark| places[*landmark]).collect();
    fit.layout.landmarks = kept.len();
}
