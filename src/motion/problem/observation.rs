//! Sightings made ready for the fit: whitened, and grouped by what they sit on.

use nalgebra::{SMatrix, SVector, Vector2};
use rayon::prelude::*;

use super::landmark::{FEWEST_LANDMARKS, SeenLandmark};
use crate::clip::{ClipInfo, Lines};
use crate::geometry::quadrilateral;
use crate::model_file::ModelFile;
use crate::motion::MotionError;
use crate::tags::{SightedFrame, Sighting, Sightings};

/// Corner coordinates of one sighting: x0 y0 … x3 y3.
pub(crate) type Corners = SVector<f64, 8>;

/// Frames that one thread takes at a time.
pub(in crate::motion) const PIECE: usize = 64;

/// Weight of a doubtful sighting: hardly any, but enough to determine its deflection.
const DOUBTFUL_WEIGHT: f64 = 1e-3;

/// What a tag sits on; the position in the model file's list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::motion) enum Target {
    Surface(usize),
    Airframe(usize),
}

/// One sighting of a declared tag.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Observation {
    pub target: Target,
    pub edge_mm: f64,
    pub corners_px: Corners,
    /// How the corners' places follow the camera's readout: [`super::readout`].
    pub by_readout_px_per_s: Corners,
    /// Inverse of the lower Cholesky factor of the corners' covariance: makes errors white.
    pub whitening: SMatrix<f64, 8, 8>,
    /// Factor on the declared covariance that is in the whitening.
    pub variance_factor: f64,
    /// Weight in the constants of the fit: below 1 where neighbouring frames say the same again.
    pub share: f64,
    /// Not rejected.
    pub kept: bool,
    /// Kept without influence on the constants: [`crate::motion::select::marginal`].
    pub doubt: Option<Doubt>,
}

/// How far a sighting is off beyond the errors of its corners.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::motion) struct Doubt {
    /// Variance, as a multiple of the corners' own.
    pub excess: f64,
    /// Number of the run of frames that have it in common.
    pub run: usize,
}

impl Observation {
    /// Widens the errors of the corners by another covariance, px².
    pub fn add_covariance(&mut self, added_px2: &SMatrix<f64, 8, 8>) {
        let whitened = self.whitening * added_px2 * self.whitening.transpose();
        let root = (SMatrix::identity() + whitened).cholesky();
        let widened = root.and_then(|root| root.l().solve_lower_triangular(&self.whitening));
        if let Some(whitening) = widened {
            self.whitening = whitening;
        }
    }

    /// Kept, and not doubtful.
    pub fn has_a_say(&self) -> bool {
        self.kept && self.doubt.is_none()
    }

    /// Mean length of the tag's edges in the picture, px.
    pub fn edge_px(&self) -> f64 {
        let corner = |at: usize| self.corners_px.fixed_rows::<2>(2 * at).into_owned();
        quadrilateral::mean_edge(&std::array::from_fn(|at| corner(at).into()))
    }

    /// Sum of the variances of all coordinates as the corner fit claims them, px².
    pub fn claimed_px2(&self) -> Option<f64> {
        let root: SMatrix<f64, 8, 8> = self
            .whitening
            .solve_lower_triangular(&SMatrix::identity())?;
        Some(root.norm_squared() / self.variance_factor)
    }

    /// Weight of the sighting, whatever its residual.
    pub fn weight(&self) -> f64 {
        self.share * self.doubt.map_or(1.0, |_| DOUBTFUL_WEIGHT)
    }
}

/// One frame with what was usable in it.
#[derive(Debug, Clone)]
pub(in crate::motion) struct ObservedFrame {
    /// Position in [`Sightings::frames`].
    pub position: usize,
    pub time_s: f64,
    pub observations: Vec<Observation>,
    /// Landmarks of the fit; none before [`crate::motion::surroundings::join`] lets them in.
    pub landmarks: Vec<SeenLandmark>,
}

impl ObservedFrame {
    pub fn kept(&self) -> impl Iterator<Item = &Observation> {
        self.observations.iter().filter(|seen| seen.kept)
    }

    pub fn with_a_say(&self) -> impl Iterator<Item = &Observation> {
        self.observations.iter().filter(|seen| seen.has_a_say())
    }

    /// Whether anything in it is used: only then a moving camera has a place.
    pub fn is_used(&self) -> bool {
        self.kept().next().is_some()
    }

    /// Weight of all that the frame says about its view: that of its tags.
    pub fn share(&self) -> f64 {
        self.kept().next().map_or(1.0, |seen| seen.share)
    }

    /// A landmark of the fit, if it was found here.
    pub fn landmark(&self, landmark: usize) -> Option<&SeenLandmark> {
        self.landmarks.iter().find(|seen| seen.landmark == landmark)
    }

    pub fn shows_airframe(&self) -> bool {
        self.kept()
            .any(|seen| matches!(seen.target, Target::Airframe(_)))
    }

    /// Whether a camera that moves has its place by this frame alone.
    pub fn tells_camera(&self) -> bool {
        self.shows_airframe() || self.landmarks.len() >= FEWEST_LANDMARKS
    }

    pub fn shows(&self, target: Target) -> bool {
        self.kept().any(|seen| seen.target == target)
    }

    /// Nothing in it can be used: a moving camera whose place is unknown.
    pub fn reject_all(&mut self) {
        for seen in &mut self.observations {
            seen.kept = false;
        }
    }
}

/// Median time from one frame to the next, s; 0 where there is one frame only.
pub(in crate::motion) fn interval_s(frames: &[ObservedFrame]) -> f64 {
    let pairs = frames.windows(2);
    let intervals_s = pairs.map(|pair| pair[1].time_s - pair[0].time_s);
    crate::statistics::median(intervals_s).unwrap_or(0.0)
}

/// Direction of the sensor's lines in the upright picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ReadLines {
    /// Coordinate of a point that gives its line: 0 for x, 1 for y.
    coordinate: usize,
    count: f64,
}

impl ReadLines {
    pub fn of(clip: &ClipInfo) -> Self {
        let (coordinate, count) = match clip.lines {
            Lines::Columns => (0, clip.width_px),
            Lines::Rows => (1, clip.height_px),
        };
        Self {
            coordinate,
            count: count as f64,
        }
    }

    /// How long after the middle line a point is read, as a share of the readout.
    pub fn share(&self, point_px: &Vector2<f64>) -> f64 {
        (point_px[self.coordinate] + 0.5) / self.count - 0.5
    }
}

/// All sightings of declared surface and airframe tags, frame by frame.
pub(in crate::motion) fn observe(
    sightings: &Sightings,
    model: &ModelFile,
) -> Result<Vec<ObservedFrame>, MotionError> {
    let observed =
        |(position, frame): (usize, &SightedFrame)| observe_frame(position, frame, model);
    let frames = sightings.frames.par_iter().enumerate();
    let observed: Vec<_> = frames.with_min_len(PIECE).map(observed).collect();
    // The first error of all, whichever was found first.
    observed.into_iter().collect()
}

/// What a tag of this id sits on, and its edge, mm.
fn target_of(model: &ModelFile, tag_id: u32) -> Option<(Target, f64)> {
    let surfaces = model.surfaces.iter().enumerate();
    let airframe = model.airframe_tags.iter().enumerate();
    surfaces
        .filter(|(_, surface)| surface.tag_id == tag_id)
        .map(|(index, surface)| (Target::Surface(index), surface.edge_mm))
        .chain(
            airframe
                .filter(|(_, tag)| tag.id == tag_id)
                .map(|(index, tag)| (Target::Airframe(index), tag.edge_mm)),
        )
        .next()
}

/// The sightings of declared surface and airframe tags in one frame, which is at `position` of the clip.
pub(in crate::motion) fn observe_frame(
    position: usize,
    frame: &SightedFrame,
    model: &ModelFile,
) -> Result<ObservedFrame, MotionError> {
    let declared = frame.sightings.iter();
    let declared =
        declared.filter_map(|sighting| Some((sighting, target_of(model, sighting.tag_id)?)));
    let observations = declared
        .map(|(sighting, (target, edge_mm))| {
            prepare(sighting, target, edge_mm).ok_or(MotionError::NotFinite {
                frame: frame.index,
                tag_id: sighting.tag_id,
            })
        })
        .collect::<Result<_, _>>()?;
    Ok(ObservedFrame {
        position,
        time_s: frame.time_s,
        observations,
        landmarks: vec![],
    })
}

fn prepare(sighting: &Sighting, target: Target, edge_mm: f64) -> Option<Observation> {
    let corners_px = Corners::from_fn(|row, _| sighting.corners_px[row / 2].coords[row % 2]);
    let finite = corners_px.iter().all(|value| value.is_finite());
    let root = finite.then(|| sighting.covariance_px2.cast::<f64>().cholesky())??;
    let whitening = root.l().solve_lower_triangular(&SMatrix::identity())?;
    Some(Observation {
        target,
        edge_mm,
        corners_px,
        by_readout_px_per_s: Corners::zeros(),
        whitening,
        variance_factor: 1.0,
        share: 1.0,
        kept: true,
        doubt: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{Levels, Transfer};

    #[test]
    fn the_line_of_a_point_lies_along_the_sensors_lines() {
        let share = |lines: Lines| {
            let clip = ClipInfo {
                path: "clip.mp4".into(),
                width_px: 200,
                height_px: 100,
                levels: Levels {
                    black: 16,
                    white: 235,
                },
                transfer: Transfer::Power,
                lines,
                claimed_frames: None,
            };
            ReadLines::of(&clip).share(&Vector2::new(149.5, 24.5))
        };
        assert_eq!(share(Lines::Rows), -0.25);
        assert_eq!(share(Lines::Columns), 0.25);
    }
}
