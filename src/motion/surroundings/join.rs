//! Surroundings: points that are fixed to the ground, all over the picture, determine the camera's pose.
//!
//! One small airframe tag determines the tilt of a camera in the hand to some tenths of a degree, and its
//! errors go into every deflection. Landmarks ([`crate::landmarks`]) determine it a hundred times better,
//! wherever they are: their places in space are constants of the fit like any other.
//!
//! Some are no fixed spots: edges that cross at different distances, a surface that moves, a person.
//! Each landmark is weighted by its own residuals. And if the airframe moves
//! against its surroundings, its tags no longer fit, and the landmarks are all left out.

use std::collections::BTreeMap;

use nalgebra::Vector2;

use super::bridging::bridge;
use super::weighing::{FIRST_SD_PX, MOST_SD_PX, weigh};
use crate::motion::problem::joint_fit::{JointFit, State, Surroundings};
use crate::motion::problem::landmark::{FEWEST_LANDMARKS, SeenLandmark};
use crate::motion::problem::layout::Layout;
use crate::motion::problem::readout;
use crate::motion::problem::rocking::note_drive;
use crate::motion::select::outliers::round;
use crate::motion::solve::frame_fit::settle_frames;
use crate::motion::solve::search::{FROM_NEARBY, Search};
use crate::tags::Sightings;

/// Landmarks that are weighed at most, those that were found most often …
const MOST_WEIGHED: usize = 24;
/// … and that the fit then uses, those that scatter least: more improve no deflection.
const MOST_LANDMARKS: usize = 14;
/// A landmark is useful if it was found in this share of the frames with a pose.
const FOUND_SHARE: f64 = 0.2;

/// Surroundings that rock further through the travel are not usable, degrees: they do not follow the
/// deflection closely enough.
const MOST_ROCKING_DEG: f64 = 0.25;

/// The last step promises to lower the cost by less than this for each frame: constants that were found on
/// a fifth of the frames promise half of that, and what the step leaves is for the fits that follow.
const PROMISED_A_FRAME: f64 = 0.1;

/// The airframe moves against its surroundings if with them the tags' residuals grow by this factor,
/// as a variance.
const MOST_GROWTH: f64 = 1.5;

/// Fits with the landmarks of the surroundings, which then determine the camera's pose. The new state, or
/// `None` where no landmark is part of the fit; [`JointFit::surroundings`] says why.
pub(in crate::motion) fn join(
    fit: &mut JointFit,
    alone: &State,
    sightings: &Sightings,
) -> Option<State> {
    if !fit.layout.camera_moves {
        return None;
    }
    let without = fit.layout;
    take_in(fit, sightings);
    if fit.layout.landmarks < FEWEST_LANDMARKS {
        leave_out(fit, without);
        return None;
    }
    readout::note_motion_of_landmarks(fit);
    note_drive(fit, alone);
    match fit_what_stands_still(fit, alone) {
        Ok(joined) => {
            fit.surroundings = Surroundings::Fixed;
            Some(joined)
        }
        Err(reason) => {
            leave_out(fit, without);
            fit.surroundings = reason;
            None
        }
    }
}

/// The fit with the landmarks that are fixed to the airframe's surroundings.
///
/// # Errors
/// [`Surroundings::Moving`] or [`Surroundings::Undetermined`].
fn fit_what_stands_still(fit: &mut JointFit, alone: &State) -> Result<State, Surroundings> {
    let weighed = weigh(fit, alone).ok_or(Surroundings::Undetermined)?;
    let rocks_far = weighed.significance.rocking && weighed.rocking_deg > MOST_ROCKING_DEG;
    if weighed.growth > MOST_GROWTH || rocks_far {
        return Err(Surroundings::Moving);
    }
    let mut start = State {
        constants: weighed.constants,
        frames: alone.frames.clone(),
    };
    retain(fit, &mut start, &weighed.sd_px);
    if fit.layout.landmarks < FEWEST_LANDMARKS {
        return Err(Surroundings::Moving);
    }
    weighed
        .significance
        .leave_in(&mut fit.layout, &mut start.constants);
    fit.priors.picture = weighed.picture;
    fit.view_share_of_tags = weighed.view_share_of_tags;
    settle_frames(fit, &mut start);
    let joined = fit.pass("with landmarks", start, joining(fit));
    let mut joined = joined.map_err(|_| Surroundings::Undetermined)?.state;
    bridge(fit, &mut joined);
    Ok(joined)
}

/// The search from constants that were found on some of the frames.
fn joining(fit: &JointFit) -> Search {
    Search {
        promised: PROMISED_A_FRAME * fit.frames.len() as f64,
        ..round(fit, FROM_NEARBY)
    }
}

/// Notes in each frame the landmarks that may be useful.
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
                number: seen.number,
                place_px: seen.place_px.coords.cast(),
                sd_px: FIRST_SD_PX,
                by_readout_px_per_s: Vector2::zeros(),
                drive_rad: 0.0,
            })
        });
        frame.landmarks = of_use.collect();
    }
}

fn leave_out(fit: &mut JointFit, without: Layout) {
    fit.layout = without;
    fit.view_share_of_tags = 1.0;
    for frame in &mut fit.frames {
        frame.landmarks = vec![];
    }
}

/// Gives each landmark its standard deviation. Removes those that scatter too much
/// for fixed spots, and all but the best.
fn retain(fit: &mut JointFit, state: &mut State, sd_px: &[f64]) {
    let mut kept: Vec<usize> = (0..sd_px.len())
        .filter(|landmark| sd_px[*landmark] < MOST_SD_PX)
        .collect();
    kept.sort_by(|a, b| sd_px[*a].total_cmp(&sd_px[*b]));
    kept.truncate(MOST_LANDMARKS);
    kept.sort_unstable();
    for frame in &mut fit.frames {
        frame.landmarks.retain_mut(|seen| {
            seen.sd_px = sd_px[seen.landmark];
            let number = kept.binary_search(&seen.landmark);
            seen.landmark = number.unwrap_or(seen.landmark);
            number.is_ok()
        });
    }
    let places = &state.constants.landmarks;
    state.constants.landmarks = kept.iter().map(|landmark| places[*landmark]).collect();
    fit.layout.landmarks = kept.len();
}
