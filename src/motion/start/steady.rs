//! Steadies the picture of a camera that stands still.
//!
//! The stabiliser of a phone on a tripod shifts the picture by some pixels and its focus breathes, so that
//! nothing rests in the picture although the camera does. The airframe tags and the landmarks of the
//! surroundings all move alike then: three numbers a frame explain them to some hundredths of a pixel, whereas a
//! camera in the hand leaves tens of pixels, since it rolls and near points move against far ones. With that
//! motion undone, the clip is that of a still camera and its fit needs no further unknown.
//!
//! Two motions are tried: one of the picture (shift and growth, [`crate::motion::problem::picture_motion`]), and a small
//! turn of the camera (a tripod that gives). The places of the points and the motions of the frames are fitted in turns.

use std::collections::BTreeMap;

use nalgebra::{Vector2, Vector3};
use rayon::prelude::*;

use crate::camera::{Camera, CameraProfile};
use crate::motion::PictureWander;
use crate::motion::problem::landmark::FEWEST_LANDMARKS;
use crate::motion::problem::observation::ObservedFrame;
use crate::motion::problem::steadier::{
    FEWEST_POINTS, FixedPoint, Found, FrameMotion, MotionModel, Places, Steadied, Steadier, points,
    undone,
};
use crate::statistics::{SD_FROM_MAD, median};
use crate::tags::Sightings;

/// The camera stood still if points scatter by no more than this, px (median of all points, each by its
/// median deviation). Landmarks of a still camera scatter by 0.02 to 0.06 px, also in video of a quarter of the
/// usual bits; those of a camera in the hand by 10 px.
const MOST_SCATTER_PX: f64 = 0.3;
/// Places and motions are fitted in turns so many times; three are enough for 0.001 px.
const ROUNDS: usize = 4;
/// A turn of the camera is believed where it leaves less than this share of the scatter.
const TURN_GAIN: f64 = 0.8;
/// Airframe tags alone do not distinguish a picture that moves from a camera that does: at least this share of the
/// frames has to show [`FEWEST_LANDMARKS`] landmarks.
const LANDMARKS_SHARE: f64 = 0.5;

/// A model fitted to all frames.
struct Fitted {
    model: MotionModel,
    motions: Vec<Option<FrameMotion>>,
    places: Places,
    scatter_px: f64,
}

/// The frames as a camera whose picture stays where it is would see them; `None` unless the camera stood still.
///
/// Frames without an airframe tag and with few landmarks have no motion: their sightings are rejected.
pub(in crate::motion) fn steadied(
    frames: &[ObservedFrame],
    sightings: &Sightings,
    profile: &CameraProfile,
) -> Option<(Vec<ObservedFrame>, Steadied)> {
    let camera = &profile.camera;
    let fitted = Fitted::best(frames, sightings, camera)?;
    let wander = fitted.wander(camera);
    let steadier = Steadier {
        camera: *camera,
        model: fitted.model,
        places: fitted.places,
    };
    let steady = frames.iter().zip(&fitted.motions).map(|(frame, motion)| {
        let mut frame = frame.clone();
        steadier.undo(&mut frame, motion.as_ref());
        frame
    });
    Some((steady.collect(), Steadied { wander, steadier }))
}

impl Fitted {
    /// The model that explains all frames; `None` unless the camera stood still.
    fn best(frames: &[ObservedFrame], sightings: &Sightings, camera: &Camera) -> Option<Self> {
        let landmarks = |frame: &ObservedFrame| &sightings.frames[frame.position].landmarks;
        let with_landmarks = frames
            .iter()
            .filter(|frame| landmarks(frame).len() >= FEWEST_LANDMARKS);
        if (with_landmarks.count() as f64) < LANDMARKS_SHARE * frames.len() as f64 {
            return None;
        }
        let found: Vec<Vec<Found>> = frames
            .iter()
            .map(|frame| points(frame, landmarks(frame)))
            .collect();
        let of_picture = Self::to(&found, camera, MotionModel::Picture)?;
        let of_turn = Self::to(&found, camera, MotionModel::Turn)?;
        let fitted = match of_turn.scatter_px < TURN_GAIN * of_picture.scatter_px {
            true => of_turn,
            false => of_picture,
        };
        (fitted.scatter_px <= MOST_SCATTER_PX).then_some(fitted)
    }

    /// `None` where hardly any frame has points enough.
    fn to(found: &[Vec<Found>], camera: &Camera, model: MotionModel) -> Option<Self> {
        let mut places = Places::new();
        let mut motions = vec![None; found.len()];
        for (points, motion) in found.iter().zip(&mut motions) {
            *motion = match places.is_empty() {
                true => Some(FrameMotion::none()),
                false => FrameMotion::of(points, &places, camera, model),
            }
            .filter(|_| points.len() >= FEWEST_POINTS);
            let Some(motion) = motion else { continue };
            for seen in points {
                let still_px = undone(&seen.place_px, camera, model, motion);
                still_px.map(|still_px| places.entry(seen.point).or_insert(still_px));
            }
        }
        for _ in 0..ROUNDS {
            places = mean_places(found, &motions, camera, model);
            motions = found
                .par_iter()
                .map(|points| FrameMotion::of(points, &places, camera, model))
                .collect();
        }
        let scatter_px = scatter_px(found, &motions, &places, camera, model)?;
        Some(Self {
            model,
            motions,
            places,
            scatter_px,
        })
    }

    fn wander(&self, camera: &Camera) -> PictureWander {
        let motions: Vec<Vector3<f64>> =
            self.motions.iter().flatten().map(|it| it.numbers).collect();
        let count = motions.len().max(1) as f64;
        let mean = motions.iter().sum::<Vector3<f64>>() / count;
        let square = |it: &Vector3<f64>| (it - mean).component_mul(&(it - mean));
        let variance = motions.iter().map(square).sum::<Vector3<f64>>() / count;
        let sd = |variance: f64| variance.sqrt();
        match self.model {
            MotionModel::Picture => PictureWander {
                shift_sd_px: sd(variance.x + variance.y),
                growth_sd: sd(variance.z),
            },
            MotionModel::Turn => PictureWander {
                shift_sd_px: camera.fx * sd(variance.x + variance.y),
                growth_sd: 0.0,
            },
        }
    }
}

fn mean_places(
    found: &[Vec<Found>],
    motions: &[Option<FrameMotion>],
    camera: &Camera,
    model: MotionModel,
) -> Places {
    let mut stills: BTreeMap<FixedPoint, [Vec<f64>; 2]> = BTreeMap::new();
    for (points, motion) in found.iter().zip(motions) {
        let Some(motion) = motion else { continue };
        for seen in points {
            if let Some(still_px) = undone(&seen.place_px, camera, model, motion) {
                let [x, y] = stills.entry(seen.point).or_default();
                x.push(still_px.x);
                y.push(still_px.y);
            }
        }
    }
    let places = stills.into_iter().filter_map(|(point, [x, y])| {
        let place = Vector2::new(median(x.into_iter())?, median(y.into_iter())?);
        Some((point, place))
    });
    places.collect()
}

/// How far points scatter about their places: the median of all points.
fn scatter_px(
    found: &[Vec<Found>],
    motions: &[Option<FrameMotion>],
    places: &Places,
    camera: &Camera,
    model: MotionModel,
) -> Option<f64> {
    let mut off: BTreeMap<FixedPoint, Vec<f64>> = BTreeMap::new();
    for (points, motion) in found.iter().zip(motions) {
        let Some(motion) = motion else { continue };
        for seen in points {
            let still_px = undone(&seen.place_px, camera, model, motion);
            if let (Some(still_px), Some(place_px)) = (still_px, places.get(&seen.point)) {
                let miss_px = still_px - place_px;
                let of_point = off.entry(seen.point).or_default();
                of_point.extend([miss_px.x.abs(), miss_px.y.abs()]);
            }
        }
    }
    let of_points = off
        .into_values()
        .filter_map(|misses| median(misses.into_iter()));
    Some(SD_FROM_MAD * median(of_points)?)
}
