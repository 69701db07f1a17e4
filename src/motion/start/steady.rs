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

use nalgebra::{Matrix2x3, Matrix3, SMatrix, Vector2, Vector3};
use rayon::prelude::*;

use super::picture_model::Model;
use crate::camera::{Camera, CameraProfile};
use crate::landmarks::LandmarkSighting;
use crate::model_file::ModelFile;
use crate::motion::PictureWander;
use crate::motion::problem::landmark::FEWEST_LANDMARKS;
use crate::motion::problem::observation::{Corners, Observation, ObservedFrame, Target, observe};
use crate::solver::Loss;
use crate::statistics::{SD_FROM_MAD, median};
use crate::tags::Sightings;

/// Standard deviations of points before their residuals were seen, px: corners of an airframe tag, and
/// landmarks. Their ratio decides how much each counts.
const CORNER_SD_PX: f64 = 0.05;
const LANDMARK_SD_PX: f64 = 0.1;
/// A point further off than this many of them counts by its distance only.
const LOSS: Loss = Loss::Huber { width: 3.0 };
/// The camera stood still if points scatter by no more than this, px (median of all points, each by its
/// median deviation). Landmarks of a still camera scatter by 0.02 to 0.06 px, also in video of a quarter of the
/// usual bits; those of a camera in the hand by 10 px.
const MOST_SCATTER_PX: f64 = 0.3;
/// Places and motions are fitted in turns so many times; three are enough for 0.001 px.
const ROUNDS: usize = 4;
/// Reweighted steps of one frame in a round.
const STEPS: usize = 2;
/// A turn of the camera is believed where it leaves less than this share of the scatter.
const TURN_GAIN: f64 = 0.8;
/// A frame needs so many points: one airframe tag.
const FEWEST_POINTS: usize = 4;
/// Airframe tags alone do not distinguish a picture that moves from a camera that does: at least this share of the
/// frames has to show [`FEWEST_LANDMARKS`] landmarks.
const LANDMARKS_SHARE: f64 = 0.5;

/// A point that is fixed in the world: a corner of an airframe tag, or a landmark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Point {
    Corner(usize, usize),
    Landmark(u32),
}

/// A point as it was found in a frame.
struct Found {
    point: Point,
    place_px: Vector2<f64>,
    sd_px: f64,
}

type Places = BTreeMap<Point, Vector2<f64>>;

/// A model fitted to all frames.
struct Fitted {
    model: Model,
    motions: Vec<Option<Motion>>,
    places: Places,
    scatter_px: f64,
}

/// Motion of one frame, with its covariance.
#[derive(Debug, Clone, Copy)]
struct Motion {
    numbers: Vector3<f64>,
    covariance: Matrix3<f64>,
}

/// The frames as a camera whose picture stays where it is would see them; `None` unless the camera stood still.
///
/// Frames without an airframe tag and with few landmarks have no motion: their sightings are rejected.
pub(in crate::motion) fn steadied(
    frames: &[ObservedFrame],
    sightings: &Sightings,
    profile: &CameraProfile,
) -> Option<(Vec<ObservedFrame>, PictureWander)> {
    let camera = &profile.camera;
    let fitted = Fitted::best(frames, sightings, camera)?;
    let steady = frames.iter().zip(&fitted.motions).map(|(frame, motion)| {
        let mut frame = frame.clone();
        match motion {
            Some(motion) => {
                let observations = frame.observations.iter_mut();
                observations.for_each(|seen| undo(seen, camera, fitted.model, motion));
            }
            None => frame.reject_all(),
        }
        frame
    });
    Some((steady.collect(), fitted.wander(camera)))
}

/// Undoes the motion of the picture in frames that come later, of a camera that stood still.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Steadier {
    camera: Camera,
    model: Model,
    places: Places,
}

impl Steadier {
    /// From the frames of a clip; `None` unless the camera stood still.
    pub fn of(
        sightings: &Sightings,
        declared: &ModelFile,
        profile: &CameraProfile,
    ) -> Option<Self> {
        let frames = observe(sightings, declared).ok()?;
        let fitted = Fitted::best(&frames, sightings, &profile.camera)?;
        Some(Self {
            camera: profile.camera,
            model: fitted.model,
            places: fitted.places,
        })
    }

    /// The frame as a camera whose picture stays where it is would see it. Its sightings are rejected where too
    /// few points show the motion.
    pub fn steady(&self, frame: &mut ObservedFrame, landmarks: &[LandmarkSighting]) {
        let points = points(frame, landmarks);
        match Motion::of(&points, &self.places, &self.camera, self.model) {
            Some(motion) => {
                let observations = frame.observations.iter_mut();
                observations.for_each(|seen| undo(seen, &self.camera, self.model, &motion));
            }
            None => frame.reject_all(),
        }
    }
}

fn points(frame: &ObservedFrame, landmarks: &[LandmarkSighting]) -> Vec<Found> {
    let corners = frame.kept().filter_map(|seen| match seen.target {
        Target::Airframe(tag) => Some((tag, seen)),
        Target::Surface(_) => None,
    });
    let corners = corners.flat_map(|(tag, seen)| {
        (0..4).map(move |corner| Found {
            point: Point::Corner(tag, corner),
            place_px: seen.corners_px.fixed_rows::<2>(2 * corner).into_owned(),
            sd_px: CORNER_SD_PX,
        })
    });
    let landmarks = landmarks.iter().map(|seen| Found {
        point: Point::Landmark(seen.number),
        place_px: seen.place_px.coords.cast(),
        sd_px: LANDMARK_SD_PX,
    });
    corners.chain(landmarks).collect()
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
        let of_picture = Self::to(&found, camera, Model::Picture)?;
        let of_turn = Self::to(&found, camera, Model::Turn)?;
        let fitted = match of_turn.scatter_px < TURN_GAIN * of_picture.scatter_px {
            true => of_turn,
            false => of_picture,
        };
        (fitted.scatter_px <= MOST_SCATTER_PX).then_some(fitted)
    }

    /// `None` where hardly any frame has points enough.
    fn to(found: &[Vec<Found>], camera: &Camera, model: Model) -> Option<Self> {
        let mut places = Places::new();
        let mut motions = vec![None; found.len()];
        for (points, motion) in found.iter().zip(&mut motions) {
            *motion = match places.is_empty() {
                true => Some(Motion::none()),
                false => Motion::of(points, &places, camera, model),
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
                .map(|points| Motion::of(points, &places, camera, model))
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
            Model::Picture => PictureWander {
                shift_sd_px: sd(variance.x + variance.y),
                growth_sd: sd(variance.z),
            },
            Model::Turn => PictureWander {
                shift_sd_px: camera.fx * sd(variance.x + variance.y),
                growth_sd: 0.0,
            },
        }
    }
}

impl Motion {
    fn none() -> Self {
        Self {
            numbers: Vector3::zeros(),
            covariance: Matrix3::zeros(),
        }
    }

    /// The motion that brings known places nearest to where they were found; `None` if too few were.
    fn of(points: &[Found], places: &Places, camera: &Camera, model: Model) -> Option<Self> {
        let pairs = points.iter().filter_map(|seen| {
            let place_px = places.get(&seen.point)?;
            let slopes = model.slopes(camera, place_px)? / seen.sd_px;
            Some((slopes, (seen.place_px - place_px) / seen.sd_px))
        });
        let pairs: Vec<(Matrix2x3<f64>, Vector2<f64>)> = pairs.collect();
        if pairs.len() < FEWEST_POINTS {
            return None;
        }
        let mut motion: Option<Self> = None;
        for _ in 0..=STEPS {
            let mut normal = Matrix3::from_diagonal(&model.information(camera));
            let mut asked = Vector3::zeros();
            for (slopes, moved) in &pairs {
                let left = motion.map_or(Vector2::zeros(), |it| moved - slopes * it.numbers);
                let weight = LOSS.weight(left.norm_squared());
                normal += slopes.tr_mul(slopes) * weight;
                asked += slopes.tr_mul(moved) * weight;
            }
            let covariance = normal.cholesky()?.inverse();
            let numbers = covariance * asked;
            motion = Some(Self {
                numbers,
                covariance,
            });
        }
        motion
    }
}

/// Where a place would have been found without its frame's motion.
fn undone(
    place_px: &Vector2<f64>,
    camera: &Camera,
    model: Model,
    motion: &Motion,
) -> Option<Vector2<f64>> {
    // Slopes belong to the place without motion; it is near.
    let near_px = place_px - model.slopes(camera, place_px)? * motion.numbers;
    Some(place_px - model.slopes(camera, &near_px)? * motion.numbers)
}

fn mean_places(
    found: &[Vec<Found>],
    motions: &[Option<Motion>],
    camera: &Camera,
    model: Model,
) -> Places {
    let mut stills: BTreeMap<Point, [Vec<f64>; 2]> = BTreeMap::new();
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
    motions: &[Option<Motion>],
    places: &Places,
    camera: &Camera,
    model: Model,
) -> Option<f64> {
    let mut off: BTreeMap<Point, Vec<f64>> = BTreeMap::new();
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

/// Removes the motion of its frame from a sighting; its uncertainty is added to the corners' covariance.
fn undo(seen: &mut Observation, camera: &Camera, model: Model, motion: &Motion) {
    let mut slopes = SMatrix::<f64, 8, 3>::zeros();
    let mut still_px = Corners::zeros();
    for corner in 0..4 {
        let place_px = seen.corners_px.fixed_rows::<2>(2 * corner).into_owned();
        let undone = undone(&place_px, camera, model, motion);
        let of_corner = model.slopes(camera, &place_px);
        let (Some(undone), Some(of_corner)) = (undone, of_corner) else {
            seen.kept = false;
            return;
        };
        still_px.fixed_rows_mut::<2>(2 * corner).copy_from(&undone);
        slopes.fixed_rows_mut::<2>(2 * corner).copy_from(&of_corner);
    }
    seen.corners_px = still_px;
    seen.add_covariance(&(slopes * motion.covariance * slopes.transpose()));
}
