//! The motion of the picture of a camera that stands still, and how it is undone in a frame.

use std::collections::BTreeMap;

use nalgebra::{Matrix2x3, Matrix3, Point2, SMatrix, Vector2, Vector3};

use super::observation::{Corners, Observation, ObservedFrame, Target};
use super::prediction::turning;
use crate::camera::Camera;
use crate::landmarks::LandmarkSighting;
use crate::motion::PictureWander;
use crate::solver::Loss;

/// Standard deviations of points before their residuals were seen, px: corners of an airframe tag, and
/// landmarks. Their ratio decides how much each counts.
const CORNER_SD_PX: f64 = 0.05;
const LANDMARK_SD_PX: f64 = 0.1;
/// A point further off than this many of them counts by its distance only.
const LOSS: Loss = Loss::Huber { width: 3.0 };
/// What a motion may be, as standard deviations: shift (px) or turn (rad, in shifts of the picture), growth.
/// They only matter for frames with few points.
const SHIFT_SD_PX: f64 = 40.0;
const GROWTH_SD: f64 = 0.005;
/// Reweighted steps of one frame in a round.
const STEPS: usize = 2;
/// A frame needs so many points: one airframe tag.
pub(in crate::motion) const FEWEST_POINTS: usize = 4;

/// A point that is fixed in the world: a corner of an airframe tag, or a landmark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::motion) enum FixedPoint {
    Corner(usize, usize),
    Landmark(u32),
}

/// A point as it was found in a frame.
pub(in crate::motion) struct Found {
    pub point: FixedPoint,
    pub place_px: Vector2<f64>,
    sd_px: f64,
}

pub(in crate::motion) type Places = BTreeMap<FixedPoint, Vector2<f64>>;

/// A motion of the whole picture.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) enum MotionModel {
    /// Shift (px) and growth.
    Picture,
    /// Turn of the camera, rad.
    Turn,
}

/// The motion of the picture in one frame, with its covariance.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) struct FrameMotion {
    pub numbers: Vector3<f64>,
    covariance: Matrix3<f64>,
}

/// What a camera that stood still has its picture steadied by.
#[derive(Debug)]
pub(in crate::motion) struct Steadied {
    /// How far the picture moved.
    pub wander: PictureWander,
    pub steadier: Steadier,
}

/// Undoes the motion of the picture in frames that come later, of a camera that stood still.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Steadier {
    pub camera: Camera,
    pub model: MotionModel,
    pub places: Places,
}

impl Steadier {
    /// The frame as a camera whose picture stays where it is would see it. Its sightings are rejected where too
    /// few points show the motion.
    pub fn steady(&self, frame: &mut ObservedFrame, landmarks: &[LandmarkSighting]) {
        let points = points(frame, landmarks);
        let motion = FrameMotion::of(&points, &self.places, &self.camera, self.model);
        self.undo(frame, motion.as_ref());
    }

    /// The same for a frame whose motion is known; without one its sightings are rejected.
    pub fn undo(&self, frame: &mut ObservedFrame, motion: Option<&FrameMotion>) {
        match motion {
            Some(motion) => {
                let observations = frame.observations.iter_mut();
                observations.for_each(|seen| undo(seen, &self.camera, self.model, motion));
            }
            None => frame.reject_all(),
        }
    }
}

pub(in crate::motion) fn points(
    frame: &ObservedFrame,
    landmarks: &[LandmarkSighting],
) -> Vec<Found> {
    let corners = frame.kept().filter_map(|seen| match seen.target {
        Target::Airframe(tag) => Some((tag, seen)),
        Target::Surface(_) => None,
    });
    let corners = corners.flat_map(|(tag, seen)| {
        (0..4).map(move |corner| Found {
            point: FixedPoint::Corner(tag, corner),
            place_px: seen.corners_px.fixed_rows::<2>(2 * corner).into_owned(),
            sd_px: CORNER_SD_PX,
        })
    });
    let landmarks = landmarks.iter().map(|seen| Found {
        point: FixedPoint::Landmark(seen.number),
        place_px: seen.place_px.coords.cast(),
        sd_px: LANDMARK_SD_PX,
    });
    corners.chain(landmarks).collect()
}

impl MotionModel {
    /// How a point in the picture follows the three numbers.
    fn slopes(self, camera: &Camera, place_px: &Vector2<f64>) -> Option<Matrix2x3<f64>> {
        match self {
            Self::Picture => {
                let from_centre = place_px - Vector2::new(camera.cx, camera.cy);
                Some(Matrix2x3::new(
                    1.0,
                    0.0,
                    from_centre.x,
                    0.0,
                    1.0,
                    from_centre.y,
                ))
            }
            Self::Turn => {
                let ray = camera.undistort(&Point2::from(*place_px))?.to_homogeneous();
                let projection = camera.project_with_jacobians(&ray.into())?;
                Some(projection.by_point * turning(&ray))
            }
        }
    }

    /// Inverse variances of the numbers beforehand.
    fn information(self, camera: &Camera) -> Vector3<f64> {
        match self {
            Self::Picture => Vector3::new(
                SHIFT_SD_PX.powi(-2),
                SHIFT_SD_PX.powi(-2),
                GROWTH_SD.powi(-2),
            ),
            Self::Turn => Vector3::from_element((camera.fx / SHIFT_SD_PX).powi(2)),
        }
    }
}

impl FrameMotion {
    pub fn none() -> Self {
        Self {
            numbers: Vector3::zeros(),
            covariance: Matrix3::zeros(),
        }
    }

    /// The motion that brings known places nearest to where they were found; `None` if too few were.
    pub fn of(
        points: &[Found],
        places: &Places,
        camera: &Camera,
        model: MotionModel,
    ) -> Option<Self> {
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
pub(in crate::motion) fn undone(
    place_px: &Vector2<f64>,
    camera: &Camera,
    model: MotionModel,
    motion: &FrameMotion,
) -> Option<Vector2<f64>> {
    // Slopes belong to the place without motion; it is near.
    let near_px = place_px - model.slopes(camera, place_px)? * motion.numbers;
    Some(place_px - model.slopes(camera, &near_px)? * motion.numbers)
}

/// Removes the motion of its frame from a sighting; its uncertainty is added to the corners' covariance.
fn undo(seen: &mut Observation, camera: &Camera, model: MotionModel, motion: &FrameMotion) {
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
