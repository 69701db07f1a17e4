//! Lays a clip in which the surfaces rest over an earlier one that shows their hinge lines.
//!
//! A surface at rest shows no hinge line of its own, and the tilt of a single tag is known poorly. So
//! the corners of all tags are compared with what the earlier places predict: unknown are the camera's
//! pose in each view and one turn a surface (generalised least squares, as between two clips that move).

mod one_view;
mod scene;
mod views;

use nalgebra::DVector;

use super::Registration;
use crate::camera::Camera;
use crate::motion::{FitOptions, TagsAtNeutral};
use crate::tags::{SightedFrame, Sightings};
use scene::Scene;
use views::views;

/// A misfit beyond this means that a tag was moved or a surface did not rest. 180 pairs of synthetic films
/// have 1.2 at most, holds of rendered clips taken as level clips more; a tag that was stuck on anew 2 mm off
/// along the hinge gives 4.6 and more.
pub const LARGEST_RESTING_MISFIT: f64 = 4.0;
/// A tag is used if it is seen in this share of the frames of the tag that is seen most.
const LEAST_SHARE: f64 = 0.3;

/// Why a clip in which the surfaces rest cannot be laid over an earlier one.
#[derive(Debug, Clone, PartialEq)]
pub enum NotLaid {
    /// No frame shows at least two of the earlier tags, one of them on a surface, together.
    TooFewTags {
        /// Tags of the earlier clip that are seen at all.
        seen: Vec<u32>,
    },
    /// The tags are not where they were, or the surfaces moved.
    DoesNotFit {
        /// Squared misfit in units of what the errors lead to expect.
        misfit: f64,
    },
    /// The fit did not settle.
    NotSettled,
}

/// Fits the turn of each surface from the measured clip's neutral to where it rests in another clip.
///
/// `camera` is the lens of the resting clip. The misfit is at most [`LARGEST_RESTING_MISFIT`].
///
/// # Errors
/// See [`NotLaid`].
pub fn register_resting(
    measured: &TagsAtNeutral,
    resting: &Sightings,
    camera: &Camera,
    options: &FitOptions,
) -> Result<Registration, NotLaid> {
    let ids: Vec<u32> = measured.tags.iter().map(|tag| tag.tag_id).collect();
    let (used, frames) = frames_together(&ids, &resting.frames);
    let places = measured.only(&used);
    let surfaces = places.surfaces();
    if places.tags.len() < 2 || surfaces.is_empty() || frames.is_empty() {
        return Err(NotLaid::TooFewTags { seen: used });
    }
    let scene = Scene {
        views: views(&used, &frames, &resting.clip),
        places: &places,
        surfaces: surfaces.len(),
        camera,
    };
    let (state, last) = scene.settle(options).ok_or(NotLaid::NotSettled)?;
    let misfit = last.chi2 / scene.freedom();
    if misfit > LARGEST_RESTING_MISFIT {
        return Err(NotLaid::DoesNotFit { misfit });
    }
    let count = surfaces.len();
    let first = last.covariance.nrows() - count;
    Ok(Registration {
        surfaces,
        turns_rad: state.turns_rad,
        covariance_rad2: last.covariance.view((first, first), (count, count)).into(),
        return_rad2: DVector::zeros(count),
        misfit,
    })
}

/// The tags that are seen often enough, and the frames that show all of them.
fn frames_together<'a>(
    ids: &[u32],
    frames: &'a [SightedFrame],
) -> (Vec<u32>, Vec<&'a SightedFrame>) {
    let count = |id: u32| {
        frames
            .iter()
            .filter(|frame| frame.sighting(id).is_some())
            .count()
    };
    let most = ids.iter().map(|&id| count(id)).max().unwrap_or(0);
    let is_used = |id: &u32| count(*id) > 0 && count(*id) as f64 >= LEAST_SHARE * most as f64;
    let used: Vec<u32> = ids.iter().copied().filter(is_used).collect();
    let shows_all = |frame: &&SightedFrame| used.iter().all(|&id| frame.sighting(id).is_some());
    let together = frames.iter().filter(shows_all).collect();
    (used, together)
}
